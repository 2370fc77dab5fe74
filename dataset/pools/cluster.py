"""Tasks on a Dask cluster that is there, by its address. Settings of the engine, such as certificates, are
its own: configuration files and ``DASK_`` variables.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging
import queue
import re
import time
import uuid
import warnings
from collections.abc import Callable, Collection, Hashable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import joblib

from dataset.errors import InputError, WorkersLostError, quoted
from dataset.pools.pool import Round, Task, on_one_thread
from dataset.pools.sides import apart, own_side

if TYPE_CHECKING:
    from distributed import Client, Future

CONNECT_S, WORKERS_S = 10.0, 30.0  # the longest wait for a scheduler to answer, and for a first worker
FETCH_S = 120.0  # the longest wait for a result that is there
ALONE_S = 60.0  # the longest wait while there is no worker at all
MOST_TRIES = 5  # of a task whose shared values were lost with the workers that had them
_LOOK_S = 2.0  # between two looks at whether there still are workers
_AGAIN_S = 0.2  # between two tries to bring a value to a worker
_ADDRESS = re.compile(r"(tcp|tls)://(\[[0-9A-Fa-f:.]+\]|[^\s/:@\[\]]+):([0-9]{1,5})")
_START = "start one by 'dask scheduler', and workers by 'dask worker'"


class SidesApartError(Exception):
    """A worker runs something else than whoever gave it work."""


@contextmanager
def dask_cluster(address: str) -> Iterator[Cluster]:
    """The cluster whose scheduler is at ``address``, for as long as the block: ``tls://HOST:PORT``, or
    ``tcp://HOST:PORT`` on this machine.

    Raises:
        InputError: no such address, the extra ``cluster`` is missing here, no scheduler answers there, there
            is no worker, or it runs something else than this side.
    """
    checked_address(address)
    try:
        import distributed
    except ImportError as error:
        raise InputError(
            "dask",
            "the package 'distributed' is not installed here",
            "the extra 'cluster'",
            "pip install 'innage[cluster]'",
            fields=("dask",),
        ) from error
    if address.startswith("tls:"):
        _check_certificates(address)
    with _quiet(), warnings.catch_warnings():
        # versions are compared by `_compare`, which makes an error of what is a warning there
        warnings.simplefilter("ignore", distributed.versions.VersionMismatchWarning)
        client = _connected(address)
        try:
            _compare(address, client)
            yield Cluster(client, address)
        finally:
            with suppress(TimeoutError, OSError):
                client.close(timeout=CONNECT_S)


def checked_address(address: str) -> None:
    """InputError for what is no address of a scheduler, and for one off this machine without TLS: what goes
    there and comes back is run.
    """
    matched = _ADDRESS.fullmatch(address)
    if matched is None or not 0 < int(matched[3]) < 1 << 16:
        raise InputError("dask", quoted(address), "tls://HOST:PORT or tcp://HOST:PORT", fields=("dask",))
    if matched[1] == "tcp" and not _is_here(matched[2].strip("[]")):
        raise InputError(
            "dask",
            f"{address}, without TLS: whoever is on the way could run code here and there",
            f"tls://{matched[2]}:{matched[3]}, or tcp:// on this machine",
            "give scheduler, workers and this side certificates of one authority",
            fields=("dask",),
        )


def _is_here(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _check_certificates(address: str) -> None:
    """InputError where the engine's settings here name no certificates, or none that are there; it would say
    neither which nor where.
    """
    from distributed import Security

    settings = Security().get_tls_config_for_role("client")
    for setting, named in (
        ("ca-file", settings["ca_file"]),
        ("client.cert", settings["cert"]),
        ("client.key", settings["key"] or settings["cert"]),
    ):
        if named is not None and ("\n" in named or Path(named).is_file()):  # the engine takes their text too
            continue
        raise InputError(
            "dask",
            f"{address} takes certificates, and the setting 'distributed.comm.tls.{setting}' names "
            + ("none" if named is None else f"{quoted(named)}, where no file is"),
            "the certificate authority, a certificate and its key, by their whole paths",
            "settings of the engine are read from the folder that DASK_CONFIG names, or ~/.config/dask",
            fields=("dask",),
        )


@contextmanager
def _quiet() -> Iterator[None]:
    """What the engine would say beside is said in one sentence here."""
    logger = logging.getLogger("distributed")
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(before)


def _connected(address: str) -> Client:
    import distributed

    with ThreadPoolExecutor(1) as beside:  # whoever calls may have a loop of their own, as a notebook has
        try:
            answered = beside.submit(asyncio.run, _asked_who(address)).result()
        except (OSError, TimeoutError, TypeError, ValueError, RuntimeError) as error:
            why = str(error).strip().splitlines()
            raise _no_scheduler(address, why[-1][:200] if why else type(error).__name__) from error
    if answered != "Scheduler":
        raise _no_scheduler(address, f"a {answered.lower()[:40]} does")
    client = distributed.Client(
        address, timeout=CONNECT_S, set_as_default=False, name="innage", direct_to_workers=False
    )
    try:
        client.wait_for_workers(1, timeout=WORKERS_S)
    except TimeoutError as error:
        client.close(timeout=CONNECT_S)
        raise InputError(
            "dask",
            f"the scheduler at {address} has no worker, and none came within {WORKERS_S:g} s",
            "at least one",
            "start them by 'dask worker'",
            fields=("dask",),
        ) from error
    return client


async def _asked_who(address: str) -> str:
    """What answers there, asked before a client is made, which would try for long behind an error."""
    from distributed import Security, rpc

    given = Security().get_connection_args("client")
    async with rpc(address, connection_args=given, timeout=CONNECT_S) as asked:
        answer = await asyncio.wait_for(asked.identity(), CONNECT_S)
    return str(answer.get("type"))


def _no_scheduler(address: str, why: str) -> InputError:
    return InputError(
        "dask",
        f"no scheduler answers at {address} ({why})",
        "the address of a Dask scheduler that runs, with certificates that it takes",
        _START,
        fields=("dask",),
    )


def _compare(address: str, client: Client) -> None:
    """InputError where scheduler or workers run something else than this side."""
    ours = own_side()
    with _theirs_lacking(address):
        scheduler = client.run_on_scheduler(own_side)
        workers: dict[str, Mapping[str, str]] = client.run(own_side)
    for who, theirs, computes in (
        ("the scheduler", scheduler, False),
        *((f"worker {name}", side, True) for name, side in sorted(workers.items())),
    ):
        if differs := apart(ours, theirs, computes=computes):
            raise _not_the_same(f"{who} of {address}", differs)


@contextmanager
def _theirs_lacking(address: str) -> Iterator[None]:
    try:
        yield
    except (ImportError, AttributeError) as error:
        raise _not_the_same(address, f"{error} there") from error


def _not_the_same(where: str, differs: str) -> InputError:
    return InputError(
        where,
        differs,
        "the same on both sides, since results would differ in their last bits",
        "install the same versions there, on processors of the same kind",
        fields=("dask",),
    )


@dataclass(frozen=True)
class _Scattered:
    """A shared value, by the hash of what it holds."""

    digest: str


class Cluster:
    """A cluster that is connected, see :func:`dask_cluster`."""

    same_files = False  # a worker may be on another machine

    def __init__(self, client: Client, address: str) -> None:
        self.client, self.address = client, address
        self._values: dict[str, list[Any]] = {}
        self._digests: dict[int, str] = {}
        self._scattered: dict[str, Future[Any]] = {}

    @contextmanager
    def begin(self) -> Iterator[Round]:
        """As :meth:`dataset.pools.pool.Pool.begin`."""
        begun = _OnCluster(self)
        try:
            yield begun
        finally:
            begun.give_up()
            self._keep_only(begun.shared)

    def small(self) -> Cluster:
        """The same: its workers are there."""
        return self

    def share(self, value: Any) -> _Scattered:
        """Kept by its hash until a round ends that does not share it: what the next shares too is there."""
        digest = self._digests.get(id(value))
        if digest is None:
            digest = str(joblib.hash(value, "sha1"))
            self._digests[id(value)] = digest
            self._values.setdefault(digest, []).append(value)  # kept, so that nothing else gets its id
        return _Scattered(digest)

    def _keep_only(self, digests: Collection[str]) -> None:
        for digest in self._values.keys() - set(digests):
            for value in self._values.pop(digest):
                del self._digests[id(value)]
            self._scattered.pop(digest, None)

    def scattered(self, shared: _Scattered) -> Future[Any]:
        """The value on some worker; brought there, and again where it was lost with its worker: nothing can
        work it out anew.
        """
        known = self._scattered.get(shared.digest)
        if known is None or known.status not in ("finished", "pending"):
            known = self._scattered[shared.digest] = self._scatter(shared.digest)
        return known

    def _scatter(self, digest: str) -> Future[Any]:
        """Tried again while the worker that it would go to ends, and while there is none."""
        key, end = f"shared-{digest}-{uuid.uuid4().hex[:8]}", time.monotonic() + ALONE_S
        while True:
            try:
                scattered: dict[str, Future[Any]] = self.client.scatter(
                    {key: self._values[digest][0]}, direct=False
                )
            except (OSError, TimeoutError) as error:
                if self.client.status != "running" or time.monotonic() > end:
                    raise gone(self.address) from error
                time.sleep(_AGAIN_S)
            else:
                return scattered[key]


class _OnCluster:
    """A round on a cluster."""

    def __init__(self, cluster: Cluster) -> None:
        self._cluster = cluster
        self._side = dict(own_side())
        self._running: dict[Future[Any], Task] = {}
        self._tries: dict[Hashable, int] = {}
        self._ended: queue.SimpleQueue[Future[Any]] = queue.SimpleQueue()
        self._added, self.shared = 0, set[str]()

    def share(self, value: Any) -> _Scattered:
        """As :meth:`dataset.pools.pool.Round.share`."""
        shared = self._cluster.share(value)
        self.shared.add(shared.digest)
        return shared

    def add(self, task: Task) -> None:
        """As :meth:`dataset.pools.pool.Round.add`."""
        given = [self._cluster.scattered(one) if isinstance(one, _Scattered) else one for one in task.given]
        self._added += 1
        future = self._cluster.client.submit(
            _run,
            self._side,
            task.work,
            *given,
            key=f"{task.work.__name__.strip('_')}-{uuid.uuid4().hex}",
            pure=False,
            priority=-self._added,
        )
        self._running[future] = task
        future.add_done_callback(self._ended.put)

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        """As :meth:`dataset.pools.pool.Round.__iter__`."""
        alone_since: float | None = None
        while self._running:
            try:
                future = self._ended.get(timeout=_LOOK_S)
            except queue.Empty:
                alone_since = self._look(alone_since)
                continue
            task = self._running.pop(future, None)
            if task is None:
                continue
            alone_since = None
            came, result = self._result(task, future)
            if came:
                yield task.key, result
            else:
                self._again(task)

    def give_up(self) -> None:
        """End what is left."""
        with suppress(OSError, TimeoutError, RuntimeError):
            self._cluster.client.cancel(list(self._running), force=True)
        self._running.clear()

    def _result(self, task: Task, future: Future[Any]) -> tuple[bool, Any]:
        """Whether there is a result, and it; there is none where a worker ended that had it, or had what it
        needs.
        """
        from distributed import KilledWorker
        from distributed.client import FutureCancelledError

        if future.status in ("cancelled", "lost"):
            return False, None
        try:
            return True, future.result(timeout=FETCH_S)
        except (FutureCancelledError, TimeoutError):
            return False, None
        except KilledWorker as error:
            raise WorkersLostError(
                f"the cluster at {self._cluster.address}",
                f"{error.allowed_failures + 1} workers ended while they worked on {task.name}",
                "workers that live until their work is done",
                "give each more memory and look at their logs; nothing was kept, the same call begins again",
            ) from error
        except SidesApartError as error:
            raise _not_the_same(f"a worker of {self._cluster.address}", str(error)) from error
        except ImportError as error:
            raise _not_the_same(f"a worker of {self._cluster.address}", f"{error} there") from error

    def _again(self, task: Task) -> None:
        """What it needs was lost with a worker, or the connection to the scheduler was."""
        tries = self._tries[task.key] = self._tries.get(task.key, 1) + 1
        if self._cluster.client.status != "running" or tries > MOST_TRIES:
            raise gone(self._cluster.address)
        self.add(task)

    def _look(self, alone_since: float | None) -> float | None:
        """Since when there is no worker, None while there are some; WorkersLostError where too long."""
        if self._cluster.client.status == "closed":
            raise gone(self._cluster.address)
        try:
            workers = self._cluster.client.nthreads()
        except (OSError, TimeoutError, RuntimeError) as error:
            raise gone(self._cluster.address) from error
        if workers:
            return None
        if alone_since is not None and time.monotonic() - alone_since > ALONE_S:
            raise WorkersLostError(
                f"the cluster at {self._cluster.address}",
                f"no worker for {ALONE_S:g} s, and {len(self._running)} tasks wait",
                "at least one",
                "start them by 'dask worker'; nothing was kept, the same call begins again",
            )
        return alone_since or time.monotonic()


def gone(address: str) -> WorkersLostError:
    """The sentence for a cluster that is there no more."""
    return WorkersLostError(
        f"the cluster at {address}",
        "its scheduler or what it held went away",
        "one that lives until the work is done",
        "nothing was kept, the same call begins again",
    )


def _run(side: Mapping[str, str], work: Callable[..., Any], *given: Any) -> Any:
    """On a worker, which may have come after the sides were compared."""
    if differs := apart(side, own_side()):
        raise SidesApartError(differs)
    return on_one_thread(work, given)

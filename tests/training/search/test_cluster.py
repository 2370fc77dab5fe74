"""A search on a Dask cluster, which is started by the commands of docs/cluster.md, with TLS; what goes wrong
on one is said in a sentence. In one test, since a cluster takes most of its time to start.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from certificates import write_certificates

from building import CAN, bench_store, one_pad
from calling import refused_line, run_line
from dataset.errors import InputError, ToolError
from dataset.pools import HERE, Pool, Round, Task, as_asked
from dataset.pools import cluster as clusters
from dataset.pools.cluster import Cluster, checked_address, dask_cluster
from dataset.records import Frames, FrozenData, GroupBy, Mark, Role
from dataset.store import Store
from dataset.values import check_name
from training.program import to_json
from training.search.array_recipes import ALL, ArrayRecipe
from training.search.arrays import train_array
from training.search.context import SearchRequest, by_roles, hardware_of

PAGE = Path(__file__).parents[3] / "docs" / "cluster.md"
RECIPE = ArrayRecipe((6,), 16, (4,), ALL, True, "full", steps=3)
START_S = 120.0  # the longest wait for processes of this machine, whatever else it does
WORKERS = 4


@pytest.mark.parametrize(
    ("address", "found"),
    [
        ("tcp://192.0.2.1:8786", "without TLS"),  # an address for documents, RFC 5737
        ("tcp://head.example:8786", "without TLS"),
        ("head.example:8786", "'head.example:8786'"),
        ("tls://head.example:0", "'tls://head.example:0'"),
        ("tls://head.example:99999", "'tls://head.example:99999'"),
        ("tls://user@head.example:8786", "'tls://user@head.example:8786'"),
        ("inproc://1/2", "'inproc://1/2'"),
    ],
)
def test_addresses_that_are_none_or_leave_this_machine_in_the_clear(address: str, found: str) -> None:
    with pytest.raises(InputError, match=re.escape(found)):
        checked_address(address)


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:8786", "tcp://localhost:1", "tcp://[::1]:8786", "tls://head.example:65535"]
)
def test_addresses_that_are_taken(address: str) -> None:
    checked_address(address)


def test_certificates_that_are_not_there_are_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The engine's own words would be that an argument is None, or that there is no such file."""
    pytest.importorskip("distributed")
    dask = pytest.importorskip("dask")
    monkeypatch.chdir(tmp_path)
    with (
        pytest.raises(InputError, match=r"the setting 'distributed\.comm\.tls\.ca-file' names none"),
        dask_cluster("tls://127.0.0.1:1"),
    ):
        pass
    write_certificates(tmp_path)
    (tmp_path / "settings").mkdir()
    (tmp_path / "settings" / "tls.yaml").write_text(fenced("yaml"))
    (tmp_path / "node.key").unlink()
    of_page = dask.config.merge(dask.config.config, dask.config.collect([str(tmp_path / "settings")], env={}))
    with (
        dask.config.set(of_page),
        pytest.raises(InputError, match=r"tls\.client\.key' names 'node\.key', where no file is; expected"),
        dask_cluster("tls://127.0.0.1:1"),
    ):
        pass


@pytest.mark.slow
def test_a_cluster_gives_the_same_bits_and_tells_what_went_wrong(
    make_strip: Callable[..., FrozenData], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")  # its own settings come with it, below those of the page
    dask = pytest.importorskip("dask")
    monkeypatch.chdir(tmp_path)
    write_certificates(tmp_path)
    (tmp_path / "settings").mkdir()
    (tmp_path / "settings" / "tls.yaml").write_text(fenced("yaml"))
    monkeypatch.setenv("DASK_CONFIG", str(tmp_path / "settings"))
    of_page = dask.config.merge(dask.config.config, dask.config.collect([str(tmp_path / "settings")], env={}))
    with dask.config.set(of_page):
        with started() as running:
            with dask_cluster(running.address) as cluster:
                is_the_same_on(cluster, make_strip(units=8, frames=20))
                tells_of_poison(cluster)
            trains_as_the_page_says(running.address)
            tells_of_other_kernels(running)
            tells_of_what_went_away(running, monkeypatch)
        refuses_an_address_where_nobody_is(running.address, monkeypatch)


@dataclass(frozen=True)
class Running:
    """A cluster: its address, and its processes."""

    address: str
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


def is_the_same_on(cluster: Cluster, data: FrozenData) -> None:
    """Program and figures: in this process, on four workers, and there with those killed that hold the
    captures.
    """
    killing = Killing(cluster)
    alone, *others = (found_by(pool, data) for pool in (HERE, cluster, killing))
    assert len(cluster.client.nthreads()) == WORKERS
    assert len(killing.killed) > 0
    assert set(others) == {alone}


def found_by(pool: Pool, data: FrozenData) -> tuple[str, str]:
    context = by_roles(data, hardware_of(data), SearchRequest("m", pool=pool))
    result = train_array(context, recipes=(RECIPE,))
    return to_json(result.program), json.dumps(result.metrics.to_json(), sort_keys=True)


class Killing:
    """The cluster, whose workers that hold what tasks share are killed when two results are there."""

    same_files = False

    def __init__(self, cluster: Cluster) -> None:
        self.cluster, self.killed, self.shared = cluster, list[int](), list[Any]()

    def small(self) -> Killing:
        return self

    @contextmanager
    def begin(self) -> Iterator[Round]:
        with self.cluster.begin() as begun:
            yield KillingRound(self, begun)

    def kill(self) -> None:
        client = self.cluster.client
        pids: dict[str, int] = client.run(os.getpid)
        for holders in client.who_has([self.cluster.scattered(one) for one in self.shared]).values():
            for address in holders:
                if address in pids:
                    self.killed.append(pids.pop(address))
                    os.kill(self.killed[-1], signal.SIGKILL)


class KillingRound:
    def __init__(self, pool: Killing, begun: Round) -> None:
        self.pool, self.begun = pool, begun

    def share(self, value: Any) -> Any:
        self.pool.shared.append(self.begun.share(value))
        return self.pool.shared[-1]

    def add(self, task: Task) -> None:
        self.begun.add(task)

    def __iter__(self) -> Iterator[tuple[Hashable, Any]]:
        for done, result in enumerate(self.begun, 1):
            if done == 2 and not self.pool.killed:
                self.pool.kill()
            yield result


def tells_of_poison(cluster: Cluster) -> None:
    """A task that ends its process each time, as one without memory is; what others came to is there."""
    with pytest.raises(ToolError, match=r"4 workers ended while they worked on exit poison"):
        list(as_asked(cluster, lambda share: [Task("poison", os._exit, (1,))]))
    assert list(as_asked(cluster, lambda share: [Task(k, abs, (-k,)) for k in range(3)])) == [0, 1, 2]
    with pytest.raises(InputError, match="model") as own:  # an error of a task's own comes as it was
        list(as_asked(cluster, lambda share: [Task("own", check_name, ("model", "no name"))]))
    assert own.value.where == "model name"


def trains_as_the_page_says(address: str) -> None:
    """The page's command, beside the same without a cluster on a copy of the store."""
    words = [address if word == "tls://HEAD:8786" else word for word in commands("innage train")]
    with Store.open("innage.db") as store:
        bench = bench_store(store, tank=CAN, sensor=one_pad(), unit=[f"u{k}" for k in range(6)])
        marks = tuple(Mark(10 * k, 10 * k + 10, 10.0 * k) for k in range(10))
        draw = np.random.default_rng(1)
        sessions = []
        for number, unit in enumerate(bench.units):
            counts = 40000 - 1000 * np.repeat(np.arange(10), 10) + draw.integers(-20, 20, 100)
            frames = Frames(np.arange(100) * bench.sensor.period_ms, counts[:, None].astype(np.uint32))
            sessions.append(bench.session(number, marks, unit=unit, frames=frames))
        roles = {f"u{k}": Role.PROVE if k > 3 else Role.FIT for k in range(6)}
        store.freeze("gauge", store.add_sessions(sessions), GroupBy.UNIT, roles)
    shutil.copy("innage.db", "alone.db")
    run_line(shlex.join([*words[1:], "--date", "2026-01-31"]))
    run_line(shlex.join([*words[1:-2], "--date", "2026-01-31", "--store", "alone.db"]))
    shown = [run_line(f"models second --json --store {store}") for store in ("innage.db", "alone.db")]
    assert shown[0] == shown[1]


def tells_of_other_kernels(running: Running) -> None:
    """A worker that came when the sides were compared, whose linear algebra takes the kernels of an older
    processor, and the same one met before work starts.
    """
    with dask_cluster(running.address) as cluster:
        words = [
            *commands("dask worker")[:2],
            running.address,
            "--nthreads",
            "1",
            *commands("dask worker")[-3:],
        ]
        running.workers.append(background(words, OPENBLAS_CORETYPE="Prescott"))
        until(lambda: len(cluster.client.nthreads()) == WORKERS + 1, running)
        with pytest.raises(InputError, match=r"BLAS openblas .* there, openblas .* here"):
            list(as_asked(cluster, lambda share: [Task(k, time.sleep, (0.3,)) for k in range(15)]))
    refused = refused_line(f"sweep second --dask {running.address}")
    assert "BLAS openblas" in refused
    assert "expected the same on both sides" in refused


def tells_of_what_went_away(running: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """All workers, before and while tasks wait, and the scheduler."""
    monkeypatch.setattr(clusters, "WORKERS_S", 0.5)
    monkeypatch.setattr(clusters, "ALONE_S", 0.5)
    monkeypatch.setattr(clusters, "_LOOK_S", 0.2)
    monkeypatch.setattr(clusters, "_compare", lambda address, client: None)
    with dask_cluster(running.address) as cluster:
        stop(running.workers)
        until(lambda: not cluster.client.nthreads(), running)
        with pytest.raises(ToolError, match=r"no worker for 0\.5 s, and 1 tasks wait"):
            list(as_asked(cluster, lambda share: [Task("waits", abs, (1,))]))
        with (
            pytest.raises(InputError, match=r"has no worker, and none came within 0\.5 s"),
            dask_cluster(running.address),
        ):
            pass
        monkeypatch.setattr(clusters, "CONNECT_S", 1.0)
        stop([running.scheduler])
        with pytest.raises(ToolError, match="its scheduler or what it held went away"):
            list(as_asked(cluster, lambda share: [Task("late", abs, (1,))]))


def refuses_an_address_where_nobody_is(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clusters, "CONNECT_S", 1.0)
    before = Path("innage.db").read_bytes()
    refused = refused_line(f"train gauge --name third --dask {address}")
    assert f"no scheduler answers at {address}" in refused
    assert "--dask: " in refused
    assert Path("innage.db").read_bytes() == before


def fenced(language: str) -> str:
    found = re.search(
        rf"^```{language}\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.DOTALL | re.MULTILINE
    )
    assert found is not None
    return found[1]


def commands(first: str) -> list[str]:
    """The words of the page's command that begins so."""
    (line,) = re.findall(rf"^    ({re.escape(first)} .*)$", PAGE.read_text(encoding="utf-8"), re.MULTILINE)
    return shlex.split(line)


@contextmanager
def started() -> Iterator[Running]:
    """Scheduler and workers by the page's commands, on this machine."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = str(free.getsockname()[1])
    there = {"HEAD": "127.0.0.1", "8786": port}

    def begun(command: str) -> subprocess.Popen[bytes]:
        return background([re.sub("HEAD|8786", lambda at: there[at[0]], word) for word in commands(command)])

    scheduler = begun("dask scheduler")
    workers: list[subprocess.Popen[bytes]] = []
    try:
        running = Running(f"tls://127.0.0.1:{port}", scheduler, workers)
        until(lambda: listens(int(port)), running)
        workers.append(begun("dask worker"))
        yield running
    finally:
        stop([*workers, scheduler])


def background(words: Sequence[str], **environment: str) -> subprocess.Popen[bytes]:
    assert words[0] == "dask"
    with Path(f"{words[1]}.log").open("ab") as log:
        return subprocess.Popen(
            [sys.executable, "-m", *words], stdout=log, stderr=log, env=os.environ | environment
        )


def listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
    except OSError:
        return False
    return True


def until(holds: Callable[[], bool], running: Running) -> None:
    end = time.monotonic() + START_S
    while not holds():
        assert running.scheduler.poll() is None
        assert time.monotonic() < end
        time.sleep(0.1)


def stop(running: Sequence[subprocess.Popen[bytes]]) -> None:
    for process in reversed(running):
        process.terminate()
    for process in running:
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

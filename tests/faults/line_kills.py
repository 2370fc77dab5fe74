"""Kills one end of a line at random moments and looks at what is left at both: started by
``test_line_kills.py`` and ``make kills``, not a test itself.

Each round a rig's store gets a few sessions, and something is said of one of them and of one that the team's
store may have already. They are pushed by a process of its own to a door, another process, and one of the two
is sent SIGKILL after a random share of the time that the push takes undisturbed; every fourth round another
store pulls, and that is killed. Afterwards

- what the door acknowledged, as the client read it off the line and as the rig's receipts say, is in the
  team's store with the same document, in its audit chain, and stays there to the end;
- what travels together is there whole or not at all, and what was pulled all of it or nothing;
- the same push again brings what was missing, and no blob is left waiting, but for the blobs of one request
  that a client was killed behind: the door may come to it after the push that followed. They go by their age.

A door that was killed starts again, half of the times while the client still tries. A kill takes nothing from
the system's own buffers: what a power cut would do is not tried here.

    PYTHONPATH=tests/helpers python -P tests/faults/line_kills.py --kills 200 --seed 1 --place PLACE

prints JSON for each team's store: how often each was killed, how often the kill came too late, how many
objects were acknowledged, how many pushes went on from the middle, and what was found wrong. One team's store
is a file; half of the rounds are on ``--place``, an empty store on a database server, where it is given.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import socket
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np
import uvicorn

from building import bench_store, make_frames
from dataset.errors import InnageError
from dataset.exchange.groups import groups_of, is_whole, subject_of
from dataset.exchange.objects import Offered
from dataset.records import Mark, Restatement, Scope
from dataset.store import Store
from dataset.store.places import Place, place_of
from dataset.store.whole.integrity import check_store
from innage.jobs.exchange.peer import Answered, Sent
from innage.jobs.exchange.pull import pull
from innage.jobs.exchange.push import push
from innage.service.app import make_app
from innage.service.client.connection import Connection
from innage.service.messages.wire import MOST_BLOB

NORTH, SOUTH = "a" * 32, "b" * 32
LATEST = 1.05  # of the time that a push takes
PULLS = 4  # every so many rounds one is a pull
ROUNDS_A_RIG = 20  # then a fresh one: what it holds takes longer and longer to look at
ROUNDS_A_CHECK = 5  # of all that the team's store holds
SESSIONS, FRAMES = 3, 400  # of a round
PARTS = 8  # of the time of a push, each tried as often as the others
FASTER = 0.1  # of the pauses between two tries
TOLD, FAILED = 3, 1  # exit codes of a client that was told that it could not, and of one that fails


class Told(Connection):
    """A connection that writes down what was acknowledged as soon as it has read it."""

    def __init__(self, url: str, token: str, acknowledged: int) -> None:
        super().__init__(url, token, sleep=lambda seconds: time.sleep(FASTER * seconds))
        self._acknowledged = acknowledged

    def send(self, groups: Sequence[Sequence[Sent]]) -> tuple[Answered, ...]:
        answers = super().send(groups)
        keys = [f"{one.kind}/{one.object_sha256}\n" for answer in answers for one in answer.receipts]
        os.write(self._acknowledged, "".join(keys).encode())
        return answers


class Door:
    """The team's store behind a port, in a process that can be killed."""

    def __init__(self, place: Place) -> None:
        self.place, self.child = place, 0
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.url = f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it, and wait until it listens."""
        self.child = forked(self._serve)
        while True:
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port)):
                return
            time.sleep(0.005)

    def kill(self) -> None:
        """Kill it, and wait until it is gone; one that is gone already is left at that."""
        if self.child:
            os.kill(self.child, signal.SIGKILL)
            os.waitpid(self.child, 0)
            self.child = 0

    def _serve(self) -> None:
        with (
            Store.open(self.place, users=4) as store,
            socket.create_server(("127.0.0.1", self.port)) as listener,
        ):
            config = uvicorn.Config(make_app(store), log_config=None, access_log=False)
            uvicorn.Server(config).run(sockets=[listener])


class Line:
    """A rig and a team's store, and what was acknowledged between them."""

    def __init__(self, folder: Path, place: Place, seed: int) -> None:
        self.folder, self.place, self.draw = folder, place, np.random.default_rng(seed)
        self.number, self.resumed, self.acknowledged = 0, 0, set[str]()
        self.killed, self.late, self.wrong = Counter[str](), Counter[str](), list[str]()
        self.shares, self.takes_s, self.waiting = dict[str, list[float]](), dict[str, float](), 0
        with Store.open(place) as team:
            _, self.token = team.add_token("rig", [*Scope])
        self.door = Door(place)
        self.door.start()
        self.begin()

    def begin(self) -> None:
        """A fresh rig, and a fresh store that pulls."""
        self.rig, self.other = (self.folder / f"{name}{self.number}.db" for name in ("rig", "other"))
        with Store.open(self.rig, bench=NORTH) as store:
            self.bench = bench_store(store)
        Store.open(self.other, bench=SOUTH).close()

    # -- what the client does --------------------------------------------------------------------------------

    def capture(self) -> list[set[Offered]]:
        """New sessions, what is said of two of them and of an earlier one; what of it travels together."""
        self.number += 1
        with Store.open(self.rig) as store:
            before, earlier = set(store.objects()), store.sessions()
            seeds = [SESSIONS * self.number + k for k in range(SESSIONS)]
            new = store.add_sessions([self.bench.session(k, frames=make_frames(k, FRAMES)) for k in seeds])
            store.void(new[0].id, f"a leak in round {self.number}")
            store.amend_session(new[1].id, Restatement(firmware=f"1.{self.number}"), "A. Bench", "read late")
            if earlier:
                marks = [Mark(0, 5, 16.0 + self.number % 80)]
                store.amend_marks(earlier[-1].id, marks, "A. Bench", f"round {self.number}")
            pending = [one for one in store.objects() if one not in before]
            subjects = {parcel.offered: subject_of(parcel.document) for parcel in store.parcels(pending)}
        groups = groups_of((one, subjects[one]) for one in pending)
        return [set(group) for group in groups if is_whole(one.kind for one in group)]

    def push(self, acknowledged: int) -> None:
        with Store.open(self.rig) as store, Told(self.door.url, self.token, acknowledged) as connection:
            push(store, connection)

    def pull(self, acknowledged: int) -> None:
        with Store.open(self.other) as store, Told(self.door.url, self.token, acknowledged) as connection:
            pull(store, connection, self.folder / "fetched")

    def client(self, work: Callable[[int], None], harm: Callable[[int], None] | None = None) -> int | None:
        """Do ``work`` in a process of its own; its exit code, None where a signal ended it. ``harm`` is given
        the process. What was acknowledged is written down.
        """
        read, write = os.pipe()
        child = forked(lambda: work(write))
        os.close(write)
        if harm is not None:
            harm(child)
        _, status = os.waitpid(child, 0)
        with os.fdopen(read) as lines:
            self.acknowledged |= {line.strip() for line in lines if line.endswith("\n")}
        code = os.waitstatus_to_exitcode(status)
        return None if code < 0 else code

    # -- a round ---------------------------------------------------------------------------------------------

    def kills(self, most: int) -> None:
        """Rounds, until somebody was killed so often."""
        for _ in range(20 * most):
            if sum(self.killed.values()) >= most:
                break
            self.round()

    def round(self) -> None:
        """A push or a pull, at one end of which somebody is killed."""
        if self.number % ROUNDS_A_RIG == ROUNDS_A_RIG - 1:
            self.begin()
        if not self.takes_s:
            for _ in range(2):  # the first takes longer than all later ones
                self.capture()
                self.takes_s = {"push": self.done(self.push), "pull": self.done(self.pull)}
        if self.number % PULLS == 0:
            self.killed_pull()
        else:
            self.killed_push("door" if self.draw.random() < 0.5 else "client")
        if self.number % ROUNDS_A_CHECK == 0:
            self.check(self.place)

    def done(self, work: Callable[[int], None]) -> float:
        """Undisturbed, it comes to its end; how long it takes, in seconds."""
        begun = time.monotonic()
        code = self.client(work)
        if code != 0:
            self.wrong.append(f"round {self.number}: undisturbed it ends with {code}")
        return time.monotonic() - begun

    def killed_push(self, who: str) -> None:
        """One of the two is killed; then it is pushed again."""
        groups, at_once, ended = self.capture(), bool(self.draw.random() < 0.5), False

        def harm(child: int) -> None:
            nonlocal ended
            time.sleep(self.share(who) * self.takes_s["push"])
            ended = has_ended(child)
            if who == "client":
                os.kill(child, signal.SIGKILL)
                return
            self.door.kill()
            if not at_once:
                wait_for(child)
            self.door.start()

        code = self.client(self.push, harm)
        (self.late if ended else self.killed)[who] += 1
        when = f"round {self.number}, {who} killed, client ends with {code}"
        if code == FAILED or (who == "door" and code is None):
            self.wrong.append(f"{when}: it fails by itself")
        there = self.look(when, groups)
        self.resumed += 0 < sum(group <= there for group in groups) < len(groups)
        self.done(self.push)
        self.arrived(f"{when}, pushed again", late=MOST_BLOB if who == "client" else 0)

    def killed_pull(self) -> None:
        """The client is killed; then it pulls again."""
        self.capture()
        self.done(self.push)
        before, ended = self.pulled()[0], False

        def harm(child: int) -> None:
            nonlocal ended
            time.sleep(self.share("pulling client") * self.takes_s["pull"])
            ended = has_ended(child)
            os.kill(child, signal.SIGKILL)

        self.client(self.pull, harm)
        (self.late if ended else self.killed)["pulling client"] += 1
        now, every = self.pulled()
        if now != before and not now >= every:
            self.wrong.append(f"round {self.number}: {len(now - before)} objects after a killed pull")
        self.done(self.pull)
        now, every = self.pulled()
        if not now >= every:
            self.wrong.append(f"round {self.number}: {len(every - now)} objects lack after a pull")

    def pulled(self) -> tuple[set[Offered], set[Offered]]:
        """What the pulling store has, and what the team's has."""
        with Store.open(self.other) as store, Store.open(self.place) as team:
            return set(store.objects()), set(team.objects())

    # -- what is left ----------------------------------------------------------------------------------------

    def look(self, when: str, groups: Sequence[set[Offered]] = ()) -> set[Offered]:
        """Everything acknowledged is in the team's store, each of the groups whole or not at all; what is
        there.
        """
        with Store.open(self.place) as team, Store.open(self.rig) as rig:
            there = set(team.objects())
            for group in groups:
                if group & there and not group <= there:
                    self.wrong.append(f"{when}: {len(group & there)} of {len(group)} objects of a group show")
            new = {one for group in groups for one in group if one.kind == "session"} & there
            for one in new:
                team.frames(one.key, verify=True)  # raises where they do not hash to the session
            receipts = rig.receipts(self.door.url)
            keys = {f"{one.kind}/{one.key}" for one in there}
            stated = {f"{one.kind}/{one.object_sha256}" for one in receipts}
            lost = (self.acknowledged | stated) - keys
            self.wrong += [f"{when}: {one} was acknowledged and is not there" for one in sorted(lost)]
            self.wrong += [f"{when}: {fault}" for fault in team.audit_faults(receipts)]
            digests = {tuple(p.offered): p.document.sha256 for p in team.parcels(new)}
            self.wrong += [
                f"{when}: {one.kind} {one.object_sha256} is another document than was acknowledged"
                for one in receipts
                if digests.get((one.kind, one.object_sha256), one.digest) != one.digest
            ]
        return there

    def arrived(self, when: str, late: int) -> None:
        """Everything of the rig's is in the team's store and acknowledged, and no more blobs wait than did,
        but for ``late`` bytes.
        """
        there = self.look(when)
        with Store.open(self.place) as team, Store.open(self.rig) as rig:
            mine = set(rig.objects())
            receipts = {Offered(one.kind, one.object_sha256) for one in rig.receipts(self.door.url)}
            before, self.waiting = self.waiting, team.staged_bytes()
        waiting = self.waiting - before
        if not mine <= there or receipts != mine or waiting > late:
            missing, silent = len(mine - there), len(mine - receipts)
            self.wrong.append(
                f"{when}: {missing} not there, {silent} not acknowledged, {waiting} more bytes wait"
            )

    def check(self, place: Place) -> None:
        """A store is sound."""
        faults = check_store(place).faults
        self.wrong += [f"round {self.number}: {fault.what}: {fault.sentence}" for fault in faults]

    def end(self) -> dict[str, object]:
        """Look at everything for the last time; what was found."""
        self.look("in the end")
        with Store.open(self.place) as team:
            team.drop_staged_before(0.0)
            if left := team.staged_bytes():
                self.wrong.append(f"{left} bytes wait however old")
        for place in (self.place, self.rig, self.other):
            self.check(place)
        return {
            "killed": dict(self.killed),
            "too late": dict(self.late),
            "acknowledged": len(self.acknowledged),
            "resumed": self.resumed,
            "left_waiting_bytes": self.waiting,
            "wrong": self.wrong,
        }

    def share(self, name: str) -> float:
        """The part of the time of a push after which it is killed next."""
        if not self.shares.get(name):
            parts = self.draw.permutation(PARTS)
            self.shares[name] = list(LATEST * (parts + self.draw.random(PARTS)) / PARTS)
        return self.shares[name].pop()


def forked(work: Callable[[], None]) -> int:
    """Do it in a process of its own; its id."""
    child = os.fork()
    if child:
        return child
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    code = FAILED
    try:
        work()
        code = 0
    except InnageError:
        code = TOLD
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


def has_ended(child: int) -> bool:
    """Whether it has; its exit code is still to be asked for."""
    return os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def wait_for(child: int) -> None:
    """Until it has ended."""
    os.waitid(os.P_PID, child, os.WEXITED | os.WNOWAIT)


def main() -> None:
    """Kill, look, say."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, required=True)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--place")
    chosen = parser.parse_args()
    outcomes = {}
    with tempfile.TemporaryDirectory(prefix="line-") as name:
        places = {"file": str(Path(name) / "team.db")} | ({"server": chosen.place} if chosen.place else {})
        for of, place in places.items():
            folder = Path(name) / of
            folder.mkdir()
            line = Line(folder, place_of(place), chosen.seed)
            try:
                line.kills(-(-chosen.kills // len(places)))
                outcomes[of] = line.end()
            finally:
                line.door.kill()
    print(json.dumps(outcomes, indent=2))


if __name__ == "__main__":
    main()

"""How costs grow: the time for a unit of work at 1, 10 and 100 times the work, over that at once the work.

    python bench/growth.py                              # 3, 30 and 300 sessions of 1,000 frames;
                                                        # 1,000 to 100,000 frames of a replay
    python bench/growth.py --sessions 20 --frames 10000 # up to 2,000 sessions of 10,000 frames

A cost in step with the work stays at 1, fixed costs make it fall, and what grows faster than the work rises
above 1. Sessions are logged one at a time into a store in which each unit has the ten earlier ones that a
session is checked against. Commands run inside this process, without the start of the interpreter. Everything
logged is invented, for size alone.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from itertools import count
from pathlib import Path
from statistics import median

from invented import HISTORY, command, register, session
from measuring import Ratio, Row, Way, in_turns, ratio
from net_program import net_program
from replaying import TRIM, stream

from dataset.records import GroupBy, NewSession, Role
from dataset.store import Store
from export.compilers.replaying import replay_on_host
from innage.terminal.output import table

TIMES = (1, 10, 100)
SESSIONS, FRAMES, REPLAYED, ROUNDS = 3, 1000, 1000, 3  # at once the work
QUICK = {"sessions": 1, "frames": 40, "replayed": 5, "rounds": 1}


@dataclass(frozen=True)
class Curve:
    """Time for a unit of work over that at once the work, at each of TIMES; ``work`` are how many units these
    are, ``seconds`` their medians.
    """

    what: str
    unit: str
    work: tuple[int, ...]
    ratios: tuple[Ratio, ...]
    seconds: tuple[float, ...]


def curves(
    folder: Path,
    sessions: int = SESSIONS,
    frames: int = FRAMES,
    replayed: int = REPLAYED,
    rounds: int = ROUNDS,
) -> list[Curve]:
    """Logging, lists, freezing, a frozen set to arrays, and frames of a replay."""
    with ExitStack() as stack:
        stores = {
            t: stack.enter_context(_filled(folder / f"times{t}.db", sessions * t, frames)) for t in TIMES
        }
        work = {t: sessions * t for t in TIMES}
        store_curves = [
            _curve("logging", "session", work, _logging(folder, sessions, frames), rounds),
            *(
                _curve(what, "session", work, {t: _asked(store, what) for t, store in stores.items()}, rounds)
                for what in ("sessions", "gaps", "plan")
            ),
            _curve(
                "show",
                "call",
                dict.fromkeys(TIMES, 1),
                {t: _asked(s, "show", s.sessions()[-1].id) for t, s in stores.items()},
                rounds,
            ),
            _curve("freezing", "session", work, {t: _freezing(store) for t, store in stores.items()}, rounds),
            _curve(
                "frozen set to arrays",
                "frame",
                {t: n * frames for t, n in work.items()},
                {t: _arrays(s) for t, s in stores.items()},
                rounds,
            ),
        ]
    program = net_program()
    replays = {
        t: Way(lambda recorded: replay_on_host(program, recorded, TRIM), partial(stream, replayed * t))
        for t in TIMES
    }
    return [*store_curves, _curve("replay", "frame", {t: replayed * t for t in TIMES}, replays, rounds)]


def growth_rows(growth: list[Curve]) -> list[Row]:
    """A row a curve: a unit of work at the most work over one at the least."""
    return [
        Row(
            f"growth-{curve.what.replace(' ', '-')}",
            f"{curve.what}, {_amount(curve, -1)}",
            f"the same, {_amount(curve, 0)}",
            f"time a {curve.unit}",
            curve.ratios[-1],
            ours_s=curve.seconds[-1],
            baseline_s=curve.seconds[0],
        )
        for curve in growth
    ]


def _amount(curve: Curve, at: int) -> str:
    if curve.work[0] == curve.work[-1]:
        return f"store of {TIMES[at]}x"
    return f"{curve.work[at]} {curve.unit}{'s' * (curve.work[at] > 1)}"


def _curve(what: str, unit: str, work: dict[int, int], ways: dict[int, Way], rounds: int) -> Curve:
    runs = in_turns({str(t): way for t, way in ways.items()}, rounds)
    each = {t: [s / work[t] for s in runs[str(t)].seconds] for t in TIMES}
    return Curve(
        what,
        unit,
        tuple(work[t] for t in TIMES),
        tuple(ratio(each[t], each[TIMES[0]]) for t in TIMES),
        tuple(median(runs[str(t)].seconds) for t in TIMES),
    )


def _filled(path: Path, sessions: int, frames: int) -> Store:
    """A store with so many sessions, frozen by unit as ``all``."""
    store = Store.open(path)
    on = register(store)
    store.add_sessions([session(k, frames, on) for k in range(sessions)])
    _freeze(store, "all")
    return store


def _freeze(store: Store, name: str) -> None:
    units = {stored.unit.name for stored in store.sessions()}
    invented = "readings are invented"  # and the checks at the door say so of some of thousands
    roles = dict.fromkeys(sorted(units), Role.FIT)
    store.freeze(name, store.sessions(), GroupBy.UNIT, roles, even_if_warned=invented)


def _logging(folder: Path, sessions: int, frames: int) -> dict[int, Way]:
    """Sessions one at a time into copies of a store with a history."""
    old, copies = folder / "history.db", count()
    with Store.open(old) as store:
        on = register(store)
        store.add_sessions([session(k, frames, on) for k in range(HISTORY)])
    new = [session(HISTORY + k, frames, on) for k in range(sessions * TIMES[-1])]

    def copied() -> Store:
        return Store.open(shutil.copy(old, folder / f"logging{next(copies)}.db"))

    return {t: Way(partial(_log, new[: sessions * t]), copied) for t in TIMES}


def _log(new: list[NewSession], store: Store) -> None:
    with store:
        for new_session in new:
            store.add_sessions([new_session])


def _asked(store: Store, *words: str) -> Way:
    return Way(lambda _: command(store.path, *words))


def _freezing(store: Store) -> Way:
    """Each time under a new name: frozen sets stay."""
    number = count()
    return Way(lambda _: _freeze(store, f"set-{next(number)}"))


def _arrays(store: Store) -> Way:
    return Way(lambda _: store.frozen_data(store.frozen_set("all")))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--sessions", type=int, default=SESSIONS, help=f"at once the work (default {SESSIONS})"
    )
    parser.add_argument("--frames", type=int, default=FRAMES, help=f"of a session (default {FRAMES})")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="innage-bench-") as folder:
        growth = curves(Path(folder), given.sessions, given.frames)
    rows = [(curve.what, curve.unit, *(r.middle for r in curve.ratios)) for curve in growth]
    table(
        "time for a unit of work, over that at once the work",
        ("what", "unit", *(f"{t}x" for t in TIMES)),
        rows,
    )


if __name__ == "__main__":
    main()

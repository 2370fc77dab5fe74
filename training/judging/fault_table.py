"""How often a model notices a fault of its sensor chain, how often the fault does no harm, and how often the
model is silently wrong: counted on captured sessions, one fault at a time.

A fault in service begins a quarter, half or three quarters of the way through a session's labels, in turn;
one of assembly is there from power-on. Frames before it do not count. Every session runs from power-on, at
most ``LEAD`` frames before the fault, and is followed for ``FOLLOWED`` frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from dataset.records import CountLaw, FrozenData, Role, TrimKind
from training.judging.chain_faults import FAULTS, MOST_OTHERS, Around, Chain, Fault
from training.judging.class_figures import upper_bound
from training.judging.figures import FaultFigures, FaultTable
from training.judging.scoring import tidy
from training.judging.streams import Feed, fresh, run_feed, since_pours, tenths
from training.models.trimming import trim_counts
from training.program import FAULT, LEVEL_UNITS_PER_MM, WITHHELD, Program, prepared_values
from training.program import accepted as trims_accepted
from training.program.model import GIVEN, REASON_NAMES
from training.rows import Floats, Ints, Mask

BOUND_PCT = 5.0  # of the span
MOST_SESSIONS = 120
FOLLOWED = 1000  # frames
LEAD = 256  # frames, for what the program remembers to settle
QUARTERS = (1, 2, 3)
_BATCH = 500_000  # frames that run side by side, at the most
_WITHOUT = "without"  # a session from where a fault would begin, without it
_EDGE = 0.01  # of the frames: what lies beyond is no measure of a swing

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class _Captures:
    """The sessions that faults are put on, and what is true of them; ``trims`` of every session of the
    data.
    """

    program: Program
    data: FrozenData
    chosen: Mask
    span_mm: float
    sessions: Ints
    trims: Ints
    around: dict[int, Around]


@dataclass(frozen=True)
class _Episode:
    """One session with a fault (None: without any) at one place. ``onset``: the frame it begins at; ``rows``:
    the labelled rows from there on that it is judged by, ``frames`` the session's that run for it.
    """

    kind: str
    fault: Fault | None
    session: int
    place: int
    onset: int
    frames: slice
    rows: Ints


@dataclass(frozen=True)
class _Said:
    """What a program says at an episode's rows; ``altered``: whether what goes in differs from what was
    captured; ``refused``: whether the trim is, at power-on.
    """

    level_mm: Floats
    validity: Ints
    flags: Ints
    reason: Ints
    altered: Mask
    refused: bool


def unfitted(data: FrozenData) -> tuple[Role, ...]:
    """Whose groups tell how a model takes faults without opening 'prove': those that it was not fitted on;
    where there are none, those that it was.
    """
    held = {role for _, role in data.frozen.roles}
    return tuple(r for r in (Role.CHOOSE, Role.CALIBRATE) if r in held) or (Role.FIT,)


def fault_table(
    program: Program,
    data: FrozenData,
    roles: Sequence[Role],
    foreign: Ints | None = None,
    seed: int = 0,
    progress: Progress | None = None,
) -> FaultTable:
    """Every fault on the sessions of ``roles``, at most ``MOST_SESSIONS`` of them, of all units alike.

    ``foreign``: trims of units on other tanks, int64 (n, trim size). Raises InputError where a unit lacks a
    trim that the program takes.
    """
    captures = _captures(program, data, roles, foreign, seed)
    episodes = list(_episodes(captures))
    said = _said(captures, episodes, progress or (lambda what, done, total: None))
    by_kind: dict[str, list[int]] = {}
    for k, episode in enumerate(episodes):
        by_kind.setdefault(episode.kind, []).append(k)
    without = {(episodes[k].session, episodes[k].onset): said[k] for k in by_kind.pop(_WITHOUT)}
    rows = [
        _row(captures, [episodes[k] for k in mine], [said[k] for k in mine], without)
        for mine in by_kind.values()
    ]
    units = {data.frozen.sessions[int(k)].unit.name for k in captures.sessions}
    return FaultTable(
        tuple(rows),
        {kind: _why_not(kind, program) for kind in FAULTS if kind not in by_kind},
        tuple(str(role) for role in roles),
        len(units),
        len(captures.sessions),
        BOUND_PCT,
        seed,
    )


def _why_not(kind: str, program: Program) -> str:
    if kind.startswith("temperature"):
        return "the model reads no temperature"
    if "trim" in kind and program.trim is None:
        return "the model takes no trim"
    if kind == "another tank's trim":
        return "no such trim of a sensor with as many channels and the same count width is there"
    return "no other unit's trim is there" if "trim" in kind and "too" not in kind else "too few channels"


def _captures(
    program: Program, data: FrozenData, roles: Sequence[Role], foreign: Ints | None, seed: int
) -> _Captures:
    chosen = np.any([data.rows(role) for role in roles], axis=0)
    sessions = _drawn(data, chosen, seed)
    trims = trim_counts(data, tuple(TrimKind(k) for k in program.trim_kinds) if program.trim else ())
    span = max(data.frozen.sessions[int(k)].mounting.tank.span_mm for k in sessions)
    of_tanks = np.zeros((0, trims.shape[1]), np.int64) if foreign is None else foreign[:MOST_OTHERS]
    low, high = np.quantile(data.counts[chosen], [_EDGE, 1 - _EDGE], axis=0)
    reads_temperature = any("temperature" in node.inputs for node in program.step)
    around = {}
    for k in sessions.tolist():
        sensor = data.frozen.sessions[k].mounting.sensor
        rises = sensor.count_law is CountLaw.RISES
        ends = (low, high) if rises else (high, low)
        dry, full = (
            end if (trim := data.trim(k, kind)) is None else np.asarray(trim.counts, np.float64)
            for kind, end in zip((TrimKind.DRY, TrimKind.FULL), ends, strict=True)
        )
        around[k] = Around(
            dry=dry,
            full=full,
            most=program.count_max,
            law=sensor.count_law,
            others=_others(data, sessions, trims, k) if program.trim else trims[:0],
            foreign=of_tanks,
            temperature=reads_temperature and data.frames[k].temperature_c is not None,
            seed=seed * 100_000 + k,
        )
    return _Captures(program, data, chosen, span, sessions, trims, around)


def _drawn(data: FrozenData, chosen: Mask, seed: int) -> Ints:
    """Sessions of the chosen rows; of too many, as many of each unit as of the others."""
    sessions = np.unique(data.session[chosen])
    if len(sessions) <= MOST_SESSIONS:
        return sessions
    shuffled = np.random.default_rng(seed).permutation(sessions)
    turn: dict[str, int] = {}
    order: list[tuple[int, int, int]] = []
    for k in shuffled.tolist():
        unit = data.frozen.sessions[k].unit.name
        turn[unit] = turn.get(unit, -1) + 1
        order.append((turn[unit], len(order), k))
    return np.sort(np.asarray([k for _, _, k in sorted(order)[:MOST_SESSIONS]], np.int64))


def _others(data: FrozenData, sessions: Ints, trims: Ints, session: int) -> Ints:
    """Trims of the units that come next by name, on the same mounting."""
    mine = data.frozen.sessions[session]
    by_unit = {
        other.unit.name: trims[k]
        for k in sessions.tolist()
        if (other := data.frozen.sessions[k]).mounting.name == mine.mounting.name
    }
    names = sorted(by_unit)
    at = names.index(mine.unit.name)
    nearest = [*names[at + 1 :], *names[:at]][:MOST_OTHERS]
    return np.asarray([by_unit[name] for name in nearest], np.int64).reshape(len(nearest), trims.shape[1])


def _episodes(captures: _Captures) -> Iterator[_Episode]:
    """Each session without a fault, then with each at each place, from where it begins; and without a fault
    from wherever one begins.
    """
    kinds: dict[str, Fault | None] = {"none": None, **FAULTS}
    begins: dict[tuple[int, int], _Episode] = {}
    for kind, fault in kinds.items():
        for number, session in enumerate(captures.sessions.tolist()):
            places = 1 if fault is None else fault.places(captures.around[session])
            for place in range(places):
                quarter = QUARTERS[(number + place) % len(QUARTERS)] if fault and fault.in_service else 0
                episode = _episode(captures, kind, fault, session, place, quarter)
                begins.setdefault((session, episode.onset), episode)
                yield episode
    for episode in begins.values():
        yield replace(episode, kind=_WITHOUT, fault=None)


def _episode(
    captures: _Captures, kind: str, fault: Fault | None, session: int, place: int, quarter: int
) -> _Episode:
    """An episode whose fault begins ``quarter`` quarters through the session's labels; 0: at power-on."""
    labelled = np.flatnonzero(captures.chosen & (captures.data.session == session))
    frame = captures.data.frame[labelled]
    onset = int(frame[len(frame) * quarter // 4]) if quarter else 0
    first = max(onset - LEAD, 0) if quarter else max(int(frame[0]) - LEAD, 0)
    onset = max(onset, first)
    rows = labelled[(frame >= onset) & (frame < max(onset, int(frame[0])) + FOLLOWED)]
    last = int(captures.data.frame[rows[-1]])
    return _Episode(kind, fault, session, place, onset, slice(first, last + 1), rows)


def _said(captures: _Captures, episodes: Sequence[_Episode], say: Progress) -> list[_Said]:
    """The readings of all episodes, many side by side."""
    said: list[_Said] = []
    longest = max(episode.frames.stop - episode.frames.start for episode in episodes)
    side_by_side = max(1, _BATCH // longest)
    for first in range(0, len(episodes), side_by_side):
        mine = episodes[first : first + side_by_side]
        say(mine[0].kind, first, len(episodes))
        said += _run(captures, mine)
    say("done", len(episodes), len(episodes))
    return said


def _run(captures: _Captures, episodes: Sequence[_Episode]) -> list[_Said]:
    """The readings of some episodes, side by side."""
    program = captures.program
    plain = [_chain(captures, episode) for episode in episodes]
    chains = [_broken(captures, *pair) for pair in zip(plain, episodes, strict=True)]
    trims, own = (np.asarray([c.trim for c in of], np.int64).reshape(len(of), -1) for of in (chains, plain))
    refused = ~_accepted(program, trims)
    length = np.asarray([len(chain.counts) for chain in chains], np.int64)
    feed = Feed(
        np.concatenate([chain.counts for chain in chains]),
        np.concatenate([chain.tenths for chain in chains]),
        np.concatenate([_fresh(captures, episode) for episode in episodes]),
        np.concatenate([[0], np.cumsum(length)[:-1]]),
        length,
        _since_pours(captures, episodes),
    )
    ready = prepared_values(program, np.where(refused[:, None], own, trims))
    values = run_feed(program, feed, ready, tuple(dict.fromkeys(program.outputs.values())))
    said = []
    for k, episode in enumerate(episodes):
        at = captures.data.frame[episode.rows] - episode.frames.start
        out = {what: values[node][at, k, 0] for what, node in program.outputs.items()}
        if refused[k]:
            out |= {"validity": np.full(len(at), WITHHELD), "reason": np.full(len(at), FAULT)}
        said.append(
            _Said(
                np.where(out["validity"] == WITHHELD, np.nan, out["level"] / LEVEL_UNITS_PER_MM),
                out["validity"],
                out["flags"],
                out["reason"],
                _altered(chains[k], plain[k])[at],
                bool(refused[k]),
            )
        )
    return said


def _since_pours(captures: _Captures, episodes: Sequence[_Episode]) -> Ints:
    """The seconds since the last pour in the frames of each episode, one behind the other."""
    sessions = np.asarray([episode.session for episode in episodes], np.int64)
    used, where = np.unique(sessions, return_inverse=True)
    pours = since_pours(captures.program, captures.data, used)
    return np.concatenate([pours[k][episode.frames] for k, episode in zip(where, episodes, strict=True)])


def _chain(captures: _Captures, episode: _Episode) -> Chain:
    """What the session's unit hands over in the episode's frames, without a fault."""
    frames = captures.data.frames[episode.session]
    counts = np.asarray(frames.counts[episode.frames], np.int64)
    none = np.full(len(counts), np.nan)
    degrees = none if frames.temperature_c is None else frames.temperature_c[episode.frames]
    return Chain(counts, tenths(degrees), captures.trims[episode.session])


def _broken(captures: _Captures, chain: Chain, episode: _Episode) -> Chain:
    if episode.fault is None:
        return chain
    onset = episode.onset - episode.frames.start
    return episode.fault.alter(chain, episode.place, onset, captures.around[episode.session])


def _altered(chain: Chain, was: Chain) -> Mask:
    """Frames in which what goes into the program differs; all of them where the trim does."""
    frames = (chain.counts != was.counts).any(axis=1) | (chain.tenths != was.tenths)
    return np.asarray(frames | bool((chain.trim != was.trim).any()), np.bool_)


def _fresh(captures: _Captures, episode: _Episode) -> Mask:
    return fresh(captures.data.frames[episode.session].t_ms, captures.program)[episode.frames]


def _accepted(program: Program, trims: Ints) -> Mask:
    """Which trims prepare takes, (n,)."""
    if program.trim is None:
        return np.ones(len(trims), np.bool_)
    inside = (trims >= np.asarray(program.trim.low)) & (trims <= np.asarray(program.trim.high))
    return np.asarray(inside.all(axis=1) & trims_accepted(program, trims), np.bool_)


def _row(
    captures: _Captures,
    episodes: Sequence[_Episode],
    said: Sequence[_Said],
    without: Mapping[tuple[int, int], _Said],
) -> FaultFigures:
    """What one fault does, all places of all sessions together, beside the same frames without it."""
    data, kind = captures.data, episodes[0].kind
    rows = np.concatenate([episode.rows for episode in episodes])
    of = np.repeat(np.arange(len(episodes)), [len(episode.rows) for episode in episodes])
    now, then = _joined(said), _joined([without[e.session, e.onset] for e in episodes])
    bound_mm = BOUND_PCT / 100 * captures.span_mm
    withheld, error = _judged(now, data.level_mm[rows])
    withheld_anyway, error_anyway = _judged(then, data.level_mm[rows])
    off = np.abs(error) > bound_mm
    flagged = off & ((now.flags & ~then.flags) != 0)
    silent = off & ~flagged

    def holding(mask: Mask) -> Mask:
        """Which episodes have such a frame."""
        return np.asarray(np.bincount(of[mask], minlength=len(episodes)) > 0, np.bool_)

    noticed = holding((withheld & ~withheld_anyway) | flagged)
    wrong = holding(silent & ~(np.abs(error_anyway) > bound_mm))
    places = FAULTS[kind].places if kind in FAULTS else (lambda around: 0)
    return FaultFigures(
        kind=kind,
        places=max(places(around) for around in captures.around.values()),
        episodes=len(episodes),
        units=len({data.frozen.sessions[episode.session].unit.name for episode in episodes}),
        frames=len(rows),
        altered=int(now.altered.sum()),
        withheld={name: int((withheld & (now.reason == code)).sum()) for code, name in _REASONS.items()},
        harmless=int((~withheld & ~off).sum()),
        flagged=int(flagged.sum()),
        silent=int(silent.sum()),
        too_high=int((silent & (error > 0)).sum()),
        noticed=int(noticed.sum()),
        wrong=int(wrong.sum()),
        unnoticed=int((wrong & ~noticed).sum()),
        refused=sum(one.refused for one in said),
        upper_bound_95=upper_bound(int(wrong.sum()), len(episodes), 0.95),
        longest_silent_s=tidy(_longest_ms(data, rows, of, silent) / 1000),
        most_pct=tidy(100 * np.abs(error[silent]).max() / captures.span_mm) if silent.any() else None,
    )


_REASONS = {code: name for code, name in REASON_NAMES.items() if code != GIVEN}


def _joined(said: Sequence[_Said]) -> _Said:
    """The rows of episodes one behind the other."""
    return _Said(
        level_mm=np.concatenate([one.level_mm for one in said]),
        validity=np.concatenate([one.validity for one in said]),
        flags=np.concatenate([one.flags for one in said]),
        reason=np.concatenate([one.reason for one in said]),
        altered=np.concatenate([one.altered for one in said]),
        refused=any(one.refused for one in said),
    )


def _judged(said: _Said, label_mm: Floats) -> tuple[Mask, Floats]:
    """Rows that are withheld, and how far the others are off, mm; 0 where withheld."""
    withheld = np.asarray(said.validity == WITHHELD, np.bool_)
    return withheld, np.where(withheld, 0.0, said.level_mm - label_mm)


def _longest_ms(data: FrozenData, rows: Ints, of: Ints, silent: Mask) -> int:
    """The longest run of silent rows in one episode, from its first frame to its last."""
    if not silent.any():
        return 0
    apart = np.ones(len(rows), np.bool_)
    apart[1:] = (of[1:] != of[:-1]) | (data.frame[rows[1:]] != data.frame[rows[:-1]] + 1) | ~silent[:-1]
    begins = np.flatnonzero(silent & apart)
    ends = np.flatnonzero(silent & np.append((apart | ~silent)[1:], True))
    return int((data.t_ms[rows[ends]] - data.t_ms[rows[begins]]).max())

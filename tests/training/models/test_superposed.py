"""Superposed frames against what two tanks in closed form show: the field in a slit (Dirichlet problem of a
strip, see ``bench/captures/field.py``), couplings by Kirchhoff's rule, foam and film by superposition.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from captures.field import floating, slit_share
from dataset.errors import InputError
from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    FrozenData,
    FrozenSet,
    GroupBy,
    Liquid,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Surface,
    Tank,
    Trim,
    TrimKind,
    Unit,
    Wall,
)
from training.models.superposed import superposition
from training.rows import Floats, Ints

STILL, FOAM, FILM = (
    Conditions(surface=(Surface.STILL,), wall=(Wall.CLEAN,)),
    Conditions(surface=(Surface.FOAM,), wall=(Wall.CLEAN,)),
    Conditions(surface=(Surface.STILL,), wall=(Wall.FILM,)),
)
SPAN, PADS, FRAMES = 120.0, 5, 150
THICK, FOAM_SHARE, FILM_SHARE = 18.0, 0.4, 0.15
OLD_DEPTH, NEW_DEPTH = 5.0, 12.0


@dataclass(frozen=True)
class Shown:
    """One session to make: counts as if ``depth`` from the liquid, what is on it, and the liquid to earth."""

    depth: float
    condition: int = 0
    to_earth: float = np.inf
    gain: float = 1.0
    empty: bool = False


def shares_of(shown: Shown) -> Floats:
    """What the pads show, noise apart, (FRAMES, PADS)."""
    bottoms = 4.0 + 24.0 * np.arange(PADS, dtype=np.float64)

    def conductor(level: Floats) -> Floats:
        clean = shown.gain * slit_share(level, bottoms, bottoms + 20.0, shown.depth)
        return floating(clean, np.full(len(level), shown.to_earth))

    level: Floats = np.linspace(1.0, SPAN, FRAMES)
    clean = conductor(level)
    if shown.empty:
        return 0 * clean
    if shown.condition == 1:
        return np.asarray(clean + FOAM_SHARE * (conductor(level + THICK) - clean))
    if shown.condition == 2:
        return np.asarray(clean + FILM_SHARE * (conductor(np.full(FRAMES, 2 * SPAN)) - clean))
    return clean


def data_of(kinds: list[Shown], new: int, law: CountLaw) -> FrozenData:
    """The sessions one after the other, each of a unit of its own, the first ``new`` of the new tank."""
    pads = tuple(Pad(k, f"p{k}", 4.0 + 24.0 * k, 20.0) for k in range(PADS))
    mounting = Mounting("m", Tank("t", 1, SPAN), Sensor("s", 1, pads, 16, law, 100))
    draw = np.random.default_rng(3)
    sessions, trims, frames, levels = [], [], [], []
    for k, kind in enumerate(kinds):
        dry, swing = draw.uniform(0.9, 1.1, PADS), draw.uniform(0.5, 0.7, PADS)

        def counts(share: Floats, dry: Floats = dry, swing: Floats = swing) -> Ints:
            value = dry + swing * share
            given = 20000 * value if law is CountLaw.RISES else 50000 / value
            return np.asarray(np.rint(given), np.int64)

        unit = Unit(f"u{k}")
        for trim, share in ((TrimKind.DRY, 0.0), (TrimKind.FULL, 1.0)):
            taken = tuple(int(v) for v in counts(np.full(PADS, share)))
            trims.append(Trim(unit, mounting, trim, taken, "2026-01-01", "line", sha256=f"{k}{trim}" * 8))
        frames.append(Frames(np.arange(FRAMES) * 100, counts(shares_of(kind)).astype(np.uint32)))
        levels.append(np.zeros(FRAMES) if kind.empty else np.linspace(1.0, SPAN, FRAMES))
        source = Source("made up", "0" * 64)
        digest = f"{k:012d}" + "0" * 52
        sessions.append(
            Session(digest[:12], digest, unit, Liquid("water"), mounting, FRAMES, (), source, simulated=True)
        )
    n = len(kinds)
    roles = tuple((f"u{k}", Role.FIT) for k in range(n))
    session = np.repeat(np.arange(n), FRAMES)
    nothing = np.full(len(session), np.nan)
    return FrozenData(
        FrozenSet("both", "ab" * 32, GroupBy.UNIT, roles, tuple(sessions), trims=tuple(trims)),
        np.concatenate([f.counts.astype(np.int64) for f in frames]),
        np.tile(np.arange(FRAMES) * 100, n),
        np.concatenate(levels),
        nothing,
        nothing,
        session,
        session,
        np.tile(np.arange(FRAMES), n),
        np.repeat([kind.condition for kind in kinds], FRAMES),
        (STILL, FOAM, FILM),
        tuple(frames),
    )


EARLIER = [
    Shown(OLD_DEPTH),
    Shown(OLD_DEPTH, gain=0.95),
    Shown(OLD_DEPTH, to_earth=3.0),
    Shown(OLD_DEPTH, condition=1),
    Shown(OLD_DEPTH, condition=2),
    Shown(OLD_DEPTH, empty=True),
]
NEW = [Shown(NEW_DEPTH), Shown(NEW_DEPTH, to_earth=2.0)]


@pytest.mark.parametrize("law", CountLaw)
def test_earlier_frames_come_out_as_the_new_tank_shows_them(law: CountLaw) -> None:
    """A wall more than twice as thick: frames of clean liquid, foam and film, floating and earthed, against
    the same computed for that wall. What superposing leaves is a small part of what the wall changes; of foam
    and film more, since no clean frame shows what lies above the span.
    """
    both = data_of([*NEW, *EARLIER], len(NEW), law)
    truth = data_of([*NEW, *(replace(kind, depth=NEW_DEPTH) for kind in EARLIER)], len(NEW), law)
    rows = len(NEW) * FRAMES
    given = superposition(both, rows).on(np.ones(rows, np.bool_))
    np.testing.assert_array_equal(given.counts[:rows], both.counts[:rows])
    for number, kind in enumerate(EARLIER):
        mine = given.session == len(NEW) + number
        np.testing.assert_array_equal(given.frames[len(NEW) + number].counts, given.counts[mine])
        left = np.sqrt(np.mean((given.counts[mine] - truth.counts[mine]) ** 2.0))
        changed = np.sqrt(np.mean((both.counts[mine] - truth.counts[mine]) ** 2.0))
        if kind.empty:
            assert (left, changed) == (0, 0)
        else:
            assert left < (0.35 if kind.condition else 0.15) * changed, kind
    for name in ("level_mm", "t_ms", "condition", "session", "group", "frame"):
        np.testing.assert_array_equal(getattr(given, name), getattr(both, name))
    assert given.frozen.name == "both, superposed"
    assert given.frozen.sha256 != both.frozen.sha256


def test_foam_and_film_are_told_from_the_frames_themselves() -> None:
    """Thickness and share of the foam and the share of the film that the sessions were made with."""
    both = data_of([*NEW, *EARLIER], len(NEW), CountLaw.RISES)
    courses = superposition(both, len(NEW) * FRAMES).courses
    foam, film = courses[len(NEW) + 3], courses[len(NEW) + 4]
    inside = slice(20, 110)  # foam that reaches over the top pad tells no thickness
    assert np.median(foam.thickness_mm[inside]) == pytest.approx(THICK, rel=0.15)
    assert np.median(foam.foam[inside]) == pytest.approx(FOAM_SHARE, rel=0.15)
    assert film.foam.max() == 0
    told = film.film[film.film > 0]
    assert np.median(told) == pytest.approx(FILM_SHARE, rel=0.1)
    floats = courses[len(NEW) + 2].coupling
    assert floats.to_earth == pytest.approx(3.0, rel=0.5)  # to the grid that is tried
    assert courses[len(NEW) + 1].coupling.gain == pytest.approx(0.95, rel=0.02)


def test_what_frames_cannot_be_computed_from_is_said() -> None:
    both = data_of([*NEW, *EARLIER], len(NEW), CountLaw.RISES)
    rows = len(NEW) * FRAMES
    dry = tuple(t for t in both.frozen.trims if t.kind is TrimKind.DRY)
    with pytest.raises(InputError, match="no dry or no full trim; expected both"):
        superposition(replace(both, frozen=replace(both.frozen, trims=dry)), rows)
    with pytest.raises(InputError, match="no clean frames"):
        superposition(both, rows).on(np.zeros(rows, np.bool_))

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
    unit: int | None = None


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
    """The sessions one after the other, each of a unit of its own where none is said; the first ``new`` are
    of the new tank.
    """
    pads = tuple(Pad(k, f"p{k}", 4.0 + 24.0 * k, 20.0) for k in range(PADS))
    mounting = Mounting("m", Tank("t", 1, SPAN), Sensor("s", 1, pads, 16, law, 100))
    sessions, frames, levels = [], [], []
    trims: dict[str, Trim] = {}
    for k, kind in enumerate(kinds):
        number = k if kind.unit is None else 100 + kind.unit
        draw = np.random.default_rng(number)
        dry, swing = draw.uniform(0.9, 1.1, PADS), draw.uniform(0.5, 0.7, PADS)

        def counts(share: Floats, dry: Floats = dry, swing: Floats = swing) -> Ints:
            value = dry + swing * share
            given = 20000 * value if law is CountLaw.RISES else 50000 / value
            return np.asarray(np.rint(given), np.int64)

        unit = Unit(f"u{number}")
        for trim, share in ((TrimKind.DRY, 0.0), (TrimKind.FULL, 1.0)):
            taken = tuple(int(v) for v in counts(np.full(PADS, share)))
            sha256 = f"{number}{trim}" * 8
            trims[sha256] = Trim(unit, mounting, trim, taken, "2026-01-01", "line", sha256=sha256)
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
        FrozenSet("both", "ab" * 32, GroupBy.UNIT, roles, tuple(sessions), trims=tuple(trims.values())),
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
    Shown(OLD_DEPTH, unit=0),
    Shown(OLD_DEPTH, unit=0, gain=0.95),
    Shown(OLD_DEPTH, unit=0, to_earth=3.0),
    Shown(OLD_DEPTH, unit=0, condition=1),
    Shown(OLD_DEPTH, unit=0, condition=2),
    Shown(OLD_DEPTH, unit=0, empty=True),
]
NEW = [Shown(NEW_DEPTH), Shown(NEW_DEPTH, to_earth=2.0)]


@pytest.mark.longer
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


@pytest.mark.longer
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


@pytest.mark.longer
def test_of_a_difference_that_may_be_chance_nothing_is_taken() -> None:
    """Both tanks alike but for units whose walls differ: the new unit lies within what earlier ones show, and
    frames stay as they are; one that lies far outside is taken nearly whole, two of them more so.
    """
    depths = (4.0, 5.0, 6.0, 7.0)
    both = data_of([Shown(5.0), *(Shown(depth) for depth in depths)], 1, CountLaw.RISES)
    alike = superposition(both, FRAMES)
    every = np.ones(FRAMES, np.bool_)
    assert alike.units == 4
    assert alike.weight(every) == 0
    assert np.abs(alike.on(every).counts - both.counts).max() <= 1  # rounding
    far = [Shown(16.0), Shown(16.0), *(Shown(depth) for depth in depths)]
    other = superposition(data_of(far, 2, CountLaw.RISES), 2 * FRAMES)
    one, two = (other.weight(np.arange(2 * FRAMES) < rows) for rows in (FRAMES, 2 * FRAMES))
    assert 0.8 < one < two < 1


def test_what_frames_cannot_be_computed_from_is_said() -> None:
    both = data_of([*NEW, *EARLIER], len(NEW), CountLaw.RISES)
    rows = len(NEW) * FRAMES
    dry = tuple(t for t in both.frozen.trims if t.kind is TrimKind.DRY)
    with pytest.raises(InputError, match="no dry or no full trim; expected both"):
        superposition(replace(both, frozen=replace(both.frozen, trims=dry)), rows)
    with pytest.raises(InputError, match="no clean frames"):
        superposition(both, rows).on(np.zeros(rows, np.bool_))

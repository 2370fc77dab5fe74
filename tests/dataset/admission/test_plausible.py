"""Statements against what the pads say: each mistake as somebody makes it, with the sentence it draws, and
good sessions, which draw none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from building import Bench, bench_store
from dataset.errors import InputError
from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    GroupBy,
    Liquid,
    Mark,
    NewSession,
    Pad,
    Restatement,
    Role,
    Sensor,
    Session,
    Source,
    Stretch,
    Surface,
    Tank,
    Trim,
    TrimKind,
    Unit,
    Wall,
)
from dataset.store import Store

PADS = tuple(Pad(k, f"p{k}", 20.0 * k, 16.0) for k in range(9))  # the last one from 160 mm up
LEVELS = np.repeat(np.linspace(0.0, 195.0, 40), 20)
DRY, SWING, NOISE = 11_000.0, 14_000.0, 12.0
Counts = NDArray[np.float64]


def counts_at(levels: Counts, seed: int, unit: float = 0.0) -> Counts:
    """Counts of pads that the level passes, with white noise; ``unit`` is how its board differs."""
    rng = np.random.default_rng(seed)
    bottoms = np.array([p.bottom_mm for p in PADS])
    noise = rng.normal(0, NOISE, (len(levels), len(PADS)))
    covered = np.clip((levels[:, None] - bottoms) / 16.0, 0, 1)
    return np.asarray(DRY + unit + SWING * covered + noise, np.float64)


def marks_of(levels: Counts, times: float = 1.0) -> tuple[Mark, ...]:
    """A mark for each run of one level."""
    starts = np.flatnonzero(np.diff(levels, prepend=np.nan))
    stops = [*starts[1:].tolist(), len(levels)]
    return tuple(Mark(int(a), int(b), float(levels[a]) * times) for a, b in zip(starts, stops, strict=True))


class Door:
    """A store with one bench of two units."""

    def __init__(self, store: Store, law: CountLaw = CountLaw.RISES, bits: int = 16) -> None:
        self.store = store
        sensor = Sensor("strip", 0, PADS, bits, law, 100)
        self.bench: Bench = bench_store(
            store, tank=Tank("can", 0, 200.0), sensor=sensor, liquid=Liquid("water"), unit=("u1", "u2")
        )

    def new(
        self,
        counts: Counts,
        marks: Sequence[Mark],
        unit: Unit | None = None,
        stretches: tuple[Stretch, ...] = (),
        warm: Counts | None = None,
    ) -> NewSession:
        n, k = len(counts), len(self.store.sessions())
        steps = np.rint(counts).astype(np.uint32)
        frames = Frames(np.arange(n, dtype=np.int64) * 100, steps, warm)
        source = Source(f"run{k}.csv", f"{k:064x}")
        where = (unit or self.bench.unit, self.bench.liquid, self.bench.mounting)
        return NewSession(*where, frames, tuple(marks), source, stretches=stretches)

    def log(self, *what: object, **more: object) -> Session:
        return self.store.add_sessions([self.new(*what, **more)])[0]  # type: ignore[arg-type]  # as new() takes them

    def history(self, sessions: int = 3) -> None:
        """Good sessions, which draw no warning."""
        for seed in range(sessions):
            assert self.log(counts_at(LEVELS, seed), marks_of(LEVELS)).warnings == ()


@pytest.fixture
def door(new_store: Store) -> Door:
    return Door(new_store)


def the_one(session: Session, check: str) -> str:
    """The sentence of the only warning, which must be of ``check``."""
    assert [w.check for w in session.warnings] == [check]
    return session.warnings[0].sentence


def test_a_forgotten_unit_of_the_level(door: Door) -> None:
    """Levels in cm read as mm end at 19.5 mm, and a pad at 160 mm goes from dry to covered all the same."""
    session = door.log(counts_at(LEVELS, 1), marks_of(LEVELS, 0.1))
    assert the_one(session, "level against pads").startswith("pad p")
    said = session.warnings[0].sentence
    assert "and 7 others, from " in said
    assert "as if the level passed, and no level is above 19.5 mm: the levels' unit, the datum or" in said


def test_ramps_in_the_wrong_unit(door: Door) -> None:
    """The ends of a ramp tell as well as marks at rest."""
    rise = np.linspace(0, 195, len(LEVELS))
    assert door.log(counts_at(rise, 1), [Mark(0, len(rise), 0.0, level_stop_mm=195.0)]).warnings == ()
    wrong = door.log(counts_at(rise, 2), [Mark(0, len(rise), 0.0, level_stop_mm=19.5)])
    assert "no level is above 19.5 mm" in the_one(wrong, "level against pads")


@pytest.mark.parametrize(
    ("condition", "warned"),
    [
        (Conditions(wall=(Wall.FILM,)), False),
        (Conditions(surface=(Surface.FOAM,), foam_mm=(20.0, 190.0)), False),
        (Conditions(tilt_deg=(5.0, 0.0)), False),
        (Conditions(surface=(Surface.STILL,), wall=(Wall.CLEAN,), tilt_deg=(0.0, 0.0)), True),
    ],
)
def test_what_wets_pads_above_the_level_is_no_mistake(
    door: Door, condition: Conditions, warned: bool
) -> None:
    """Film, foam and tilt that are stated explain wet pads above the level; a clean wall at rest does not."""
    stated = (Stretch(0, len(LEVELS), condition),)
    session = door.log(counts_at(LEVELS, 3), marks_of(LEVELS, 0.1), stretches=stated)
    assert [w.check for w in session.warnings] == (["level against pads"] if warned else [])


def test_a_temperature_given_as_the_level(door: Door) -> None:
    """One column for both is known by equal values; another temperature by pads that do not follow it."""
    warm = np.repeat(np.round(20 + np.sin(np.arange(40) / 3), 1), 20)
    still = counts_at(np.full(len(warm), 50.0), 4)
    both = door.log(still, marks_of(warm), warm=warm)
    assert "in each of " in next(w.sentence for w in both.warnings if w.check == "temperature as level")
    wide = np.repeat(np.round(24 + 4 * np.sin(np.arange(40) / 3), 1), 20)
    other = door.log(counts_at(np.full(len(wide), 50.0), 5), marks_of(wide))
    said = the_one(other, "level not followed")
    assert " levels from 20 to 28 mm, and no pad beside them follows (p1: rank correlation at most 0." in said
    assert said.endswith("): is it the level?")


@pytest.mark.parametrize("law", CountLaw)
def test_another_unit_than_stated(new_store: Store, law: CountLaw) -> None:
    """A board that reads, dry, other than the unit's own trim on most pads: one sentence, whichever side."""
    door = Door(new_store, law)

    def turned(counts: Counts) -> Counts:
        return counts if law is CountLaw.RISES else 40_000.0 - counts

    dry = np.zeros(60)
    for name in ("u1", "u2"):
        counts = tuple(int(c) for c in turned(np.full(9, DRY)))
        new_store.add_trim(
            Trim(new_store.unit(name), door.bench.mounting, TrimKind.DRY, counts, "2026-01-31", "end-of-line")
        )
    assert door.log(turned(counts_at(dry, 1)), marks_of(dry)).warnings == ()
    for by in (-900.0, 900.0):
        found = door.log(turned(counts_at(dry, int(by) % 7, by)), marks_of(dry), new_store.unit("u2"))
        said = the_one(found, "other than its trim")
        assert said.startswith(
            "at level 0 9 of 9 pads read other than unit u2's dry trim of 2026-01-31, most p"
        )
        assert said.endswith(": is it this unit?")


@pytest.mark.parametrize(
    ("trim_c", "warm_c", "told"),
    [(55.0, 22.0, False), (30.0, 22.0, True), (None, 22.0, True), (55.0, None, True)],
)
def test_a_trim_at_another_temperature(
    door: Door, trim_c: float | None, warm_c: float | None, told: bool
) -> None:
    """Pads that read 4 % other than a dry trim are this unit's where 33 K lie between them (0.1 % of the
    count for each), not where 8 K do, or where a temperature is not known.
    """
    dry, counts = np.zeros(60), tuple(int(c) for c in np.full(9, 1.04 * DRY))
    unit = door.store.unit("u2")
    trim = Trim(unit, door.bench.mounting, TrimKind.DRY, counts, "2026-01-31", "end-of-line", trim_c)
    door.store.add_trim(trim)
    warm = None if warm_c is None else np.full(60, warm_c)
    checks = [w.check for w in door.log(counts_at(dry, 1), marks_of(dry), unit, warm=warm).warnings]
    assert ("other than its trim" in checks) is told


def test_wet_pads_are_one_sentence(door: Door) -> None:
    """Eight pads that read wetter than the unit's dry marks are one warning that names them."""
    door.history(3)
    counts = counts_at(LEVELS, 9)
    counts[LEVELS == 0, :8] += 0.15 * SWING
    said = the_one(door.log(counts, marks_of(LEVELS)), "dry looks wet")
    assert said.count("(wetter too: ") == 1
    assert all(f"p{k}" in said for k in range(8))


def test_counts_that_the_sensor_never_showed(door: Door) -> None:
    """A pad far drier than dry in 155 frames that are said to be at 0 mm, once three sessions are known."""
    off = counts_at(np.zeros(155), 6)
    off[:, 4] = np.linspace(6300, 7000, 155)
    assert door.log(off + 1, ()).warnings == ()  # nothing to be held against
    door.store.void(door.store.sessions()[0].id, "void sessions are no history")
    door.history(3)
    said = next(
        w for w in door.log(off, marks_of(np.zeros(155))).warnings if w.check == "never shown"
    ).sentence
    assert said.startswith("pad p4 reads 63")
    assert "in 100 % of the frames, and 1" in said
    assert said.endswith(" in 3 earlier sessions: is it connected?")
    again = door.log(off + 2, marks_of(np.zeros(155)))  # what was warned of is no history
    assert "never shown" in [w.check for w in again.warnings]


@pytest.mark.longer
def test_what_was_shown_is_of_sessions_as_they_are_amended(door: Door) -> None:
    """Three sessions that are another unit's than was stated when they were logged are history once that is
    mended, and no longer when it turns out that they are not.
    """
    off = counts_at(np.zeros(155), 6)
    off[:, 4] = np.linspace(6300, 7000, 155)
    door.store.add_unit(Unit("u9"))
    counts = tuple(int(c) for c in np.full(9, DRY))
    stated = door.store.unit("u2")
    door.store.add_trim(Trim(stated, door.bench.mounting, TrimKind.DRY, counts, "2026-01-31", "bench"))
    logged = [door.log(counts_at(LEVELS, seed, 900.0), marks_of(LEVELS), stated) for seed in range(3)]
    assert all("other than its trim" in [w.check for w in session.warnings] for session in logged)

    def never_shown(by: int) -> bool:
        found = door.log(off + by, marks_of(np.zeros(155)))
        door.store.void(found.id, "one try only")
        return "never shown" in [w.check for w in found.warnings]

    assert not never_shown(1)
    for session in logged:
        door.store.amend_session(session.id, Restatement(door.store.unit("u9")), "A. Bench", "label")
    assert never_shown(2)
    door.store.amend_session(logged[0].id, Restatement(stated), "A. Bench", "it was the one")
    assert not never_shown(3)


def test_rails_of_a_narrower_converter(door: Door) -> None:
    """The top of 12 bits in a number of 16 is a rail where a pad stays there; a few frames are chance."""
    counts = counts_at(np.zeros(200), 7) - 8000
    counts[10:60, 2] = 4095
    said = next(w for w in door.log(counts, ()).warnings if w.check == "saturated pad").sentence
    assert said.startswith("pad p2 reads 4095, the top of a range of 12 bits, in ")
    few = counts_at(np.zeros(200), 8) - 8000
    few[:, 2] = np.minimum(few[:, 2], 4000)
    few[10:14, 2] = 4095
    assert "saturated pad" not in [w.check for w in door.log(few, ()).warnings]


def test_counts_without_any_noise(door: Door) -> None:
    """A hundred frames in which no pad moves by one step are a board that sends one frame again and again."""
    still = np.full((100, len(PADS)), 12_345.0)
    assert door.log(still[:99], ()).warnings == ()
    found = door.log(still, ())
    assert {w.check for w in found.warnings} == {"stuck pad"}
    assert "pad p0 reads 12345 in every frame: 100 frames without noise" in found.warnings[0].sentence


def test_what_was_warned_of_gravely_is_not_frozen(door: Door) -> None:
    """Unless it is said why; the reason stays with the set, whose hash it does not change."""
    door.history(2)
    wrong = door.log(counts_at(LEVELS, 1) + 1, marks_of(LEVELS, 0.1))
    roles = {s.id: Role.FIT for s in door.store.sessions()}
    with pytest.raises(InputError) as caught:
        door.store.freeze("set", door.store.sessions(), GroupBy.SESSION, roles)
    assert f"session {wrong.id} (from run2.csv) was warned of: level against pads, pad p" in str(caught.value)
    assert "say by even_if_warned why it is right" in str(caught.value)
    with pytest.raises(InputError, match="even_if_warned: nothing"):
        door.store.freeze("set", door.store.sessions(), GroupBy.SESSION, roles, even_if_warned=" ")
    why = "a second strip hangs lower"
    frozen = door.store.freeze("set", door.store.sessions(), GroupBy.SESSION, roles, even_if_warned=why)
    assert door.store.frozen_set("set") == frozen
    assert frozen.even_if_warned == why
    again = door.store.freeze("again", door.store.sessions(), GroupBy.SESSION, roles, even_if_warned="other")
    assert again.sha256 == frozen.sha256
    assert len(door.store.frozen_data(frozen).counts) == 3 * len(LEVELS)
    good = [s for s in door.store.sessions() if s.id != wrong.id]
    fewer = door.store.freeze("good", good, GroupBy.SESSION, {s.id: Role.FIT for s in good})
    assert replace(fewer, name="").even_if_warned is None

"""Import checks: each on a file that has exactly its fault, and a clean file that passes all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import innage.demo_data
from building import CAN, bench_store, one_pad, put
from dataset import long_frames
from dataset.admission import tallies
from dataset.admission.session_files import read_file
from dataset.admission.tallies import SLICE_FRAMES, SLICES, _cut
from dataset.blocks import to_blocks
from dataset.long_frames import LongFrames, as_arrays
from dataset.records import (
    ColumnMapping,
    Conditions,
    CountLaw,
    DoorWarning,
    LevelUnit,
    Liquid,
    Mounting,
    NewSession,
    Pad,
    PadRole,
    Sensor,
    Session,
    Stretch,
    Surface,
    Wall,
)
from dataset.store import Store

PADS = (
    *(Pad(k, f"p{k}", 10.0 * k, 10.0, 5.0) for k in range(4)),
    Pad(4, "ref", 60.0, 5.0, 5.0, role=PadRole.REFERENCE),
)
LEVELS = np.repeat(np.arange(0.0, 45.0, 5.0), 40)  # nine marks of 40 frames
NOISE = 3.0
DRY, SWING = 1000.0, 2000.0
COLUMNS = ColumnMapping("columns", tuple(p.name for p in PADS), "t", level="level")

Counts = NDArray[np.float64]


def clean(seed: int) -> tuple[NDArray[np.int64], Counts]:
    """Times and counts of a good session: each pad rises while the level passes it, with white
    noise on top.
    """
    rng = np.random.default_rng(seed)
    bottoms = np.array([p.bottom_mm for p in PADS])
    covered = np.clip((LEVELS[:, None] - bottoms) / 10.0, 0, 1)
    return np.arange(len(LEVELS), dtype=np.int64) * 100, DRY + SWING * covered + rng.normal(
        0, NOISE, (len(LEVELS), 5)
    )


class Door:
    """A store with a bench, and files logged into it; ``packed``: as frames too many for arrays are."""

    def __init__(self, store: Store, folder: Path, packed: bool = False) -> None:
        self.store, self.folder, self.packed = store, folder, packed
        strip = Sensor("strip", 0, PADS, 12, CountLaw.RISES, 100)
        bench = bench_store(store, tank=CAN, sensor=strip, liquid=Liquid("water", 80.0))
        self.tank, self.sensor, self.mounting = bench.tank, bench.sensor, bench.mounting
        self.unit, self.liquid = bench.unit, bench.liquid

    def log(
        self,
        t_ms: NDArray[np.int64],
        counts: Counts,
        levels: Counts = LEVELS,
        mounting: Mounting | None = None,
        stretches: tuple[Stretch, ...] = (),
    ) -> Session:
        """Write a file, read it, log it; the session as the store gives it back."""
        path = self.folder / f"run{len(self.store.sessions())}.csv"
        whole = np.clip(np.rint(counts), 0, 4095).astype(int)
        rows = [
            f"{t},{','.join(map(str, row))},{level:g}"
            for t, row, level in zip(t_ms, whole.tolist(), levels, strict=True)
        ]
        path.write_text("\n".join(["t," + ",".join(p.name for p in PADS) + ",level", *rows]) + "\n")
        parsed = read_file(path, COLUMNS, self.sensor, self.tank)
        new = NewSession(
            self.unit,
            self.liquid,
            mounting or self.mounting,
            LongFrames(to_blocks(parsed.frames, 50), len(PADS)) if self.packed else parsed.frames,
            parsed.marks,
            parsed.source,
            stretches=stretches,
        )
        return self.store.session(self.store.add_sessions([new])[0].id)

    def history(self, sessions: int = 4) -> None:
        """Clean sessions that later ones are held against."""
        for seed in range(sessions):
            assert self.log(*clean(seed)).warnings == ()


@pytest.fixture(params=["arrays", "packed"])
def door(
    request: pytest.FixtureRequest, new_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Door:
    """Every check twice: of frames held as arrays, and of frames unpacked in windows shorter than a mark."""
    if request.param == "packed":
        for module in (long_frames, tallies):
            monkeypatch.setattr(module, "WINDOW", 32)
        monkeypatch.setattr(long_frames, "_AHEAD", 1)
    return Door(new_store, tmp_path, request.param == "packed")


def the_one(session: Session, check: str) -> str:
    """The sentence of the only warning, which must be of ``check``."""
    assert [w.check for w in session.warnings] == [check]
    return session.warnings[0].sentence


def test_a_clean_file_passes_every_check(door: Door) -> None:
    """Sessions with white noise and no fault draw no warning, with a history and without."""
    door.history(6)


def _dead(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[:, 2] = 0


def _deaf(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[:, 2] = DRY + np.random.default_rng(9).normal(0, NOISE, len(counts))


def _stuck(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[:, 1] = 1234


def _top(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[:5, 3] = 4095


def _bottom(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[:5, 3] = 0


def _gap(t: NDArray[np.int64], _counts: Counts) -> None:
    t[100:] += 5000
    t[200:] += 60


def _drift(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[80:120, 1] += np.linspace(0, 80, 40)


def _settling(_t: NDArray[np.int64], counts: Counts) -> None:
    counts[80:120, 1] += 200 * np.exp(-np.arange(40) / 3.0)


FAULTS = {
    "dead": (_dead, "dead channel", "pad p2 reads 0 in every frame"),
    "deaf": (_deaf, "dead channel", "pad p2 does not answer: from dry to covered its count moves by"),
    "stuck": (_stuck, "stuck pad", "pad p1 reads 1234 in every frame, while other pads move"),
    "top": (_top, "saturated pad", "pad p3 reads 4095, the top of its range, in 5 of 360 frames"),
    "bottom": (_bottom, "saturated pad", "pad p3 reads 0, the bottom of its range, in 5 of 360 frames"),
    "gap": (_gap, "gaps in time", "2 gaps, the longest of 5.1 s after frame 99"),
    "drift": (
        _drift,
        "moving mark",
        (
            "in 1 of 9 static marks the signal moves by more than 10 times its noise, most at 10 "
            "mm (frames 80 to 119: pad p1 by"
        ),
    ),
    "settling": (
        _settling,
        "moving mark",
        "; 1 of them settles at the start: wait longer before a mark begins",
    ),
}


@pytest.mark.parametrize(("fault", "check", "sentence"), FAULTS.values(), ids=FAULTS.keys())
def test_each_fault_draws_its_own_warning(
    door: Door, fault: Callable[[NDArray[np.int64], Counts], None], check: str, sentence: str
) -> None:
    """A file with one fault draws one warning, which names the check, the pad or place, and the size."""
    t_ms, counts = clean(50)
    fault(t_ms, counts)
    assert sentence in the_one(door.log(t_ms, counts), check)


def noisy(seed: int) -> tuple[NDArray[np.int64], Counts]:
    """A session whose reference pad has four times the noise."""
    t_ms, counts = clean(seed)
    counts[:, 4] = DRY + 4 * (counts[:, 4] - DRY)
    return t_ms, counts


@pytest.mark.longer
def test_noise_against_the_units_history(door: Door) -> None:
    """Four times the usual noise of one pad is a warning once three sessions that aren't void are known, and
    not before.
    """
    door.history(2)
    early = door.log(*noisy(61))
    assert early.warnings == ()
    door.store.void(early.id, "void sessions are no history")
    assert door.log(*noisy(62)).warnings == ()
    found = door.log(*noisy(63))
    assert "pad ref has a noise of " in the_one(found, "noise")
    assert "in this unit's last 3 sessions" in found.warnings[0].sentence


@pytest.mark.parametrize("frames", [8, 9, 15, 32, 37, 101])
def test_slices_are_those_of_numpy(frames: int) -> None:
    """Medians of slices, all pads at once, are those of each pad cut by numpy's ``array_split``."""
    counts = np.random.default_rng(frames).integers(0, 4096, (3, frames), np.int32)
    slices = min(SLICES, frames // SLICE_FRAMES)
    expected = [[np.median(part) for part in np.array_split(pad, slices)] for pad in counts]
    assert _cut(counts, slices).tolist() == expected


@pytest.mark.longer
def test_dry_that_looks_wet(door: Door) -> None:
    """Level 0 with a pad a fifth of its swing wetter than the unit's earlier dry marks is a warning; drier,
    or unknown, is not.
    """
    dry = LEVELS == 0

    def log(seed: int, by: float) -> Session:
        t_ms, counts = clean(seed)
        counts[dry, 0] += by * SWING
        return door.log(t_ms, counts)

    first = log(80, 0.2)
    assert first.warnings == ()  # nothing to be held against
    door.store.void(first.id, "void sessions are no history")
    door.history(3)
    assert log(82, 0.05).warnings == ()
    found = log(83, 0.2)
    assert "at level 0 pad p0 reads 140" in the_one(found, "dry looks wet")
    assert "20 % of its swing: residue" in found.warnings[0].sentence
    assert log(81, -0.2).warnings == ()


@pytest.mark.longer
@pytest.mark.parametrize(
    "wet",
    [Conditions(wall=(Wall.FILM,)), Conditions(wall=(Wall.DROPS,)), Conditions(surface=(Surface.FOAM,))],
)
def test_an_empty_tank_that_is_said_to_be_wet_is_no_warning(door: Door, wet: Conditions) -> None:
    """Foam, a film or drops that are stated explain wet pads at level 0; neither do such marks become the
    unit's dry counts for later sessions.
    """
    door.history(3)
    t_ms, counts = clean(84)
    counts[LEVELS == 0, 0] += 0.2 * SWING
    stated = (Stretch(0, len(LEVELS), wet),)
    for _ in range(4):
        counts[:, 1] += 1  # readings of its own
        assert door.log(t_ms, counts, stretches=stated).warnings == ()
    counts[:, 1] += 1
    found = the_one(door.log(t_ms, counts), "dry looks wet")
    assert "at level 0 pad p0" in found
    assert "residue, a wrong label, another board or another position?" in found


@pytest.mark.longer
def test_dry_counts_of_another_mounting_are_no_measure(door: Door) -> None:
    """The same unit's dry counts on another mounting say nothing about this one's."""
    door.history(3)
    (other,) = put(door.store, replace(door.mounting, name="other", offset_mm=2.0))
    t_ms, counts = clean(90)
    counts[LEVELS == 0, 0] += 0.2 * SWING
    assert door.log(t_ms, counts, mounting=other).warnings == ()


def test_sensors_whose_count_falls(new_store: Store, tmp_path: Path) -> None:
    """Where counts fall with C, a dry pad looks wet when its count is lower."""
    door = Door(new_store, tmp_path)
    (door.sensor,) = put(new_store, replace(door.sensor, count_law=CountLaw.FALLS))
    (door.mounting,) = put(new_store, Mounting("falls", door.tank, door.sensor))
    for seed in range(3):
        t_ms, counts = clean(seed)
        assert door.log(t_ms, 4095 - counts).warnings == ()
    t_ms, counts = clean(91)
    counts[LEVELS == 0, 0] += 0.2 * SWING
    assert "pad p0" in the_one(door.log(t_ms, 4095 - counts), "dry looks wet")


def test_given_warnings_are_kept_once_and_stay_out_of_the_hash(door: Door) -> None:
    """A warning that comes with the session is stored beside the door's own, one that is found again once;
    the hash covers neither.
    """
    t_ms, counts = clean(50)
    _stuck(t_ms, counts)
    first = door.log(t_ms, counts)
    new = NewSession(
        first.unit, first.liquid, first.mounting, door.store.frames(first), first.marks, first.source
    )
    given = (DoorWarning("lines", "3 lines were no frames"), *first.warnings)
    other = Store.open(door.folder / "other.db")
    put(other, door.tank, door.sensor, door.mounting, door.unit, door.liquid)
    (again,) = other.add_sessions([replace(new, warnings=given)])
    assert other.session(again.id).warnings == given
    assert again.sha256 == first.sha256
    other.frames(again, verify=True)


def test_what_the_real_readings_are_told(new_store: Store) -> None:
    """The real readings have 19 gaps (counted by hand in the times) and marks that settle, those at 0 and 10
    mm among them.

    Source: innage/demo_data/SOURCE.txt; at 10 mm the counts run from 32579 to 33020 and 31975 before they
        rest near 32700.
    """
    path = Path(innage.demo_data.__path__[0]) / "levels_tidy.csv"
    bench = bench_store(
        new_store, tank=CAN, sensor=one_pad(frame_interval_ms=2051), liquid=Liquid("water", 80.0)
    )
    parsed = read_file(
        path,
        ColumnMapping("m", ("N_counts",), "elapsed_ms", level="level_cm", level_unit=LevelUnit.CENTIMETRES),
        bench.sensor,
        bench.tank,
    )
    (session,) = new_store.add_sessions([bench.session(0, parsed.marks, frames=as_arrays(parsed.frames))])
    gaps, moving = session.warnings
    assert (gaps.check, moving.check) == ("gaps in time", "moving mark")
    assert gaps.sentence == "19 gaps, the longest of 346.619 s after frame 624"
    assert "levels: 0, 10, 15, " in moving.sentence

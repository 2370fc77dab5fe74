"""What the hashes cover, and what they do not."""

from __future__ import annotations

import hashlib
import json
import struct
from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select

from building import SENSOR, Bench, put
from dataset import canonical
from dataset.canonical import frozen_sha256, marks_content, sensor_key, session_sha256
from dataset.canonical_text import canonical_json
from dataset.readings_hashes import ReadingsHashes, columns_content, readings_sha256
from dataset.records import CountLaw, Frames, GroupBy, Mark, NewSession, Pad, PadRole, Role, Sensor
from dataset.store import Store, admitting
from dataset.store.tables import BlockRow
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Box


def test_the_hash_is_what_its_module_says(new_store: Store, register: Callable[[Store], Bench]) -> None:
    """The hash of a session can be made again from the description alone, with struct, hashlib and json.

    This pins format 1: stores in the field are identified by it.
    """
    new = register(new_store).session(3)
    (session,) = new_store.add_sessions([new])

    def digest(values: list[int], code: str) -> str:
        return hashlib.sha256(b"".join(struct.pack(code, v) for v in values)).hexdigest()

    frames = new.frames
    columns = [{"name": "t_ms", "type": "<i8", "rows": 40, "sha256": digest(frames.t_ms.tolist(), "<q")}]
    columns += [
        {
            "name": f"counts.{k}",
            "type": "<u4",
            "rows": 40,
            "sha256": digest(frames.counts[:, k].tolist(), "<I"),
        }
        for k in range(2)
    ]
    pad = {
        "bottom_mm": 0.0,
        "frequency_hz": None,
        "height_mm": 50.0,
        "name": "low",
        "role": "level",
        "width_mm": 8.0,
    }
    sensor = {
        "count_bits": 16,
        "count_law": "rises",
        "name": "strip",
        "period_ms": 100,
        "period_tolerance_pct": 10,
    }
    sensor["pads"] = [pad, pad | {"name": "high", "bottom_mm": 50.0, "width_mm": None}]
    tank = {
        "dead_volume_ml": None,
        "inlet_mm": 95.0,
        "name": "canister",
        "span_mm": 100.0,
        "wall_material": "PP",
        "wall_mm": 2.0,
    }
    content = {
        "format": 1,
        "unit": "unit1",
        "liquid": {
            "conductivity": 0.05,
            "density": 998.2,
            "name": "water",
            "permittivity": 80.2,
            "temperature_c": 20.0,
        },
        "mounting": {
            "name": "m1",
            "offset_mm": 1.5,
            "offset_tolerance_mm": 0.5,
            "sensor": sensor,
            "tank": tank,
        },
        "marks": [[0, 10, 15.0, 0.5], [12, 30, 25.0, None]],
        "note": "",
        "columns": columns,
    }
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert session.sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert session.id == session.sha256[:12]


def test_block_borders_and_compression_are_not_in_it(
    tmp_path: Path, register: Callable[[Store], Bench]
) -> None:
    """Two stores that cut and compress one session differently agree on its hash, and both verify."""
    hashes, packed = [], []
    for name, block_frames, level in (("a", 4096, 6), ("b", 7, 1)):
        store = Store.open(tmp_path / f"{name}.db")
        new = register(store).session(5)
        with store._database.writing() as orm:
            hashes.append(admitting.add_session(orm, new, block_frames, level).sha256)
        store.frames(hashes[-1], verify=True)
        with store._database.reading() as orm:
            packed.append(b"".join(orm.scalars(select(BlockRow.counts).order_by(BlockRow.position))))
    assert hashes[0] == hashes[1]
    assert packed[0] != packed[1]


def test_rows_revisions_and_order_are_not_in_it(tmp_path: Path, register: Callable[[Store], Bench]) -> None:
    """Stores that registered other things first, and logged in another order, agree on every
    session's hash.
    """
    one, two = Store.open(tmp_path / "one.db"), Store.open(tmp_path / "two.db")
    bench = register(one)
    put(two, replace(bench.tank, span_mm=120.0))
    other = register(two)
    assert other.tank.revision == 2
    first = one.add_sessions([bench.session(k) for k in (1, 2, 3)])
    second = two.add_sessions([other.session(k) for k in (3, 1, 2)])
    assert sorted(s.sha256 for s in first) == sorted(s.sha256 for s in second)


def with_frames(session: NewSession, **columns: np.ndarray) -> NewSession:
    assert isinstance(session.frames, Frames)
    return replace(session, frames=replace(session.frames, **columns))


def on_tank(session: NewSession, **facts: Any) -> NewSession:
    """The session, its tank with other facts."""
    return replace(session, mounting=replace(session.mounting, tank=replace(session.mounting.tank, **facts)))


CHANGES: dict[str, Callable[[NewSession], NewSession]] = {
    "unit": lambda s: replace(s, unit=replace(s.unit, name="unit2")),
    "liquid": lambda s: replace(s, liquid=replace(s.liquid, density=998.3)),
    "offset": lambda s: replace(s, mounting=replace(s.mounting, offset_mm=1.6)),
    "span": lambda s: replace(s, mounting=replace(s.mounting, tank=replace(s.mounting.tank, span_mm=101.0))),
    "headspace": lambda s: on_tank(s, headspace_mm=5.0),
    "profile": lambda s: on_tank(s, profile=to_json(stack([Box(50.0, 40.0, 100.0)]))),
    "expansion": lambda s: on_tank(s, expansion_per_k=1e-4, reference_c=20.0),
    "reference temperature": lambda s: on_tank(
        on_tank(s, expansion_per_k=1e-4, reference_c=20.0), reference_c=25.0
    ),
    "liquid's model": lambda s: replace(s, liquid=replace(s.liquid, model="water")),
    "period": lambda s: replace(
        s, mounting=replace(s.mounting, sensor=replace(s.mounting.sensor, period_ms=101))
    ),
    "mark": lambda s: replace(s, marks=(replace(s.marks[0], stop=11), s.marks[1])),
    "uncertainty": lambda s: replace(s, marks=(replace(s.marks[0], u_mm=None), s.marks[1])),
    "note": lambda s: replace(s, note="foam from frame 20"),
    "count": lambda s: with_frames(s, counts=s.frames.counts ^ np.eye(40, 2, dtype=np.uint32)),
    "time": lambda s: with_frames(s, t_ms=s.frames.t_ms + 1),
    "temperature": lambda s: with_frames(s, temperature_c=np.full(40, np.nan)),
    "channels swapped": lambda s: with_frames(s, counts=s.frames.counts[:, ::-1]),
}


@pytest.mark.longer
@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_content_is_in_it(
    new_store: Store, register: Callable[[Store], Bench], change: Callable[[NewSession], NewSession]
) -> None:
    """Whatever says what was recorded, on what, changes the hash."""
    new = register(new_store).session(7)
    changed = change(new)
    assert session_sha256(changed, changed.frames) != session_sha256(new, new.frames)


def test_where_values_are_from_is_not_in_it(new_store: Store, register: Callable[[Store], Bench]) -> None:
    """A liquid's source is a note about its values: the same values hash alike, whatever their source."""
    new = register(new_store).session(7)
    other = replace(new, liquid=replace(new.liquid, source="a handbook"))
    assert session_sha256(other, other.frames) == session_sha256(new, new.frames)


def test_one_number_one_hash() -> None:
    """Integers and floats of one value, both zeros, and every NaN hash alike; where the source lies in memory
    does not matter.
    """
    t, counts = np.arange(4) * 100, np.arange(8, dtype=np.uint32).reshape(4, 2)
    odd_nan = np.array([0x7FF8000000000123], np.uint64).view(np.float64)[0]
    plain = Frames(t, counts, np.array([0.0, 1.0, np.nan, 2.0]))
    strange = Frames(t.astype(">i8"), np.asfortranarray(counts), np.array([-0.0, 1.0, odd_nan, 2.0]))
    assert readings_sha256(plain) == readings_sha256(strange)
    roles = {"a": Role.FIT}
    assert frozen_sha256(GroupBy.UNIT, roles, []) != frozen_sha256(GroupBy.TANK, roles, [])


def test_the_order_of_a_choice_is_not_in_it(new_store: Store, register: Callable[[Store], Bench]) -> None:
    """A frozen set's hash is that of the chosen sessions, in whatever order they are named."""
    bench = register(new_store)
    sessions = new_store.add_sessions([bench.session(k) for k in (1, 2, 3)])
    roles = {"15": Role.FIT, "25": Role.PROVE}
    assert frozen_sha256(GroupBy.LEVEL, roles, sessions) == frozen_sha256(
        GroupBy.LEVEL, dict(reversed(roles.items())), sessions[::-1]
    )
    assert frozen_sha256(GroupBy.LEVEL, roles, sessions) != frozen_sha256(GroupBy.LEVEL, roles, sessions[:2])


def test_whole_numbers_hash_as_floats(tmp_path: Path, register: Callable[[Store], Bench]) -> None:
    """A level given as 15 or as 15.0 is the same content."""
    bench = register(Store.open(tmp_path / "x.db"))
    whole, real = bench.session(1, (Mark(0, 9, 15, 1),)), bench.session(1, (Mark(0, 9, 15.0, 1.0),))
    assert session_sha256(whole, whole.frames) == session_sha256(real, real.frames)


def test_no_nan_in_canonical_json() -> None:
    """NaN has no canonical text and is refused."""
    with pytest.raises(ValueError, match="JSON"):
        canonical_json({"x": float("nan")})


OF_A_KEY: dict[type, dict[str, Any]] = {
    Sensor: {
        "pads": SENSOR.pads[::-1],
        "count_bits": 15,
        "count_law": CountLaw.FALLS,
        "period_ms": 101,
        "count_scale": 100,
    },
    Pad: {
        "bottom_mm": 0.5,
        "height_mm": 49.0,
        "width_mm": None,
        "frequency_hz": 250e3,
        "role": PadRole.REFERENCE,
    },
}
NOT_OF_A_KEY: dict[type, dict[str, Any]] = {
    Sensor: {"name": "other", "revision": 7, "note": "words", "period_tolerance_pct": 20},
    Pad: {"channel": 9, "name": "bottom"},
}


@pytest.mark.parametrize("record", [Sensor, Pad])
def test_the_key_of_a_sensor_is_its_content(record: type) -> None:
    """Every field of a sensor and of its pads changes the key, or stands among those that don't."""
    assert {f.name for f in fields(record)} == OF_A_KEY[record].keys() | NOT_OF_A_KEY[record].keys()

    def changed(name: str, value: Any) -> Sensor:
        if record is Sensor:
            return replace(SENSOR, **{name: value})
        return replace(SENSOR, pads=(replace(SENSOR.pads[0], **{name: value}), *SENSOR.pads[1:]))

    for name, value in OF_A_KEY[record].items():
        assert sensor_key(changed(name, value)) != sensor_key(SENSOR), name
    for name, value in NOT_OF_A_KEY[record].items():
        assert changed(name, value) != SENSOR
        assert sensor_key(changed(name, value)) == sensor_key(SENSOR), name


def test_stores_agree_on_the_key_of_a_sensor(tmp_path: Path) -> None:
    """One sensor under another name and another number of its revision has one key, after a merge too."""
    one, two = (Store.open(tmp_path / f"{name}.db") for name in ("one", "two"))
    (first,) = put(one, SENSOR)
    slower, tolerant = replace(SENSOR, period_ms=200), replace(SENSOR, period_tolerance_pct=12)
    _, second, renamed = put(two, slower, tolerant, replace(SENSOR, name="strip-b"))
    assert (first.revision, second.revision) == (1, 2)
    assert {sensor_key(s) for s in (first, second, renamed)} == {sensor_key(SENSOR)}
    one.merge(two.path)
    keys = [sensor_key(s) for s in one.sensors() if s.period_ms == SENSOR.period_ms]
    assert len(keys) == 3
    assert set(keys) == {sensor_key(SENSOR)}


def test_the_key_of_a_sensor_is_what_its_module_says() -> None:
    """The key can be made again from the description with hashlib and json; trims in the field carry it."""
    pads = [
        {
            "role": pad.role.value,
            "bottom_mm": float(pad.bottom_mm),
            "height_mm": float(pad.height_mm),
            "width_mm": None if pad.width_mm is None else float(pad.width_mm),
            "frequency_hz": None if pad.frequency_hz is None else float(pad.frequency_hz),
        }
        for pad in SENSOR.pads
    ]
    content = {"format": 2, "count_law": "rises", "count_bits": 16, "period_ms": 100, "pads": pads}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert f"{sensor_key(SENSOR):08x}" == hashlib.sha256(text.encode()).hexdigest()[:8]


def test_text_made_by_hand_is_canonical_json() -> None:
    """What a hash covers of marks and columns is the canonical JSON of what documents say of them: whole
    numbers, both zeros, numbers with exponents, and letters that JSON writes in its own way among it.
    """
    marks = (
        Mark(0, 4, 15, 1),
        Mark(4, 9, -0.0, None),
        Mark(9, 10, 1e-7, 1e22, 0.25, 12, 'read "off" é\n'),
        Mark(10, 20, 0.1, 0.2, None, 5e-324),
        Mark(20, 21, 1 / 3, 0, 0),
    )
    for some in (marks, (), marks[2:3]):
        assert canonical._marks_text(some) == canonical_json(marks_content(some))
    warm = np.array([20.5, np.nan, 0.0])
    for channels, degrees in ((1, None), (3, warm), (0, warm)):
        frames = Frames(np.arange(3), np.arange(3 * channels, dtype=np.uint32).reshape(3, channels), degrees)
        assert ReadingsHashes.of(frames).columns == canonical_json(columns_content(frames))
    with pytest.raises(ValueError, match="nan is no number"):
        canonical._marks_text((Mark(0, 1, float("nan")),))

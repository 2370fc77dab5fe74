"""Conditions as text, in files of stretches, and in the store."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.canonical import conditions_content, conditions_from, session_sha256
from dataset.errors import InputError, StoreError
from dataset.labels.conditions import conditions_text, read_conditions, read_stretches
from dataset.records import Conditions, Coupling, Flow, Stretch, Surface, Wall
from dataset.store import Store

Register = Callable[[Store], Any]
T_MS = np.arange(10, dtype=np.int64) * 100
FOAM_OVER_FILM = Conditions(surface=(Surface.FOAM,), foam_mm=(20.0, 45.0), wall=(Wall.FILM,))

HEIGHTS = st.integers(0, 500).map(lambda tenths: tenths / 10)
ANY = st.builds(
    Conditions,
    surface=st.sampled_from([(), (Surface.STILL,), (Surface.SLOSHING,)]),
    wall=st.sampled_from([(), (Wall.CLEAN,), (Wall.FILM,), (Wall.DROPS, Wall.SCALE)]),
    tilt_deg=st.none() | st.tuples(HEIGHTS.map(lambda h: round(h - 25, 1)), HEIGHTS.map(lambda h: -h)),
    flow=st.none() | st.sampled_from(Flow),
    coupling=st.none() | st.sampled_from(Coupling),
    appliance=st.sampled_from(["", "pump on", "door=open"]),
).flatmap(
    lambda c: (
        st.just(c)
        | st.tuples(HEIGHTS, st.integers(1, 400)).map(
            lambda h: replace(
                c, surface=(Surface.FOAM, Surface.SLOSHING), foam_mm=(h[0], round(h[0] + h[1] / 10, 1))
            ),
        )
    )
)


def test_conditions_from_text() -> None:
    """Axes combine freely: foam over liquid over film, an empty tank with film, film with scale on a tilted,
    earthed tank.
    """
    assert read_conditions("--condition", "surface=foam:20-45,wall=film") == FOAM_OVER_FILM
    assert read_conditions("--condition", "wall=film") == Conditions(wall=(Wall.FILM,))
    found = read_conditions(
        "x",
        "surface=sloshing+foam, wall=scale+film, tilt=2:-1.5, flow=draining, coupling=earthed, "
        "appliance=pump on",
    )
    assert found == Conditions(
        (Surface.FOAM, Surface.SLOSHING),
        None,
        (Wall.FILM, Wall.SCALE),
        (2.0, -1.5),
        Flow.DRAINING,
        Coupling.EARTHED,
        "pump on",
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("foam", r"--condition: 'foam'; expected AXIS=VALUE"),
        ("foam=yes", r"'foam=yes'.* Axes: surface, wall, tilt, flow, coupling, appliance"),
        ("wall=film,wall=scale", r"axis wall twice"),
        ("wall=wet", r"--condition, wall: 'wet'; expected clean, film, drops, scale"),
        ("wall=clean+film", r"'clean\+film'; expected clean, film"),
        ("surface=still:2-3", r"'still:2-3'; expected still, foam"),
        ("surface=foam:20", r"'20'; expected still, foam, foam:BOTTOM-TOP"),
        ("tilt=2", r"tilt: '2'; expected X:Y in degrees"),
        ("tilt=2:nan", r"tilt: '2:nan'; expected X:Y"),
        ("tilt=2:91", r"angles from -90 to 90"),
    ],
)
def test_conditions_refused(text: str, sentence: str) -> None:
    """What an axis does not have is refused with what it has."""
    with pytest.raises(InputError, match=sentence):
        read_conditions("--condition", text)


@given(conditions=ANY)
def test_text_and_json_round_trip(conditions: Conditions) -> None:
    """Conditions written as text or JSON are read back as they were."""
    assert conditions_from(conditions_content(conditions)) == conditions
    if conditions != Conditions():
        assert read_conditions("x", conditions_text(conditions)) == conditions


def write(path: Path, text: str) -> Path:
    path.write_text(text)
    return path


def test_stretches_by_frame_and_time(tmp_path: Path) -> None:
    """Stretches named by frames and by times are the same ones, both ends included; comments and empty cells
    are no condition.
    """
    frames = write(
        tmp_path / "f.csv", "# foam collapses\nfrom,to,surface,wall\n0,4,foam:20-45,film\n6,9,still,\n"
    )
    times = write(tmp_path / "t.csv", "from_ms,to_ms,surface,wall\n0,400,foam:20-45,film\n501,900,still,\n")
    expected = (Stretch(0, 5, FOAM_OVER_FILM), Stretch(6, 10, Conditions(surface=(Surface.STILL,))))
    assert read_stretches(frames, T_MS) == expected
    assert read_stretches(times, T_MS) == expected


def test_the_whole_fills_what_stretches_leave_open(tmp_path: Path) -> None:
    """Conditions of the whole session hold between the stretches and on axes they do not state; a still
    surface drops the foam.
    """
    path = write(tmp_path / "f.csv", "from,to,surface\n2,4,still\n5,7,sloshing\n")
    whole = replace(FOAM_OVER_FILM, coupling=Coupling.EARTHED)
    still = Conditions(surface=(Surface.STILL,), wall=(Wall.FILM,), coupling=Coupling.EARTHED)
    slosh = replace(still, surface=(Surface.SLOSHING,))
    assert read_stretches(path, T_MS, whole) == (
        Stretch(0, 2, whole),
        Stretch(2, 5, still),
        Stretch(5, 8, slosh),
        Stretch(8, 10, whole),
    )


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("from,to,wall\n", r"c.csv: no stretch"),
        (
            "from,to_ms,wall\n1,2,film\n",
            r"c.csv, line 1: columns from, to_ms, wall; expected from and to, or from_ms and to_ms",
        ),
        ("from,to,walls\n1,2,film\n", r"line 1: a column 'walls'; expected .*wall"),
        ("from,to,wall\n1,2\n", r"line 2: 2 cells; expected 3"),
        (f'from,to,wall\n1,2,"{"x" * 140_000}"\n', r"line 2: cannot be read \(field larger than field limit"),
        ("from,to,wall\n1,2,wet\n", r"line 2, column 'wall': 'wet'; expected clean"),
        ("from,to,wall\n1,x,film\n", r"line 2, column 'to': 'x'; expected a whole number"),
        (
            "from,to,wall\n1,10,film\n",
            r"line 2, column 'from': 1 to 10; expected at least one of the session's frames, within 0 to 9",
        ),
        (
            "from_ms,to_ms,wall\n901,950,film\n",
            r"901 to 950; expected at least one of the session's frames, within 0 to 900 ms",
        ),
        ("from,to,wall\n1,4,film\n4,6,drops\n", r"line 3: a stretch from frame 4; expected 5 or later"),
    ],
)
def test_stretches_refused(tmp_path: Path, text: str, sentence: str) -> None:
    """A fault is named by file, line and column."""
    with pytest.raises(InputError, match=sentence):
        read_stretches(write(tmp_path / "c.csv", text), T_MS)


@pytest.fixture
def store(template: Path, tmp_path: Path) -> Store:
    return Store.open(shutil.copy(template, tmp_path / "store.db"))


def test_stretches_are_kept_and_hashed(store: Store, register: Register) -> None:
    """Stretches come back from the store, count for the session's hash, and a session without them hashes as
    before them.
    """
    bench = register(store)
    plain = bench.session(1)
    stretches = (
        Stretch(0, 20, FOAM_OVER_FILM),
        Stretch(20, 40, Conditions(coupling=Coupling.FLOATING, appliance="pump on")),
    )
    foamy = replace(bench.session(2), stretches=stretches)
    store.add_sessions([plain, foamy])
    one, two = store.sessions()
    assert (one.stretches, two.stretches) == ((), stretches)
    assert store.frames(two, verify=True).counts.shape == (40, 2)
    assert session_sha256(replace(foamy, stretches=()), foamy.frames) != two.sha256
    with pytest.raises(StoreError, match="hashes to"):
        _verify(store, "UPDATE condition_stretch SET body = replace(body, 'film', 'drops')")


def _verify(store: Store, tamper: str) -> None:
    import sqlite3
    from contextlib import closing

    with closing(sqlite3.connect(store.path)) as connection:
        connection.execute("DROP TRIGGER guard_condition_stretch_update")
        connection.execute(tamper)
        connection.commit()
    store.frames(store.sessions()[1], verify=True)


@pytest.mark.parametrize(
    ("stretches", "sentence"),
    [
        ((Stretch(0, 41, FOAM_OVER_FILM),), "conditions of frames 0 to 41"),
        ((Stretch(5, 9, FOAM_OVER_FILM), Stretch(8, 10, FOAM_OVER_FILM)), "conditions of frames 8 to 10"),
        ((Stretch(0, 1, Conditions()),), "a stretch without a condition"),
        ((Stretch(0, 1, replace(FOAM_OVER_FILM, foam_mm=(45.0, 20.0))),), "foam from 45 to 20 mm"),
        (
            (Stretch(0, 1, replace(FOAM_OVER_FILM, foam_mm=(101.0, 120.0))),),
            "foam whose bottom lies at 101 mm; expected at most 100 mm",
        ),
    ],
)
def test_impossible_stretches_are_refused(
    store: Store, register: Register, stretches: tuple[Stretch, ...], sentence: str
) -> None:
    """Conditions must lie within the session and the tank."""
    bench = register(store)
    with pytest.raises(InputError, match=sentence):
        store.add_sessions([replace(bench.session(1), stretches=stretches)])
    assert store.sessions() == ()

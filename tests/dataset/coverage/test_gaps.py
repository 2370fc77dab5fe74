"""The matrix of what was captured: sessions count once a cell, void ones never, and what is
missing is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.canonical import conditions_content
from dataset.coverage.condition_words import condition_words, words_of_content
from dataset.coverage.gaps import Gaps, Registered, band_of, empty_bands, find_gaps, under, warmth_of
from dataset.errors import InputError
from dataset.records import (
    Conditions,
    Coupling,
    Flow,
    Frames,
    Liquid,
    Mark,
    Session,
    Stretch,
    Surface,
    Unit,
    Wall,
)
from dataset.store import Store

Register = Callable[[Store], Any]
STILL = Conditions(surface=(Surface.STILL,))
FOAM = Conditions(surface=(Surface.FOAM,), wall=(Wall.FILM,))


def gaps_of(
    sessions: list[Session], temperatures: Mapping[str, tuple[float, ...]] | None = None, **others: Any
) -> Gaps:
    nothing = {s.sha256: (math.nan,) * max(1, len(s.marks)) for s in sessions}
    return find_gaps(sessions, nothing | dict(temperatures or {}), **others)


@pytest.fixture
def session(new_store: Store, register: Register) -> Session:
    """A session of 40 frames on a tank of 100 mm: 15 mm on frames 0 to 10, 25 mm on frames 12 to 30."""
    return new_store.add_sessions([register(new_store).session(1)])[0]


def another(session: Session, number: int, **changes: Any) -> Session:
    return replace(session, id=f"{number:012x}", sha256=f"{number:064x}", **changes)


def test_a_session_counts_once_in_a_cell(session: Session) -> None:
    """However many marks lie in a band, the session counts once; a second session and another
    unit count on.
    """
    many = replace(session, marks=(Mark(0, 5, 11.0), Mark(5, 10, 15.0), Mark(10, 20, 25.0)))
    found = gaps_of([many, another(many, 1), another(many, 2, unit=Unit("unit2"))])
    (line,) = found.lines
    assert (line.bands, line.band_units) == ((0, 3, 3, 0, 0, 0, 0, 0, 0, 0), (0, 2, 2, 0, 0, 0, 0, 0, 0, 0))
    assert (line.sessions, line.units) == (3, 2)


def test_void_sessions_do_not_count(session: Session) -> None:
    """A void session is in no cell."""
    assert gaps_of([replace(session, void_reason="wrong")]).cells == ()


def test_conditions_split_a_session(session: Session) -> None:
    """Each stretch counts where its frames carry a level; labelled frames without a stretch are
    'not stated'.
    """
    found = gaps_of([replace(session, stretches=(Stretch(0, 10, STILL), Stretch(20, 40, FOAM)))])
    assert {line.condition: [k for k, n in enumerate(line.bands) if n] for line in found.lines} == {
        "still": [1],
        "foam, film": [2],
        "not stated": [2],
    }
    assert len(under(found.cells, "foam")) == len(under(found.cells, "film")) == 1
    assert len(under(found.cells, "all")) == 3


def test_a_ramp_passes_through_its_bands(session: Session) -> None:
    """A mark whose level moves counts in every band between its ends, whichever way it goes."""
    for start, stop in ((55.0, 12.0), (12.0, 55.0)):
        (line,) = gaps_of([replace(session, marks=(Mark(0, 40, start, level_stop_mm=stop),))]).lines
        assert line.bands == (0, 1, 1, 1, 1, 1, 0, 0, 0, 0)


def test_a_session_without_a_level(session: Session) -> None:
    """An unlabelled session counts, in no level band."""
    (line,) = gaps_of([replace(session, marks=())]).lines
    assert (sum(line.bands), line.sessions) == (0, 1)


def test_bands_of_levels() -> None:
    """Bands include their lower edge; the top of the span belongs to the last band."""
    assert [band_of(level, 120.0, 10) for level in (0.0, 11.99, 12.0, 119.9, 120.0)] == [0, 0, 1, 9, 9]


def test_bands_of_temperature() -> None:
    """Bands lie around multiples of their width, so that a room near 20 degrees is in one; nothing measured
    is said.
    """
    assert [warmth_of(t) for t in (19.0, 21.0, 15.0, 14.9, -6.0)] == [
        "15 to 25 C",
        "15 to 25 C",
        "15 to 25 C",
        "5 to 15 C",
        "-15 to -5 C",
    ]
    assert warmth_of(math.nan) == "not measured"
    assert warmth_of(60.0, 20.0) == "50 to 70 C"


def test_measured_temperatures(new_store: Store, register: Register) -> None:
    """The store gives the mean under each mark, without what was not measured, and NaN where nothing was."""
    bench = register(new_store)
    warm = np.concatenate(
        [np.full(10, 20.0), [np.nan, np.nan], np.full(9, 60.0), np.full(9, np.nan), np.full(10, 99.0)]
    )
    counts = np.arange(80, dtype=np.uint32).reshape(40, 2)
    measured = bench.session(1, frames=Frames(np.arange(40, dtype=np.int64) * 100, counts, warm))
    never = replace(
        bench.session(2, ()),
        frames=replace(measured.frames, counts=counts + 1, temperature_c=np.full(40, np.nan)),
    )
    plain = bench.session(3)
    added = new_store.add_sessions([measured, never, plain])
    found = new_store.mark_temperatures(added)
    assert found[added[0].sha256] == (20.0, 60.0)
    assert np.isnan(found[added[1].sha256]).tolist() == [True]
    assert np.isnan(found[added[2].sha256]).tolist() == [True, True]
    assert list(new_store.mark_temperatures(added[:1])) == [added[0].sha256]
    lines = {line.warmth for line in find_gaps(added, found).lines}
    assert lines == {"15 to 25 C", "55 to 65 C", "not measured"}


def test_what_is_missing_is_named(session: Session) -> None:
    """Levels without a session, conditions never captured, and tanks, liquids and units without a session, in
    the order that people count in.
    """
    foamy = replace(session, stretches=(Stretch(0, 40, FOAM),))
    known = Registered(("water", "oil"), ("unit1", "unit10", "unit2"), ("canister@1", "can@2"))
    found = gaps_of([foamy], registered=known)
    assert found.missing == (
        "canister@1, water: no session has a level in 0 to 10 mm, 30 to 100 mm",
        "canister@1: no labelled frame under sloshing, drops, scale, filling, draining, tilted, earthed",
        "tanks without a session: can@2",
        "liquids without a session: oil",
        "units without a session: unit2, unit10",
    )
    assert empty_bands(found.cells, 10) == [(0, 0), (3, 9)]
    assert gaps_of([], registered=known).missing == ()


def test_what_limits_ask_for_is_missing_first(session: Session) -> None:
    """A condition that limits speak of comes first; only what can be is missed: what is no condition of a
    bench is not, nor a liquid on a tank that it was never in, nor a temperature that its tank never had.
    """
    foamy = replace(session, stretches=(Stretch(0, 40, FOAM),))
    other = another(session, 1, liquid=Liquid("oil"))
    barrel = replace(session.mounting, tank=replace(session.mounting.tank, name="barrel"))
    elsewhere = another(session, 2, mounting=barrel)
    warm = {foamy.sha256: (20.0, 20.0), other.sha256: (60.0, 60.0), elsewhere.sha256: (40.0, 40.0)}
    asked = Registered(asked=("all", "foam", "sloshing", "lowest-pad", "oil"))
    missing = gaps_of([foamy, other, elsewhere], warm, registered=asked).missing
    levels = "no session has a level in 0 to 10 mm, 30 to 100 mm"
    assert missing == (
        "barrel@1: no labelled frame under foam, sloshing, which limits speak of",
        "canister@1: no labelled frame under sloshing, which limits speak of",
        f"barrel@1, water: {levels}",
        f"canister@1, oil: {levels}",
        "canister@1, oil: no labelled frame under foam, as other liquids were",
        "canister@1, oil: no session at 15 to 25 C, as with other liquids",
        f"canister@1, water: {levels}",
        "canister@1, water: no session at 55 to 65 C, as with other liquids",
        "barrel@1: no labelled frame under film, drops, scale, filling, draining, tilted, earthed",
        "canister@1: no labelled frame under drops, scale, filling, draining, tilted, earthed",
    )


def test_lines_stand_as_people_count(session: Session) -> None:
    """tank-2 before tank-10, 5 to 15 before 15 to 25, what was not measured last."""
    tanks = [replace(session.mounting.tank, name=f"tank-{k}") for k in (10, 2)]
    sessions = [
        another(session, k, mounting=replace(session.mounting, tank=tank), marks=session.marks[:1])
        for k, tank in enumerate([*tanks, tanks[1], tanks[1]])
    ]
    warm = {s.sha256: (t,) for s, t in zip(sessions, (20.0, 20.0, math.nan, 10.0), strict=True)}
    assert [(line.tank, line.warmth) for line in gaps_of(sessions, warm).lines] == [
        ("tank-2@1", "5 to 15 C"),
        ("tank-2@1", "15 to 25 C"),
        ("tank-2@1", "not measured"),
        ("tank-10@1", "15 to 25 C"),
    ]


def test_conditions_as_words() -> None:
    """Every stated axis is a word; a tilt of nothing is none."""
    every = Conditions(
        (Surface.FOAM, Surface.SLOSHING),
        (5.0, 9.0),
        (Wall.DROPS,),
        (0.0, 2.0),
        Flow.FILLING,
        Coupling.EARTHED,
        "pump on",
    )
    assert set(words_of_content(conditions_content(every))) == set(condition_words(every))
    assert condition_words(every) == ("foam", "sloshing", "drops", "filling", "tilted", "earthed", "pump on")
    for one in (STILL, FOAM, Conditions(), replace(STILL, tilt_deg=(0.0, 0.0), flow=Flow.STATIC)):
        assert words_of_content(conditions_content(one)) == condition_words(one)
    assert condition_words(replace(STILL, tilt_deg=(0.0, 0.0))) == ("still",)


@pytest.mark.parametrize("bands", [0, 21])
def test_bands_that_cannot_be(session: Session, bands: int) -> None:
    """As many bands as a line can show."""
    with pytest.raises(InputError, match="bands: "):
        gaps_of([session], bands=bands)

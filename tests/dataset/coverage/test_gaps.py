"""The matrix of what was captured: sessions count once a cell, void ones never, and what is
missing is named.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dataset.coverage.gaps import Gaps, band_of, condition_words, empty_bands, find_gaps, under, warmth_of
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
    sessions: list[Session], temperatures: dict[str, tuple[float, ...]] | None = None, **others: Any
) -> Gaps:
    nothing = {s.sha256: (math.nan,) * max(1, len(s.marks)) for s in sessions}
    return find_gaps(sessions, nothing | (temperatures or {}), **others)


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
    (line,) = gaps_of([replace(session, marks=(Mark(0, 40, 55.0, level_stop_mm=12.0),))]).lines
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
    """Levels without a session, conditions never captured, and liquids and units without a session."""
    foamy = replace(session, stretches=(Stretch(0, 40, FOAM),))
    found = gaps_of([foamy], liquids=[session.liquid, Liquid("oil")], units=[session.unit, Unit("unit2")])
    assert found.missing == (
        "canister@1, water: no session has a level in 0 to 10 mm, 30 to 100 mm",
        "canister@1: never captured under sloshing, drops, scale, filling, draining, tilted, earthed",
        "liquids without a session: oil",
        "units without a session: unit2",
    )
    assert empty_bands(found.cells, 10) == [(0, 0), (3, 9)]


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
    assert condition_words(every) == ("foam", "sloshing", "drops", "filling", "tilted", "earthed", "pump on")
    assert condition_words(replace(STILL, tilt_deg=(0.0, 0.0))) == ("still",)


@pytest.mark.parametrize("bands", [0, 21])
def test_bands_that_cannot_be(session: Session, bands: int) -> None:
    """As many bands as a line can show."""
    with pytest.raises(InputError, match="bands: "):
        gaps_of([session], bands=bands)

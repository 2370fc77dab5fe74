"""Bands of temperature: their edges, their names, and the band that a mark lies in."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.coverage.gaps import warmth_of
from dataset.coverage.roles import groups_of, names_of, spread_roles
from dataset.coverage.temperature_bands import (
    TemperatureBands,
    band_name,
    bands_of_width,
    check_edges,
    ends_of,
    mean_of,
    read_edges,
)
from dataset.errors import InputError
from dataset.records import (
    CountLaw,
    GroupBy,
    Liquid,
    Mark,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Tank,
    Unit,
)

MOUNTING = Mounting(
    "m", Tank("can", 1, 100.0), Sensor("strip", 1, (Pad(0, "a", 0, 50),), 16, CountLaw.RISES, 100)
)


def session(number: int, marks: int, liquid: str = "water") -> Session:
    """A session of marks of ten frames each, one after the other."""
    digest = f"{number:064x}"
    its = tuple(Mark(10 * k, 10 * k + 10, 5.0 * k) for k in range(marks))
    return Session(
        f"s{number}", digest, Unit("u"), Liquid(liquid), MOUNTING, 10 * marks, its, Source("x.csv", digest)
    )


def bands(edges: tuple[float, ...], *means: float) -> TemperatureBands:
    """Bands, and the means of the one session with as many marks."""
    return TemperatureBands(edges, {session(1, 0).sha256: means})


def test_a_band_holds_its_lower_edge_and_not_its_upper() -> None:
    """Half-open: a mean at an edge belongs to the band above it, the last number below the edge to the band
    below.
    """
    its = bands((5.0, 15.0, 25.0), 5.0, 14.9, math.nextafter(15.0, 0.0), 15.0, math.nextafter(25.0, 0.0))
    assert its.names_of(session(1, 5)) == ("5..15 C", "5..15 C", "5..15 C", "15..25 C", "15..25 C")
    assert names_of(session(1, 5), GroupBy.TEMPERATURE, its) == its.names_of(session(1, 5))


@pytest.mark.parametrize("mean", [25.0, 4.999, -5.0, 1e9])
def test_what_lies_in_no_band_is_refused(mean: float) -> None:
    with pytest.raises(
        InputError,
        match=r"session s1, frames 10 to 19: a mean of .* expected one within the bands, 5 to 25 C\. "
        r"Give one more edge",
    ):
        bands((5.0, 15.0, 25.0), 6.0, mean).of(session(1, 2))


def test_what_nobody_measured_is_refused() -> None:
    with pytest.raises(InputError, match="session s1, frames 10 to 19: no temperature was measured"):
        bands((5.0, 15.0, 25.0), 6.0, math.nan).of(session(1, 2))


def test_groups_come_coldest_first_with_their_frames() -> None:
    """Below zero too, where an order by the digits of a name would be another; a band without a mark is no
    group.
    """
    its = TemperatureBands(
        (-20.0, -10.0, 0.5, 15.0, 105.0),
        {session(k, 0).sha256: means for k, means in enumerate([(20.0, -15.0, -15.0), (-5.0, 20.0)])},
    )
    found = groups_of([session(0, 3), session(1, 2)], GroupBy.TEMPERATURE, its)
    assert [(g.name, g.frames, g.sessions) for g in found] == [
        ("-20..-10 C", 20, ("s0",)),
        ("-10..0.5 C", 10, ("s1",)),
        ("15..105 C", 20, ("s0", "s1")),
    ]


def test_a_draw_spreads_liquids_over_roles() -> None:
    """Bands are drawn like other groups: each role gets a band with each liquid."""
    sessions = [session(k, 2, liquid) for k, liquid in enumerate(("water", "soap"))]
    its = TemperatureBands((0.0, 10.0, 20.0), {s.sha256: (5.0, 15.0) for s in sessions})
    found = spread_roles(sessions, GroupBy.TEMPERATURE, {Role.FIT: 1, Role.PROVE: 1}, 0, its)
    assert set(found) == {"0..10 C", "10..20 C"}
    assert set(found.values()) == {Role.FIT, Role.PROVE}


@given(st.floats(-200, 900), st.floats(0.1, 100))
def test_bands_of_one_width_lie_around_its_multiples(temperature: float, kelvin: float) -> None:
    """Each temperature lies in exactly one: its ends hold it half-open and are one width apart, the middle is
    a multiple of the width.
    """
    low, high = ends_of(temperature, kelvin)
    assert low <= temperature < high
    assert high - low == pytest.approx(kelvin)
    assert ends_of(high, kelvin)[0] == high  # the next band begins there, to the bit
    assert (low + high) / 2 / kelvin == pytest.approx(round((low + high) / 2 / kelvin), abs=1e-6)
    assert warmth_of(temperature, kelvin) == f"{low:g} to {high:g} C"  # the bands of 'innage gaps'
    its = bands_of_width(kelvin, {session(1, 0).sha256: (temperature,)})
    assert (its.edges_c, its.of(session(1, 1))) == ((low, high), (0,))


def test_edges_of_one_width_are_those_of_bands_with_a_mark() -> None:
    """A room at 20 C is in one band of ten degrees; what nobody captured between the bands needs no edges."""
    its = bands_of_width(10.0, {session(1, 0).sha256: (20.3, 14.99, 61.0)})
    assert its.edges_c == (5.0, 15.0, 25.0, 55.0, 65.0)
    assert its.names_of(session(1, 3)) == ("15..25 C", "5..15 C", "55..65 C")


@pytest.mark.parametrize(
    ("edges", "sentence"),
    [
        ("5", "5; expected at least two edges"),
        ("", "''; expected degrees Celsius, separated by commas"),
        ("5,warm", "'5,warm'; expected degrees Celsius, separated by commas"),
        ("15,5", "15, 5; expected edges that rise"),
        ("5,15,15", "5, 15, 15; expected edges that rise, each at least 0.1 above"),
        ("5,5.05", "expected edges that rise"),
        ("nan,5", "nan, 5; expected degrees Celsius from -273.15 to 1000"),
        ("5,inf", "5, inf; expected degrees Celsius from"),
        ("-300,5", "-300, 5; expected degrees Celsius from"),
    ],
)
def test_edges_that_cannot_be(edges: str, sentence: str) -> None:
    with pytest.raises(InputError) as refused:
        read_edges("--edges-c", edges)
    assert sentence in str(refused.value)


@pytest.mark.parametrize("kelvin", [0.0, -1.0, 0.05, math.nan, math.inf])
def test_widths_that_cannot_be(kelvin: float) -> None:
    with pytest.raises(InputError, match="kelvin: "):
        bands_of_width(kelvin, {})


def test_edges_as_they_are_kept() -> None:
    """Numbers of one value are one; there is one zero."""
    assert [str(edge) for edge in check_edges("x", (-0.0, 15))] == ["0.0", "15.0"]
    assert read_edges("x", " -5 , 15.5,25") == (-5.0, 15.5, 25.0)


@pytest.mark.parametrize("text", ["15..25 C", "15..25", "15.0..25C", " 15 .. 2.5e1 °C "])
def test_names_as_people_type_them(text: str) -> None:
    assert band_name(text.strip()) == "15..25 C" == bands((15.0, 25.0)).names[0]


@pytest.mark.parametrize("text", ["rest", "warm", "15", "a..b", ".."])
def test_other_words_stay_as_they_are(text: str) -> None:
    assert band_name(text) == text


def test_a_mean_is_the_same_in_any_order_and_on_every_machine() -> None:
    """Correctly rounded (Shewchuk, Discrete & Computational Geometry 18 (1997) 305), where adding one by one
    gives 0; what is NaN is left out.
    """
    values = [1e16, 1.0, math.nan, -1e16]
    assert mean_of(values) == mean_of(values[::-1]) == 1 / 3
    assert math.isnan(mean_of([math.nan]))


def test_frames_outside_their_mark_s_band_are_counted() -> None:
    """Only labelled frames that were measured count, each against the band of its own mark."""
    warm = np.concatenate([np.full(8, 14.0), [16.0, math.nan], np.full(9, 20.0), [25.0], np.full(5, 99.0)])
    assert bands((5.0, 15.0, 25.0), 14.2, 20.5).outside(session(1, 2), warm) == 2

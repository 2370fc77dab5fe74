"""Groups and roles: what may be split, and how."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.coverage.roles import (
    Group,
    assemble,
    check_sessions,
    groups_of,
    levels_of,
    named_roles,
    spread_roles,
)
from dataset.errors import InputError
from dataset.records import (
    Conditions,
    CountLaw,
    Frames,
    FrozenSet,
    GroupBy,
    Liquid,
    Mark,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Stretch,
    Surface,
    Tank,
    Unit,
    Wall,
)
from dataset.values import natural

SENSOR = Sensor("strip", 1, (Pad(0, "a", 0, 50),), 16, CountLaw.RISES, 100)


def session(
    number: int,
    marks: tuple[Mark, ...],
    unit: str = "u1",
    liquid: str = "water",
    revision: int = 1,
    sensor: Sensor = SENSOR,
) -> Session:
    mounting = Mounting("m", Tank("can", revision, 100.0), sensor)
    digest = f"{number:064x}"
    return Session(
        f"s{number}", digest, Unit(unit), Liquid(liquid), mounting, 100, marks, Source("x.csv", digest)
    )


SESSIONS = (
    session(1, (Mark(0, 10, 5.0), Mark(10, 20, 15.0))),
    session(2, (Mark(0, 3, 15.0), Mark(50, 51, 2.5)), unit="u2", revision=2),
    session(3, (Mark(7, 9, 100.0),), unit="u2", liquid="soap"),
)


@pytest.mark.parametrize(
    ("group_by", "expected"),
    [
        (GroupBy.SESSION, {"s1": (20, 1), "s2": (4, 1), "s3": (2, 1)}),
        (GroupBy.UNIT, {"u1": (20, 1), "u2": (6, 2)}),
        (GroupBy.LIQUID, {"soap": (2, 1), "water": (24, 2)}),
        (GroupBy.TANK, {"can@1": (22, 2), "can@2": (4, 1)}),
        (GroupBy.LEVEL, {"2.5": (1, 1), "5": (10, 1), "15": (13, 2), "100": (2, 1)}),
    ],
)
def test_groups(group_by: GroupBy, expected: dict[str, tuple[int, int]]) -> None:
    """Labelled frames are counted by session, unit, liquid, tank revision or level, in natural order; one
    level of two sessions is one group.
    """
    found = groups_of(SESSIONS, group_by)
    assert {g.name: (g.frames, len(g.sessions)) for g in found} == expected
    assert [g.name for g in found] == list(expected)


def test_natural_order() -> None:
    """Numbers inside names order by value."""
    assert sorted(["10", "9.5", "b", "u10", "u9", "0"], key=natural) == ["0", "9.5", "10", "b", "u9", "u10"]


def groups(n: int) -> list[Group]:
    return [Group(f"g{k}", 1, ()) for k in range(n)]


def test_named_roles() -> None:
    """Named groups get their role, and 'rest' the others."""
    assert named_roles(groups(3), {Role.FIT: ["g1"], Role.PROVE: ["rest"]}) == {
        "g1": Role.FIT,
        "g0": Role.PROVE,
        "g2": Role.PROVE,
    }
    assert named_roles(groups(2), {Role.FIT: ["g1"], Role.PROVE: ["g0"]}) == {
        "g1": Role.FIT,
        "g0": Role.PROVE,
    }


REFUSED: dict[str, tuple[dict[Role, list[str]], str]] = {
    "unknown": ({Role.FIT: ["g7"], Role.PROVE: ["rest"]}, r"fit: no group is called 'g7'. There are: g"),
    "two roles": ({Role.FIT: ["g0", "g1"], Role.PROVE: ["g1", "g2"]}, "group g1 is named under fit already"),
    "twice": ({Role.FIT: ["g0", "g0"], Role.PROVE: ["rest"]}, "g0 is named twice"),
    "left over": ({Role.FIT: ["g0"], Role.PROVE: ["g1"]}, "no role for 1 group: g2"),
    "two rests": ({Role.FIT: ["rest"], Role.PROVE: ["rest"]}, "fit and prove both take the rest"),
    "empty rest": ({Role.FIT: ["g0", "g1", "g2"], Role.PROVE: ["rest"]}, "no group is left for 'rest'"),
}


@pytest.mark.parametrize(("wanted", "sentence"), REFUSED.values(), ids=REFUSED.keys())
def test_named_roles_refused(wanted: dict[Role, list[str]], sentence: str) -> None:
    """Every group exactly one role; what is unknown is refused with the groups there are."""
    with pytest.raises(InputError, match=sentence):
        named_roles(groups(3), wanted)


def fleet(liquids: dict[str, int]) -> list[Session]:
    """Units named u0, u1, ... with one session each, so many with each liquid."""
    names = [liquid for liquid, number in liquids.items() for _ in range(number)]
    return [session(k, (Mark(0, 10, 5.0),), unit=f"u{k}", liquid=liquid) for k, liquid in enumerate(names)]


NUMBERS = {Role.FIT: 10, Role.CHOOSE: 5, Role.CALIBRATE: 9, Role.PROVE: 6}


@pytest.mark.longer
@given(st.integers(0, 10000))
def test_every_role_sees_every_liquid(seed: int) -> None:
    """Each liquid on at least as many units as there are roles reaches every role; the numbers are kept to
    exactly.
    """
    sessions = fleet({"water": 4, "soap": 18, "aid": 8})
    found = spread_roles(sessions, GroupBy.UNIT, NUMBERS, seed)
    assert Counter(found.values()) == NUMBERS
    assert {(found[s.unit.name], s.liquid.name) for s in sessions} == {
        (role, liquid) for role in Role for liquid in ("water", "soap", "aid")
    }


def test_a_spread_is_the_same_again_and_another_with_another_seed() -> None:
    """The order in which sessions are given plays no part."""
    sessions = fleet({"water": 15, "soap": 15})
    found = spread_roles(sessions, GroupBy.UNIT, NUMBERS, 1)
    assert spread_roles(sessions[::-1], GroupBy.UNIT, NUMBERS, 1) == found
    assert spread_roles(sessions, GroupBy.UNIT, NUMBERS, 2) != found


@pytest.mark.parametrize(
    "numbers", [{Role.FIT: 2, Role.PROVE: 2}, {Role.FIT: 3, Role.PROVE: 0}, {Role.FIT: 4, Role.PROVE: -1}]
)
def test_spread_refused(numbers: dict[Role, int]) -> None:
    """Numbers are above 0 and give every group a role."""
    with pytest.raises(InputError, match="sum to the 3 groups"):
        spread_roles(fleet({"water": 3}), GroupBy.UNIT, numbers, 0)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"count_bits": 12}, "count bits: 16 in session s1 .* 12 in session s9"),
        ({"count_law": CountLaw.FALLS}, "count law: rises in session s1"),
        ({"period_ms": 50}, "period in ms: 100 in session s1"),
        ({"pads": (Pad(0, "a", 0, 1), Pad(1, "b", 1, 1))}, "channels: 1 in session s1"),
    ],
)
def test_sensors_must_be_alike(change: dict[str, Any], sentence: str) -> None:
    """Sessions of sensors that count differently are refused, with what differs and where; a wider period
    tolerance does no harm.
    """
    other = session(9, (Mark(0, 1, 1.0),), sensor=replace(SENSOR, revision=2, **change))
    with pytest.raises(InputError, match=sentence):
        check_sessions([*SESSIONS, other])
    check_sessions(
        [*SESSIONS, session(9, (Mark(0, 1, 1.0),), sensor=replace(SENSOR, period_tolerance_pct=20))]
    )


def test_rows_are_those_of_each_mark() -> None:
    """All rows at once are what each mark says by itself: frames without a label left out, marks one frame
    long, a millisecond apart and on ramps, bit for bit; a session without temperatures beside one with.
    """
    clean, foam = Conditions(wall=(Wall.CLEAN,)), Conditions(surface=(Surface.FOAM,))
    marks = (Mark(1, 2, 3.0, 0.4, 0.3, 9.0), Mark(2, 3, 7.0), Mark(3, 7, 0.1, 0.2, None, 0.7))
    ramps = (Mark(0, 5, 1 / 3, None, None, 17.7), Mark(6, 9, 50.0, 1.0))
    stretches = (Stretch(0, 4, clean), Stretch(2, 8, foam))
    one = replace(session(1, marks), frames=8, stretches=stretches)
    two = replace(session(2, ramps), frames=9, stretches=(Stretch(5, 9, clean),))
    t_ms = np.array([*range(1_700_000_000_000, 1_700_000_000_004), *range(10**13, 10**13 + 4)])
    frames = (
        Frames(t_ms, np.arange(16, dtype=np.uint32).reshape(8, 2), np.arange(8) / 3),
        Frames(np.arange(9) * 97, np.asfortranarray(np.arange(18, dtype=np.uint32).reshape(9, 2)), None),
    )
    roles = ((one.id, Role.FIT), (two.id, Role.PROVE))
    frozen = FrozenSet("set", "", GroupBy.SESSION, roles, (one, two))
    data = assemble(frozen, frames)
    at = 0
    for number, (said, recorded) in enumerate(zip((one, two), frames, strict=True)):
        np.testing.assert_array_equal(data.frames[number].counts, recorded.counts)
        assert data.frames[number].counts.flags.c_contiguous
        for mark in said.marks:
            rows, under = slice(at, at + mark.stop - mark.start), slice(mark.start, mark.stop)
            np.testing.assert_array_equal(data.counts[rows], recorded.counts[under])
            np.testing.assert_array_equal(data.t_ms[rows], recorded.t_ms[under])
            np.testing.assert_array_equal(data.level_mm[rows], levels_of(mark, recorded.t_ms))
            np.testing.assert_array_equal(data.frame[rows], np.arange(mark.start, mark.stop))
            warm = recorded.temperature_c
            np.testing.assert_array_equal(data.temperature_c[rows], np.nan if warm is None else warm[under])
            u_mm = np.nan if mark.u_mm is None else np.hypot(mark.u_mm, mark.u_common_mm or 0)
            np.testing.assert_array_equal(data.u_mm[rows], u_mm)
            assert set(data.session[rows]) == set(data.group[rows]) == {number}
            at = rows.stop
    assert (len(data.counts), data.frames[1].temperature_c) == (at, None)
    stated = [data.conditions[k] for k in data.condition]
    assert stated == [clean, *[foam] * 5, *[Conditions()] * 5, *[clean] * 3]
    assert data.counts.dtype == data.t_ms.dtype == np.int64

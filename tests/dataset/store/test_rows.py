"""Rows that are read past the mapper, from tables as small as can be."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing

import pytest

from dataset.errors import StoreError
from dataset.store.reading import rows
from dataset.store.reading.rows import Rows


@pytest.fixture
def tables() -> Iterator[sqlite3.Connection]:
    """Three mountings of two tanks, the third of none that is there; two sensors, one with pads."""
    with closing(sqlite3.connect(":memory:")) as connection:
        connection.executescript(
            "CREATE TABLE tank (id INTEGER, name TEXT); INSERT INTO tank VALUES (1, 'can'), (2, 'tub');"
            "CREATE TABLE mounting (id INTEGER, tank_id INTEGER, sensor_id INTEGER);"
            "INSERT INTO mounting VALUES (1, 2, 7), (2, 1, 7), (3, 9, NULL);"
            "CREATE TABLE sensor (id INTEGER, count_law TEXT);"
            "INSERT INTO sensor VALUES (7, 'rises'), (8, 'falls');"
            "CREATE TABLE pad (sensor_id INTEGER, channel INTEGER, role TEXT);"
            "INSERT INTO pad VALUES (7, 1, 'level'), (7, 0, 'reference');"
        )
        yield connection


@pytest.mark.parametrize("whole", [True, False])
@pytest.mark.parametrize("at_once", [1, 500])
def test_what_rows_lead_to_is_looked_up_together(
    tables: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch, whole: bool, at_once: int
) -> None:
    """Each row has its own, however many are asked for at once, and all of them by as many statements as
    that takes.
    """
    monkeypatch.setattr(rows, "AT_ONCE", at_once)
    read = Rows(tables, whole=whole)
    mountings = read.select("mounting", "WHERE id < 3 ORDER BY id")
    statements: list[str] = []
    tables.set_trace_callback(statements.append)
    assert [mounting.tank.name for mounting in mountings] == ["tub", "can"]
    assert len(statements) == (1 if whole or at_once > 1 else 2)
    assert [[pad.channel for pad in mounting.sensor.pads] for mounting in mountings] == [[0, 1]] * 2
    assert mountings[0].sensor is mountings[1].sensor
    assert [len(sensor.pads) for sensor in read.select("sensor", "ORDER BY id")] == [2, 0]


@pytest.mark.parametrize("whole", [True, False])
def test_a_row_that_leads_to_none_that_is_there(tables: sqlite3.Connection, whole: bool) -> None:
    """It is named; where nothing is stated there is nothing to lead to."""
    (third,) = Rows(tables, whole=whole).select("mounting", "WHERE id = 3")
    with pytest.raises(StoreError, match="mounting 3: refers to a row of tank that is not there"):
        _ = third.tank
    assert third.sensor is None
    with pytest.raises(AttributeError, match="a row of mounting has no 'liquid'"):
        _ = third.liquid

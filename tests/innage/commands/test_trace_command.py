"""``innage trace`` as a user calls it: any file of a bundle, its zip file too, leads to units, liquids, trims
and source files.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import zipfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from building import WATER, Bench, bench_store, put, two_pads
from dataset.documents import name_of
from dataset.records import (
    CheckMeasurement,
    CheckStandard,
    Frames,
    GroupBy,
    Instrument,
    InstrumentKind,
    Liquid,
    Mark,
    Model,
    Occasion,
    Role,
    Source,
    StandardKind,
    Tank,
    Trim,
    TrimKind,
)
from dataset.store import Store
from export.bundle.packing import pack
from innage.cli import app

FILES = {
    name: name.encode()
    for name in (
        "innage.c",
        "innage.h",
        "innage.onnx",
        "innage_scan.onnx",
        "manifest.json",
        "report.html",
        "vectors.csv",
    )
}


def sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Three simulated units in two liquids, each twice, with dry trims, frozen, trained and exported."""
    path = tmp_path_factory.mktemp("store") / "innage.db"
    with Store.open(path) as opened:
        bench = bench_store(
            opened,
            tank=Tank("canister", 0, 100.0),
            sensor=two_pads("two-pad"),
            liquid=Liquid("rinse"),
            unit=("unit-1", "unit-2", "unit-3"),
            mounting="bench",
        )
        liquids = (bench.liquid, *put(opened, WATER))
        sessions, seed = [], 0
        for unit in bench.units:
            opened.add_trim(Trim(unit, bench.mounting, TrimKind.DRY, (2050, 2050), "2026-01-01", "line"))
            for liquid in liquids:
                for _ in range(2):
                    seed += 1
                    counts = np.random.default_rng(seed).integers(2000, 2100, (40, 2)).astype(np.uint32)
                    frames, marks = (
                        Frames(np.arange(40, dtype=np.int64) * 100, counts),
                        (Mark(0, 20, 10.0), Mark(20, 40, 10.0 * seed % 90)),
                    )
                    new = bench.session(seed, marks, unit=unit, liquid=liquid, frames=frames)
                    source = Source(f"day{seed}.csv", sha256(str(seed).encode()))
                    sessions.append(replace(new, source=source, simulated=True))
        kept = opened.add_sessions(sessions)
        roles = {"unit-1": Role.FIT, "unit-2": Role.CHOOSE, "unit-3": Role.PROVE}
        frozen = opened.freeze("spring", list(kept), GroupBy.UNIT, roles)
        model = opened.add_model(Model("first", "ab" * 32, frozen, None, "{}", "{}", "{}", "{}", b"float"))
        opened.add_export(
            model,
            "cd" * 32,
            {name: sha256(content) for name, content in (FILES | {"bundle.zip": pack(FILES)}).items()},
        )
    return path.read_bytes()


@pytest.fixture
def store(filled: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Store]:
    """A copy of the filled store, which the command uses."""
    path = tmp_path / "innage.db"
    path.write_bytes(filled)
    monkeypatch.setenv("INNAGE_STORE", str(path))
    with Store.open(path) as opened:
        yield opened


def trace(tmp_path: Path, content: bytes, *options: str) -> Result:
    path = tmp_path / "renamed.bin"
    path.write_bytes(content)
    return CliRunner().invoke(app, ["trace", str(path), *options])


@pytest.mark.longer
@pytest.mark.usefixtures("store")
@pytest.mark.parametrize("name", [*FILES, "bundle.zip"])
def test_any_file_leads_to_the_readings(tmp_path: Path, name: str) -> None:
    """Moved and renamed, each file of the bundle and the zip file itself lead to all sessions with their
    sources, and to all trims.
    """
    done = trace(tmp_path, (FILES | {"bundle.zip": pack(FILES)})[name], "--json")
    assert done.exit_code == 0, done.output
    (found,) = json.loads(done.stdout)["exports"]
    assert (found["exported_as"], found["model"]["name"], found["frozen_set"]["name"]) == (
        name,
        "first",
        "spring",
    )
    assert {s["source"]["sha256"] for s in found["sessions"]} == {
        sha256(str(k).encode()) for k in range(1, 13)
    }
    assert [t["unit"] for t in found["frozen_set"]["trims"]].count("unit-2") == 1
    assert all(s["simulated"] for s in found["sessions"])


@pytest.mark.longer
def test_frames_that_were_computed_are_told_from_measured_ones(store: Store, tmp_path: Path) -> None:
    """A model that was fitted on an earlier tank's sessions too, superposed: how many frames, of which
    sessions, on whose response; of a model fitted on its own set alone nothing is said.
    """
    superposed = {
        "frames": 160,
        "sessions": ["aaaa00000001", "aaaa00000002"],
        "response_of": ["bbbb00000001"],
        "weight": 0.5,
    }
    recipe = {
        "family": "array net",
        "size": "8",
        "earlier": {"name": "winter", "joined_sha256": "0" * 64},
        "superposed": superposed,
    }
    first = store.model("first")
    second = store.add_model(replace(first, name="second", sha256="ba" * 32, recipe=json.dumps(recipe)))
    store.add_export(second, "dc" * 32, {"other.c": sha256(b"other")})
    (found,) = json.loads(trace(tmp_path, b"other", "--json").stdout)["exports"]
    assert (found["earlier"]["frozen_set"], found["earlier"]["superposed"]) == ("winter", superposed)
    text = " ".join(trace(tmp_path, b"other").stdout.split())
    assert "160 frames that were computed, not measured: 2 sessions of an earlier tank" in text
    (alone,) = json.loads(trace(tmp_path, FILES["innage.c"], "--json").stdout)["exports"]
    assert alone["earlier"] is None


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_the_summary_has_a_row_for_each_unit_and_liquid(tmp_path: Path) -> None:
    """Six rows for twelve sessions, with frames, trims and what is simulated; no session by itself until
    --all asks for them.
    """
    text = trace(tmp_path, FILES["innage.c"]).stdout
    rows = [line.split() for line in text.splitlines() if line.startswith("unit-")]
    assert [row[:2] for row in rows] == [
        [f"unit-{k}", liquid] for k in (1, 2, 3) for liquid in ("rinse", "water")
    ]
    assert all(row[2:4] == ["2", "80"] and row[-3:] == ["1", "dry", "simulated"] for row in rows)
    assert "mounting bench on tank canister@1" in text
    assert "12 from 12 files, 480 frames" in text
    assert "3 dry" in text
    assert "spring (simulated)" in text
    assert "day7.csv" not in text
    assert len(text.splitlines()) < 30


@pytest.mark.longer
def test_a_bench_day_that_was_out_and_a_retired_instrument_are_told(store: Store, tmp_path: Path) -> None:
    """Of a session that came in before its day's standard was measured, until that measurement is void."""
    scale = store.add_instrument(Instrument("s1", InstrumentKind.SCALE, "2026-01-10", 0.8))
    captured = store.sessions()[0]
    bench = Bench(
        captured.mounting.tank, captured.liquid, captured.mounting.sensor, captured.mounting, (captured.unit,)
    )
    on_its_day = replace(
        bench.session(91),
        simulated=True,
        instruments=(name_of(scale),),
        occasion=Occasion(started="2026-03-21T09:00:00+00:00"),
    )
    (late,) = store.add_sessions([on_its_day])
    frozen = store.freeze("day", [late], GroupBy.UNIT, {"unit-1": Role.FIT})
    model = store.add_model(replace(store.model("first"), name="fourth", sha256="fa" * 32, frozen=frozen))
    store.add_export(model, "af" * 32, {"fourth.c": sha256(b"fourth")})
    block = store.add_check_standard(CheckStandard("glass", StandardKind.BLOCK, bench.sensor))
    for day in range(1, 22):
        counts = (140.0 if day == 21 else 100.0 + day % 2, 50.0)
        store.add_check_measurement(CheckMeasurement(block, f"2026-03-{day:02d}", counts))
    store.retire("instrument", "s1", "dropped")
    text = " ".join(trace(tmp_path, b"fourth").stdout.split())
    assert "RETIRED instrument s1 dropped" in text
    assert f"BENCH DAY {late.id} check standard glass" in text
    store.void_check_measurement(block, "2026-03-21", "mistyped")
    (export,) = json.loads(trace(tmp_path, b"fourth", "--json").stdout)["exports"]
    assert [session["check_standards"] for session in export["sessions"]] == [[]]


@pytest.mark.longer
def test_trims_stand_with_the_unit_as_lists_call_it(store: Store, tmp_path: Path) -> None:
    """A set frozen beside a unit of another bench with the same name calls its own unit by bench, and a list
    here does not: the trims are of one row with its sessions.
    """
    with Store.open(tmp_path / "far.db", bench="fa" * 16) as far:
        there = bench_store(
            far,
            tank=Tank("canister", 0, 100.0),
            sensor=two_pads("two-pad"),
            liquid=Liquid("rinse"),
            unit=("unit-1",),
            mounting="bench",
        )
        far.add_sessions([replace(there.session(77), simulated=True)])
    store.merge(tmp_path / "far.db")
    roles = dict.fromkeys(("unit-1", "unit-1@fafafa", "unit-2", "unit-3"), Role.FIT)
    frozen = store.freeze("beside", list(store.sessions()), GroupBy.UNIT, roles)
    assert {trim.unit.name for trim in frozen.trims}.isdisjoint({"unit-1", "unit-1@fafafa"})
    model = store.add_model(replace(store.model("first"), name="third", sha256="ef" * 32, frozen=frozen))
    store.add_export(model, "fe" * 32, {"third.c": sha256(b"third")})
    text = trace(tmp_path, b"third").stdout
    rows = [line.split() for line in text.splitlines() if line.startswith("unit-")]
    trims = [(row[0], row[-3:]) for row in rows if row[0].startswith("unit-1")]
    assert trims == [
        ("unit-1", ["1", "dry", "simulated"]),
        ("unit-1", ["1", "dry", "simulated"]),
        ("unit-1@fafafa", [trims[2][1][0], "-", "simulated"]),
    ]


@pytest.mark.longer
def test_all_lists_sessions_trims_and_files(store: Store, tmp_path: Path) -> None:
    """With --all every session, trim and source file with its SHA-256 stands in the output."""
    text = trace(tmp_path, FILES["innage.c"], "--all").stdout
    flat = "".join(text.split())
    for session in store.sessions():
        assert session.id in flat
        assert session.source.sha256 in flat
    assert text.count("2050 2050") == 3
    assert "--all" not in text


@pytest.mark.longer
def test_void_sessions_stand_in_front(store: Store, tmp_path: Path) -> None:
    """A session voided since is named with its reason, and counted in the row of its unit."""
    session = store.void(store.sessions()[4].id, "the scale was not zeroed")
    text = trace(tmp_path, FILES["innage.c"]).stdout
    assert f"VOID {session.id}" in text
    assert "VOID: the scale was not zeroed" in " ".join(text.split())
    (row,) = [
        line
        for line in text.splitlines()
        if line.startswith(f"{session.unit.name} ") and session.liquid.name in line
    ]
    assert row.rstrip().endswith("simulated, 1 void")


@pytest.mark.longer
def test_sessions_amended_since_stand_in_front(store: Store, tmp_path: Path) -> None:
    """Marks amended after the freeze are named with author and reason, each amendment, and counted; JSON
    lists them.
    """
    session = store.sessions()[2]
    for level, reason in ((12.0, "scale was off"), (13.0, "once more")):
        store.amend_marks(session.id, [Mark(0, 20, level)], "A. Bench", reason)
    text = " ".join(trace(tmp_path, FILES["innage.c"]).stdout.split())
    assert f"AMENDED {session.id} marks amended since by A. Bench: scale was off" in text
    assert "A. Bench: once more" in text
    assert "simulated, 1 amended" in text
    (export,) = json.loads(trace(tmp_path, FILES["innage.c"], "--json").stdout)["exports"]
    amended = {s["id"]: [a["reason"] for a in s["amended"]] for s in export["sessions"] if s["amended"]}
    assert amended == {session.id: ["scale was off", "once more"]}


@pytest.mark.longer
def test_missing_blocks_are_said(store: Store, tmp_path: Path) -> None:
    """A session whose frames are gone is named; the trace goes on with the others."""
    session = store.sessions()[1]
    with closing(sqlite3.connect(store.path)) as connection:
        connection.execute("DROP TRIGGER guard_frame_block_delete")
        connection.execute("DELETE FROM frame_block WHERE session_id = 2")
        connection.commit()
    done = trace(tmp_path, FILES["innage.c"])
    text = " ".join(done.stdout.split())
    assert f"DAMAGED {session.id} its readings are not as they were sealed: 0 frames are there" in text
    assert "1 damaged" in text
    (export,) = json.loads(trace(tmp_path, FILES["innage.c"], "--json").stdout)["exports"]
    assert [s["id"] for s in export["sessions"] if s["damage"] is not None] == [session.id]


def test_a_file_that_was_logged_is_named_as_such(store: Store, tmp_path: Path) -> None:
    """It is no export, so the exit code stays 1; the session that it was logged as is said. The file of the
    third session holds '3'.
    """
    done = trace(tmp_path, b"3")
    assert done.exit_code == 1
    assert f"It is a file that was logged, as session {store.sessions()[2].id}: 'innage show" in done.stdout
    assert "It may have been changed after the export" in trace(tmp_path, b"none of them").stdout


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_an_archive_packed_later_is_known_by_its_manifest(tmp_path: Path) -> None:
    """A folder zipped by hand is traced through the manifest in it, which is said; one with another manifest
    is not known.
    """
    path = tmp_path / "later.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in FILES.items():
            archive.writestr(name, content)
    done = trace(tmp_path, path.read_bytes())
    assert done.exit_code == 0
    assert "packed after the export" in done.stdout
    other = trace(tmp_path, pack(FILES | {"manifest.json": b"{}"}))
    assert other.exit_code == 1
    assert "no export of this store wrote this file" in other.stdout
    assert trace(tmp_path, b"PK\x03\x04 no archive").exit_code == 1


@pytest.mark.longer
@pytest.mark.usefixtures("store")
def test_a_folder_leads_to_the_readings_and_names_what_is_other(tmp_path: Path) -> None:
    """A bundle's folder is traced by its manifest; a file that was edited in it, or added to it, is named."""
    folder = tmp_path / "handed over"
    folder.mkdir()
    refused = CliRunner().invoke(app, ["trace", str(folder)])
    assert (refused.exit_code, "a folder without manifest.json" in refused.stderr) == (2, True)
    for name, content in FILES.items():
        (folder / name).write_bytes(content)
    done = CliRunner().invoke(app, ["trace", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    assert (facts["file"], facts["strangers"]) == ("handed over", [])
    assert [export["exported_as"] for export in facts["exports"]] == ["manifest.json"]
    (folder / "innage.c").write_text("edited", encoding="utf-8")
    (folder / "innage.h").write_bytes(FILES["innage.onnx"])  # of the bundle, but another file of it
    (folder / "notes.txt").write_text("ours", encoding="utf-8")
    text = CliRunner().invoke(app, ["trace", str(folder)]).stdout
    assert "not as exported: innage.c, innage.h, notes.txt." in text

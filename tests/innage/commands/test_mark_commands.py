"""Marks proposed, set, amended and listed on the command line; what frozen sets keep."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from building import put
from calling import OSCILLATOR, READINGS, run, run_json
from dataset.records import Tank
from dataset.store import Store
from dataset.tanks.profile import stack, to_json
from dataset.tanks.shapes import Cylinder

COLUMNS = ["--time", "elapsed_ms", "--count", "N_counts"]
COLUMNS += ["--level", "level_cm", "--level-unit", "cm", "--level-u-mm", "0.5"]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with the real readings, logged with their level column."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        with Store.open(path) as store:
            put(store, Tank("can", 0, 100.0, profile=to_json(stack([Cylinder(100.0, 120.0)]))))
        run("liquid", "add", "water", "--density-kg-m3", 998.2, "--temperature-c", 20)
        run("unit", "add", "u1")
        run(*OSCILLATOR.split())
        run("mounting", "add", "m-osc", "--tank", "can", "--sensor", "osc")
        run("log", READINGS, "--mounting", "m-osc", "--liquid", "water", "--unit", "u1", *COLUMNS)
    return path.read_bytes()


def session() -> Any:
    return run_json("sessions")[0]


def test_proposals_are_filled_in_and_set(store: Path, tmp_path: Path) -> None:
    """Proposed stretches come as a file to fill in; lines left empty give no mark, the others become the
    session's marks.

    Source: the level column of innage/demo_data/levels_tidy.csv.
    """
    id_ = session()["id"]
    found = run_json("mark", "propose", id_, "--out", tmp_path / "marks.csv")
    levels = {(m["start"], m["stop"]): m["level_mm"] for m in run_json("show", id_)["marks"]}
    assert all(sum(a <= f["start"] and f["stop"] <= b for a, b in levels) == 1 for f in found)
    lines = (tmp_path / "marks.csv").read_text().splitlines()
    assert lines[0] == "from,to,level_mm,u_mm"
    assert len(lines) == len(found) + 1
    filled = [lines[0], lines[1].replace(",,", ",0,0.5"), lines[2], lines[3].replace(",,", ",10,0.5")]
    (tmp_path / "marks.csv").write_text("\n".join(filled))
    said = run(
        "mark",
        "set",
        id_,
        "--marks",
        tmp_path / "marks.csv",
        "--author",
        "A. Bench",
        "--reason",
        "only what stood still",
    )
    assert "2 marks over" in said
    shown = run_json("show", id_)
    assert [(m["start"], m["stop"], m["level_mm"]) for m in shown["marks"]] == [
        (found[k]["start"], found[k]["stop"], float(10 * (k > 0))) for k in (0, 2)
    ]
    assert shown["sha256"] == session()["sha256"]
    assert shown["mark_revision"] is not None


def test_masses_in_a_file_of_marks(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """A line may hold a mass, which becomes a level as when logging; a line with two labels is refused with
    its number.

    Source: h = m B / (rho A) by hand with B = (1 - 1.2/8000) / (1 - 1.2/998.2), D = 100 mm.
    """
    path = tmp_path / "m.csv"
    path.write_text("from_ms,to_ms,mass_g,level_mm,level_stop_mm\n47122,60000,650,,\n70000,80000,,10,20\n")
    who = ["--author", "A", "--reason", "weighed", "--marks", path]
    run("mark", "set", session()["id"], *who, "--tare-g", 250, "--scale-half-width-g", 0.5)
    mass, ramp = run_json("show", session()["id"])["marks"]
    assert mass["level_mm"] == pytest.approx(
        0.4 / 998.2 * (1 - 1.2 / 8000) / (1 - 1.2 / 998.2) / 0.00785398163 * 1000, rel=1e-6
    )
    assert mass["method"] == "mass"
    assert (ramp["level_mm"], ramp["level_stop_mm"]) == (10, 20)
    assert "10 to 20" in run("show", session()["id"])
    path.write_text("from,to,mass_g,level_mm\n0,9,650,10\n")
    assert f"{path}, line 2: columns level_mm, mass_g; expected one of" in refused(
        "mark", "set", session()["id"], *who
    )
    path.write_text("from,to,level_mm\n0,9,1O\n")
    assert f"{path}, line 2, column 'level_mm': '1O'" in refused("mark", "set", session()["id"], *who)


def test_frozen_sets_keep_the_marks_they_had(store: Path) -> None:
    """An amended session keeps its hash; a frozen set made before resolves to the old marks, one made after
    has another hash.
    """
    id_, digest = session()["id"], session()["sha256"]
    roles = ["--group", "session", "--fit", id_]
    run("freeze", "before", *roles)
    said = run(
        "mark",
        "amend",
        id_,
        "--from",
        0,
        "--to",
        19,
        "--remove",
        "--author",
        "A. Bench",
        "--reason",
        "still settling",
    )
    assert "frozen sets that keep the marks they had: before" in said
    run(
        "mark",
        "amend",
        id_,
        "--from",
        75,
        "--to",
        84,
        "--level-mm",
        5,
        "--u-mm",
        2,
        "--author",
        "B",
        "--reason",
        "between pours",
    )
    run("freeze", "after", *roles)
    with Store.open(store) as opened:
        before, after = opened.frozen_set("before"), opened.frozen_set("after")
        assert before.sha256 != after.sha256
        assert (before.sessions[0].sha256, after.sessions[0].sha256) == (digest, digest)
        assert before.sessions[0].mark_revision is None
        assert [(m.start, m.stop, m.level_mm) for m in before.sessions[0].marks[:2]] == [
            (0, 79, 0),
            (79, 180, 10),
        ]
        assert [(m.start, m.stop, m.level_mm) for m in after.sessions[0].marks[:3]] == [
            (20, 75, 0),
            (75, 85, 5),
            (85, 180, 10),
        ]
        assert (len(opened.frozen_data(before).counts), len(opened.frozen_data(after).counts)) == (768, 748)
        assert opened.session(id_).mark_revision == after.sessions[0].mark_revision
    listed = run_json("mark", "history", id_)
    assert [(r["author"], r["reason"]) for r in listed["revisions"]] == [
        ("A. Bench", "still settling"),
        ("B", "between pours"),
    ]
    assert [r["parent"] for r in listed["revisions"]] == [None, listed["revisions"][0]["sha256"]]
    assert len(listed["sealed"]) == 20
    assert "still settling" in run("mark", "history", id_)


def test_amendments_refused(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """No author, frames outside the session, marks it has already, a cut ramp, and a void session are
    refused.
    """
    id_ = session()["id"]
    who = ["--author", "A", "--reason", "r"]
    assert "both" in refused("mark", "amend", id_, *who, "--from", 0, "--to", 1, "--remove", "--level-mm", 1)
    assert "0 to 768; expected" in refused("mark", "amend", id_, *who, "--from", 0, "--to", 768, "--remove")
    assert "100.5; expected" in refused(
        "mark", "amend", id_, *who, "--from", 0, "--to", 9, "--level-mm", 100.5
    )
    none = ["--author", " ", "--reason", "r"]
    assert "author: nothing" in refused("mark", "amend", id_, *none, "--from", 0, "--to", 9, "--remove")
    run("mark", "amend", id_, *who, "--from", 0, "--to", 78, "--remove")
    again = refused("mark", "amend", id_, *who, "--from", 0, "--to", 78, "--remove")
    assert "the new marks are those that the session has" in again
    path = tmp_path / "m.csv"
    path.write_text("from,to,level_mm,level_stop_mm\n0,9,10,20\n")
    run("mark", "set", id_, *who, "--marks", path)
    assert "would cut the ramp over 0 to 9" in refused(
        "mark", "amend", id_, *who, "--from", 5, "--to", 12, "--remove"
    )
    run("void", id_, "--reason", "leak")
    assert "the session is void ('leak')" in refused(
        "mark", "amend", id_, *who, "--from", 0, "--to", 9, "--remove"
    )

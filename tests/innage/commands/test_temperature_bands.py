"""Whole bands of temperature kept for proving, from the command line and from Python. All
readings invented.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import innage
from calling import run, run_json, run_lines

Refused = Callable[..., str]
SETUP = """tank add can --span-mm 100
liquid add water
sensor add pad --pad p0:0:100 --count-bits 16 --count-law rises --period-ms 100
mounting add m --tank can --sensor pad"""
WARM = {"u1": (10.0, 20.0, 30.0), "u2": (12.0, 21.0, 29.0), "u3": (20.0, 31.0, 9.0)}
LEVELS = range(0, 101, 20)
FRAMES = 5


def write(path: Path, seed: int, degrees: tuple[float, ...], column: bool = True) -> Path:
    """A filling at each temperature; counts rise with the level, and a little with the temperature."""
    draw = np.random.default_rng(seed)
    rows = [(level, warm) for warm in degrees for level in LEVELS for _ in range(FRAMES)]
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["t_ms", "p0", "mm", *(["degrees"] if column else [])])
        for k, (level, warm) in enumerate(rows):
            count = 20000 + (150 + 0.5 * warm) * level + 5 * warm + draw.normal(0, 5)
            writer.writerow(
                [100 * k, round(count), level, *([f"{warm + draw.normal(0, 0.1):.2f}"] if column else [])]
            )
    return path


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Three units, each filled at three temperatures in one session, and a session without a thermometer."""
    folder = tmp_path_factory.mktemp("logged")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(folder / "innage.db"))
        run_lines(SETUP)
        for k, (unit, degrees) in enumerate(WARM.items()):
            run("unit", "add", unit)
            log(write(folder / f"{unit}.csv", k, degrees), unit, "--temperature", "degrees")
        log(write(folder / "bare.csv", 9, (20.0,), column=False), "u1")
    return (folder / "innage.db").read_bytes()


def log(path: Path, unit: str, *more: str) -> None:
    on = ("--tank", "can", "--liquid", "water", "--sensor", "pad", "--unit", unit)
    run("log", path, *on, "--time", "t_ms", "--count", "p0", "--level", "mm", *more)


def test_bands_of_the_usual_width(store: Path) -> None:
    """Ten degrees around multiples of ten: each session's fillings go to three bands; the session without a
    thermometer is left out and named.
    """
    bare = run_json("sessions")[-1]["id"]
    said = run("freeze", "bands", "--group", "temperature", "--fit", "5..15,25..35 C", "--prove", "rest")
    assert f"left out session {bare}: a mark without a measured temperature\n" in said
    assert "the claim is about temperature" in said
    assert (
        "sessions with marks in several roles: 3 of 3; frames measured outside the band of "
        "their mark: 0 of 270" in said
    )
    found = run_json("frozen", "bands")
    assert [(g["group"], g["role"], g["frames"], len(g["sessions"])) for g in found["groups"]] == [
        ("5..15 C", "fit", 90, 3),
        ("15..25 C", "prove", 90, 3),
        ("25..35 C", "fit", 90, 3),
    ]
    assert (found["group_by"], found["edges_c"], found["frames_outside"]) == (
        "temperature",
        [5.0, 15.0, 25.0, 35.0],
        0,
    )
    assert "15..25 C" in run("frozen", "bands")
    assert run_json("frozen")[0]["group_by"] == "temperature"
    same = run_json(
        "freeze",
        "same",
        "--group",
        "temperature",
        "--edges-c",
        "5,15,25,35",
        "--fit",
        "5..15,25..35",
        "--prove",
        "15..25",
    )
    assert same["sha256"] == found["sha256"]


def test_bands_of_a_users_own(store: Path) -> None:
    """Between edges, or of another width; frames on the far side of an edge are counted."""
    made = run_json(
        "freeze",
        "edges",
        "--group",
        "temperature",
        "--edges-c",
        "-5,20,45",
        "--fit",
        "-5..20",
        "--prove",
        "rest",
    )
    assert {g["group"] for g in made["groups"]} == {"-5..20 C", "20..45 C"}
    assert made["frames_outside"] > 0  # two units were filled at 20 C, give or take
    wide = run_json(
        "freeze", "wide", "--group", "temperature", "--band-width-k", "20", "--roles", "fit:1,prove"
    )
    assert [g["group"] for g in wide["groups"]] == ["-10..10 C", "10..30 C", "30..50 C"]
    assert wide["edges_c"] == [-10.0, 10.0, 30.0, 50.0]


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (
            ["--group", "unit", "--edges-c", "5,15"],
            "--edges-c: groups by unit; expected groups by temperature, which alone have bands",
        ),
        (
            ["--group", "level", "--band-width-k", "5"],
            "--band-width-k: groups by level; expected groups by temperature",
        ),
        (
            ["--group", "temperature", "--edges-c", "5,15", "--band-width-k", "5"],
            "--edges-c, --band-width-k: both; expected edges, or one width for all bands",
        ),
        (
            ["--group", "temperature", "--edges-c", "5,x"],
            "--edges-c: '5,x'; expected degrees Celsius, separated by commas, such as 5,15,25",
        ),
        (
            ["--group", "temperature", "--edges-c", "15,25"],
            "expected one within the bands, 15 to 25 C. Give one more edge, or leave the session out",
        ),
        (
            ["--group", "temperature", "--band-width-k", "2000"],
            ": 2000; expected a width of 0.1 to 1000 degrees",
        ),
        (
            ["--group", "temperature", "--choose", "95..105"],
            "--choose: no group is called '95..105 C'. Did you mean '5..15 C'?",
        ),
    ],
)
def test_refusals(store: Path, refused: Refused, options: list[str], sentence: str) -> None:
    """One sentence, and nothing is frozen."""
    assert sentence in refused("freeze", "x", "--fit", "rest", *options)
    assert run_json("frozen") == []


def test_a_session_without_a_thermometer(store: Path, refused: Refused) -> None:
    """Named, it is refused with what to do; when there is no other, so is the whole choice."""
    sessions = [s["id"] for s in run_json("sessions")]
    said = refused("freeze", "x", "--group", "temperature", "--session", sessions[-1], "--fit", "rest")
    assert f"session {sessions[-1]}, frames 0 to 4: no temperature was measured" in said
    for session in sessions[:-1]:
        run("void", session, "--reason", "spilled")
    said = refused("freeze", "x", "--group", "temperature", "--fit", "rest")
    assert "frozen set: no temperature was measured; expected a temperature with the frames" in said


def test_from_python(store: Path) -> None:
    """The same choice from Python has the same hash; numbers are drawn; rows say which band they are of."""
    with innage.open_store(store) as opened:
        made = innage.freeze(
            opened, "bands", group_by="temperature", roles={"fit": ["5..15 C", "25..35 C"], "prove": ["rest"]}
        )
        assert made.edges_c == (5.0, 15.0, 25.0, 35.0)
        table = innage.frozen_table(opened, "bands")
        assert table.groupby("group")["role"].unique().map(list).to_dict() == {
            "5..15 C": ["fit"],
            "15..25 C": ["prove"],
            "25..35 C": ["fit"],
        }
        assert table.query("role == 'prove'")["unit"].nunique() == len(WARM)
        drawn = innage.freeze(
            opened,
            "drawn",
            group_by=innage.GroupBy.TEMPERATURE,
            edges_c=[5, 20, 35],
            roles={"fit": 1, "prove": 1},
            seed=3,
        )
        assert (drawn.edges_c, drawn.seed) == ((5.0, 20.0, 35.0), 3)
        with pytest.raises(innage.InputError, match="which alone have bands"):
            innage.freeze(opened, "x", group_by="unit", kelvin=5.0, roles={"fit": ["rest"]})
    again = run_json("freeze", "again", "--group", "temperature", "--fit", "5..15,25..35", "--prove", "rest")
    assert again["sha256"] == made.sha256


@pytest.mark.slow
def test_a_model_is_trained_and_says_what_its_claim_is_about(store: Path, tmp_path: Path) -> None:
    """End to end: trained on two bands, proved on the one between them; terminal and page name the claim, the
    bundle keeps the edges and verifies.
    """
    its = run_json(
        "freeze",
        "bands",
        "--group",
        "temperature",
        "--edges-c",
        "5,12,25,35",
        "--fit",
        "5..12,25..35",
        "--prove",
        "rest",
    )
    proved = next(group["frames"] for group in its["groups"] if group["role"] == "prove")
    claim = "temperature bands not seen in fitting"
    said = run("train", "bands", "--name", "first", "--family", "line")
    assert claim in said
    model = run_json("models", "first")
    assert model["frozen"]["group_by"] == "temperature"
    prove = model["metrics"]["prove"]
    assert (prove["integer"]["groups"], prove["integer"]["frames"]) == (1, proved)
    assert [its["group"] for its in prove["by_group"]] == ["12..25 C"]
    assert model["metrics"]["band"]["reason"].startswith("temperature bands are chosen, not drawn")
    seen = model["metrics"]["seen_in_prove_bands"]
    assert seen["frames"] == 270 - proved
    assert (
        0 < seen["inside"] <= its["frames_outside"] < 30
    )  # of the unit that was filled at 12 C, give or take
    assert (
        f"of {seen['frames']} frames to fit and choose on, {seen['inside']} were measured inside them"
        in " ".join(said.split())
    )
    # a line through both bands is right between them; what one of them alone would leave is 5 counts a mm in
    # 160, 3 mm at the top
    assert prove["integer"]["rmse_mm"] < 1.0
    for kind, name in (("model", "first"), ("frozen", "bands")):
        run("report", kind, name, "--out", tmp_path / f"{kind}.html")
    page = (tmp_path / "model.html").read_text(encoding="utf-8")
    assert f"1 temperature band. These are {claim}" in page
    assert "fault-free" not in page
    assert f"{its['frames_outside']} of 270 labelled frames were measured outside it" in (
        tmp_path / "frozen.html"
    ).read_text(encoding="utf-8")
    budget = (
        "--core cortex-m0plus --multiplier-cycles 1 --flash-bytes 4096 --ram-bytes 512 --stack-bytes 512 "
        "--cycles 10000"
    )
    run("budget", "add", "roomy", *budget.split())
    run("export", "first", "--budget", "roomy", "--out", tmp_path / "bundle", "--even-if-unproven")
    manifest = json.loads((tmp_path / "bundle" / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["frozen_set"]["edges_c"] == [5.0, 12.0, 25.0, 35.0]
    assert "Every check passed" in run("verify", tmp_path / "bundle")
    run("check")

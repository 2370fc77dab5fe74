"""Trims on the command line: their history, dry ones that are wet, limits for a fixture."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from calling import READINGS, TWO_SENSORS, run, run_json, run_lines
from dataset.store import Store

END = ["--date", "2026-01-31", "--stage", "end-of-line"]
DRY = ["trim", "add", "--kind", "dry"]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A store with five units, a mounting of the real sensor and one of a pair of pads that rise with C."""
    path = tmp_path_factory.mktemp("bench") / "innage.db"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("INNAGE_STORE", str(path))
        run_lines(TWO_SENSORS)
        for k in range(1, 6):
            run("unit", "add", f"u{k}")
    return path.read_bytes()


def real(tmp_path: Path, unit: str, keep: tuple[str, ...], marked: bool = False) -> str:
    """Log the real readings at some levels (cm) as a session of a unit; its id."""
    with READINGS.open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["level_cm"] in keep]
    path = tmp_path / f"{unit}-{'-'.join(keep)}.csv"
    path.write_text(
        "t,p0,cm\n" + "".join(f"{row['elapsed_ms']},{row['N_counts']},{row['level_cm']}\n" for row in rows)
    )
    label = ["--level", "cm", "--level-unit", "cm"] if marked else ["--ignore", "cm"]
    (found,) = run_json(
        "log", path, "--mounting", "m-osc", "--liquid", "water", "--unit", unit, "--time", "t", *label
    )
    return str(found["id"])


def test_a_dry_trim_from_the_real_readings(store: Path, tmp_path: Path) -> None:
    """The 79 frames of the dry tank give a trim near their median, outliers refused and counted; it stays in
    the unit's history.

    Source: innage/demo_data/levels_tidy.csv, level 0.0.
    """
    id_ = real(tmp_path, "u1", ("0.0",))
    said = run(*DRY, "--unit", "u1", "--session", id_, *END, "--temperature-c", 21)
    assert f"from 79 frames of session {id_}; outliers refused: p0 2" in said
    (trim,) = run_json("trim", "list", "--unit", "u1")
    with READINGS.open(newline="") as file:
        counts = [float(row["N_counts"]) for row in csv.DictReader(file) if row["level_cm"] == "0.0"]
    kept = [c for c in counts if c > 50_000]  # 49756 and 49797 stand apart
    assert (len(counts), len(kept)) == (79, 77)
    assert trim["counts"] == [round(sum(kept) / 77)]
    assert (trim["temperature_c"], trim["stage"], trim["date"], trim["kind"], trim["frames"]) == (
        21,
        "end-of-line",
        "2026-01-31",
        "dry",
        [0, 79],
    )
    run(
        "trim",
        "add",
        "--kind",
        "full",
        "--unit",
        "u1",
        "--mounting",
        "m-osc",
        "--counts",
        12270,
        "--date",
        "2026-02-01",
        "--stage",
        "service",
    )
    assert [t["kind"] for t in run_json("trim", "list")] == ["dry", "full"]
    assert "service" in run("trim", "list")


@pytest.mark.longer
@pytest.mark.parametrize("known", ["trim", "session of both", "session of the dry tank"])
def test_a_wet_trim_is_not_dry(known: str, store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Frames at 1 cm offered as a dry trim are refused against the unit's dry trim or what its sessions show:
    the count fell by 18 000.

    Source: innage/demo_data/levels_tidy.csv, levels 0.0 and 1.0; counts fall as the level rises (SOURCE.txt).
    """
    if known == "trim":
        run(*DRY, "--unit", "u1", "--session", real(tmp_path, "u1", ("0.0",)), *END)
    elif known == "session of both":
        real(tmp_path, "u1", ("0.0", "1.5"))
    else:
        real(tmp_path, "u1", ("0.0",))
    wet = real(tmp_path, "u1", ("1.0",))
    sentence = refused(*DRY, "--unit", "u1", "--session", wet, "--date", "2026-02-01", "--stage", "service")
    assert "dry trim of unit u1: looks wet against" in sentence
    assert ("or amend the session where it is another unit's" in sentence) is (known != "trim")
    shortfall = int(sentence.split("p0 ")[1].split(", ")[1].split(" below")[0])
    assert shortfall == pytest.approx(50_816 - 32_701, abs=100)
    assert "32" in sentence.split("p0 ")[1][:5]


def test_dry_again_is_accepted(store: Path, tmp_path: Path) -> None:
    """Two parts of the dry readings, 0.2 % apart by drift, are both dry; so is one that lies on the dry side
    of the other.
    """
    id_ = real(tmp_path, "u1", ("0.0", "1.0"))
    for first, last in ((0, 39), (42, 65)):
        run(*DRY, "--unit", "u1", "--session", id_, "--from", first, "--to", last, *END)
    early, late = (t["counts"][0] for t in run_json("trim", "list"))
    assert 50 < late - early < 200
    assert early > 50_000


def test_marks_and_moving_signals_are_refused(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """Frames marked above the lowest pad are no dry trim, frames across a pour and a handful of frames none
    at all.
    """
    id_ = real(tmp_path, "u1", ("0.0", "1.0"), marked=True)
    base = [*DRY, "--unit", "u1", "--session", id_, *END]
    assert "frames 79 to 179 are marked at 10 mm; expected frames of a dry tank" in refused(
        *base, "--from", 100, "--to", 150
    )
    full = ["trim", "add", "--kind", "full", "--unit", "u1", "--session", id_, *END]
    assert "the signal moves" in refused(*full, "--from", 60, "--to", 110)
    assert "4 frames; expected at least 5" in refused(*full, "--from", 0, "--to", 3)
    assert "no such frames" in refused(*full, "--from", 0, "--to", 180)


def test_too_many_outliers(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Up to a tenth of a channel's counts may be outliers; with more the trim is refused with channel and
    number. Made up, no source.
    """
    rng = np.random.default_rng(3)
    counts = rng.normal([500, 700], 2, (100, 2)).astype(int)
    counts[:10, 0] += 200
    path = tmp_path / "r.csv"
    path.write_text("a,b\n" + "".join(f"{a},{b}\n" for a, b in counts))
    (found,) = run_json("log", path, "--mounting", "m-pair", "--liquid", "water", "--unit", "u1")
    made = run_json(*DRY, "--unit", "u1", "--session", found["id"], *END)
    assert made["refused"] == [10, 0]
    assert made["counts"] == pytest.approx([500, 700], abs=1)
    less = refused(*DRY, "--unit", "u1", "--session", found["id"], "--to", 89, *END)
    assert "frames 0 to 89, a: 10 of 90 counts are outliers; expected at most 10%" in less


def test_wet_against_other_units(store: Path, refused: Callable[..., str]) -> None:
    """A first trim is compared with three or more other units' dry ones, on the side where the count is wet:
    above, where it rises.
    """
    for k, counts in ((1, "500,700"), (2, "504,703"), (3, "497,699")):
        run(*DRY, "--unit", f"u{k}", "--mounting", "m-pair", "--counts", counts, *END)
    sentence = refused(*DRY, "--unit", "u4", "--mounting", "m-pair", "--counts", "640,700", *END)
    assert "looks wet against the median of 3 other units: a 640, 140 above 500 (margin 46)" in sentence
    assert "b " not in sentence.split("units: ")[1].split(";")[0]
    run(*DRY, "--unit", "u4", "--mounting", "m-pair", "--counts", "460,700", *END)


def test_kinds_need_their_facts(store: Path, refused: Callable[..., str]) -> None:
    """A surrogate block needs its ratios and their spread, a partial fill its level; dates, counts and
    channels are checked.
    """
    base = ["trim", "add", "--unit", "u1", "--mounting", "m-pair", "--counts", "500,700"]
    block = [*base, *END, "--kind", "block"]
    assert "0 transfer ratios; expected 2" in refused(*block)
    assert "0 spreads of the transfer ratio; expected 2" in refused(*block, "--transfer", "0.6,0.62")
    made = run_json(*block, "--transfer", "0.6,0.62", "--transfer-spread", "0.02,0.03")
    assert (made["transfer"], made["transfer_spread"]) == ([0.6, 0.62], [0.02, 0.03])
    assert "no level; expected a level for a partial fill" in refused(*base, *END, "--kind", "partial")
    assert run_json(*base, *END, "--kind", "partial", "--level-mm", 40)["level_mm"] == 40
    assert "0 transfer ratios" not in refused(*base, *END, "--kind", "dry", "--transfer", "0.6,0.6")
    assert "'31.1.2026'; expected a date as YYYY-MM-DD" in refused(
        *base, "--kind", "full", "--date", "31.1.2026", "--stage", "x"
    )
    assert "stage: nothing" in refused(*base, "--kind", "full", "--date", "2026-01-31", "--stage", " ")
    one = ["trim", "add", "--unit", "u1", "--mounting", "m-pair", "--kind", "full", *END]
    assert "1 counts; expected 2, one for each channel in order: a, b" in refused(*one, "--counts", "5")
    assert "4096; expected at least 0 and at most 4095" in refused(*one, "--counts", "5,4096")
    assert "neither; expected one" in refused(*one)
    assert "--mounting: none; expected that which the counts were taken on, of m-osc, m-pair" in refused(
        "trim", "add", "--unit", "u1", "--kind", "full", *END, "--counts", "5,6"
    )
    run(*one, "--counts", "5,6")
    assert "is there already" in refused(*one, "--counts", "5,6")


def test_limits_for_a_fixture(store: Path, tmp_path: Path, refused: Callable[..., str]) -> None:
    """Limits are mean +- k sd over each unit's newest trim, k of Howe's method; the CSV and the JSON for
    production say the same.

    Source: for 3 units, 99 % coverage and 95 % confidence k = 2.5758 sqrt(2 (1 + 1/3) / 0.10259) by the
        formula of NIST/SEMATECH
    7.2.6.3, chi-square(0.05, 2) = 0.10259.
    """
    ask = ["trim", "limits", "--mounting", "m-pair"]
    assert "0 units on mounting m-pair with a trim of kind dry; expected at least 2" in refused(*ask)
    for k, counts in ((1, "495,700"), (1, "500,700"), (2, "505,704"), (3, "495,696")):
        run(*DRY, "--unit", f"u{k}", "--mounting", "m-pair", "--counts", counts, *END)
    found = run_json(*ask, "--out", tmp_path / "limits.csv")
    factor = 2.575829 * (2 * (4 / 3) / 0.1025866) ** 0.5
    assert found["factor"] == pytest.approx(factor, rel=1e-5)
    assert (found["mean"], found["units"]) == ([500, 700], ["u1", "u2", "u3"])
    assert found["low"] == [int(500 - factor * 5), int(700 - factor * 4)]
    assert found["high"] == [int(500 + factor * 5) + 1, int(700 + factor * 4) + 1]
    with (tmp_path / "limits.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [(r["channel"], r["name"], int(r["low"]), int(r["high"])) for r in rows] == [
        ("0", "a", found["low"][0], found["high"][0]),
        ("1", "b", found["low"][1], found["high"][1]),
    ]
    run(*ask, "--out", tmp_path / "limits.json")
    assert json.loads((tmp_path / "limits.json").read_text()) == found
    assert "3 units: u1, u2, u3" in run(*ask)
    assert "ends in .csv or .json" in refused(*ask, "--out", tmp_path / "limits.txt")
    assert "--coverage: 99" in refused(*ask, "--coverage", 99)


def test_limits_take_dry_frames_of_units_without_a_trim(store: Path, tmp_path: Path) -> None:
    """A unit without a dry trim comes in with the median of its frames that are marked below every pad, and
    only those; not where they are stated to be wet.
    """
    known = real(tmp_path, "u1", ("0.0", "1.0"), marked=True)
    real(tmp_path, "u2", ("2.0",), marked=True)
    run(*DRY, "--unit", "u3", "--mounting", "m-osc", "--counts", 50_700, *END)
    found = run_json("trim", "limits", "--mounting", "m-osc")
    assert found["units"] == ["u1", "u3"]
    assert found["mean"] == [pytest.approx((50_816 + 50_700) / 2)]
    run("amend", known, "--condition", "wall=film", "--author", "ab", "--reason", "it was wet")
    run(*DRY, "--unit", "u4", "--mounting", "m-osc", "--counts", 50_700, *END)
    assert run_json("trim", "limits", "--mounting", "m-osc")["units"] == ["u3", "u4"]


def test_what_is_known_of_the_unit_itself_goes_before_other_units(
    store: Path, tmp_path: Path, refused: Callable[..., str]
) -> None:
    """Three units that are alike by chance say nothing against a fourth whose own trim, or whose own session
    marked at level 0, was dry; a session that was never empty is no such witness, nor is one of a wet wall.
    """
    for k, counts in ((1, "500,700"), (2, "504,703"), (3, "497,699")):
        run(*DRY, "--unit", f"u{k}", "--mounting", "m-pair", "--counts", counts, *END)
    offered = (*DRY, "--unit", "u4", "--mounting", "m-pair", "--counts", "640,700", *END)
    for seed, level in ((0, 20), (1, 0)):
        rows = [f"{100 * k},{640 + (seed + k) % 3},{700 + k % 2},{level}" for k in range(60)]
        (tmp_path / "run.csv").write_text("t,a,b,mm\n" + "\n".join(rows) + "\n")
        on = ("--mounting", "m-pair", "--unit", "u4", "--liquid", "water", "--time", "t", "--level", "mm")
        (logged,) = run_json("log", tmp_path / "run.csv", *on, "--condition", "wall=film")
        assert "the median of 3 other units" in refused(*offered)
    run("amend", logged["id"], "--condition", "wall=clean", "--author", "ab", "--reason", "it was dry")
    run(*offered)
    run(
        *DRY,
        "--unit",
        "u4",
        "--mounting",
        "m-pair",
        "--counts",
        "645,700",
        "--date",
        "2026-03-01",
        "--stage",
        "x",
    )
    with Store.open(store) as opened:
        assert len(opened.trims("u4")) == 2


@pytest.mark.usefixtures("store")
def test_a_warm_dry_trim_is_dry(refused: Callable[..., str]) -> None:
    """Counts 4 % up are wet at the temperature of the earlier trim, and dry 40 kelvin above it (0.1 % of the
    count for each); where the temperature is not given, the sentence asks for it.
    """
    on = ["--unit", "u1", "--mounting", "m-pair"]
    run(*DRY, *on, "--counts", "1000,2000", *END, "--temperature-c", 20)
    later = ["--date", "2026-02-01", "--stage", "service", "--counts", "1040,2080"]
    assert "a 1040, 40 above 1000 (margin 20)" in refused(*DRY, *on, *later, "--temperature-c", 20)
    said = refused(*DRY, *on, *later)
    assert "or say by --dry-because how you know, or its --temperature-c" in said
    assert "a 1040, 40 above 1000 (margin 35)" in refused(*DRY, *on, *later, "--temperature-c", 35)
    run(*DRY, *on, *later, "--temperature-c", 60)
    for k in (2, 3, 4):
        run(
            *DRY,
            "--unit",
            f"u{k}",
            "--mounting",
            "m-pair",
            "--counts",
            f"{1000 + k},2000",
            *END,
            "--temperature-c",
            20,
        )
    other = [*DRY, "--unit", "u5", "--mounting", "m-pair", "--counts", "1300,2080", *END]
    assert "looks wet against the median of 4 other units" in refused(*other, "--temperature-c", 20)


@pytest.mark.usefixtures("store")
def test_who_knows_that_it_is_dry_says_how(refused: Callable[..., str]) -> None:
    """A dry trim that looks wet is taken for a reason, which stays with it and is part of its hash; no other
    kind has one.
    """
    on = ["--unit", "u1", "--mounting", "m-pair"]
    run(*DRY, *on, "--counts", "1000,2000", *END)
    later = [*on, "--date", "2026-02-01", "--stage", "service", "--counts", "1200,2000"]
    assert "looks wet" in refused(*DRY, *later)
    said = run(*DRY, *later, "--dry-because", "swabbed, dried for a day")
    assert said.endswith("\ndry, because: swabbed, dried for a day\n")
    first, second = run_json("trim", "list")
    assert (first["dry_because"], second["dry_because"]) == ("", "swabbed, dried for a day")
    said = refused("trim", "add", "--kind", "full", *later, "--dry-because", "x")
    assert "--dry-because: a reason for a trim of kind full; expected one for a dry trim only" in said

"""``innage limits`` as a user sees it: TOML in and out, signing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from innage.cli import app


@pytest.fixture(autouse=True)
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A path for a store, which the commands find by the environment."""
    monkeypatch.setenv("INNAGE_STORE", str(tmp_path / "innage.db"))
    return tmp_path / "innage.db"


def run(*words: str, code: int = 0) -> Result:
    result = CliRunner().invoke(app, ["limits", *words], catch_exceptions=False)
    assert result.exit_code == code, result.output + result.stderr
    return result


def test_toml_goes_round(tmp_path: Path) -> None:
    """What --toml prints is what --from reads: under another name the rows, note and signer are equal."""
    run(
        "add",
        "first",
        "--row",
        "rmse_mm<=2@foam%95#19",
        "--row",
        "withheld_share<=0.1",
        "--row",
        "p95_pct_span<=1.5 or 1 mm@clean",
        "--note",
        'a "quoted" note',
    )
    run("sign", "first", "--signer", "A. Owner")
    file = tmp_path / "limits.toml"
    file.write_text(run("show", "first", "--toml").output)
    run("add", "second", "--from", str(file))
    one, two = (json.loads(run("show", name, "--json").output) for name in ("first", "second"))
    assert (one["rows"], one["note"], one["signer"]) == (two["rows"], two["note"], two["signer"])
    assert one["rows"][0] == {
        "metric": "rmse_mm",
        "bound": 2.0,
        "condition": "foam",
        "confidence": 0.95,
        "min_groups": 19,
        "or_mm": None,
    }
    assert (one["rows"][2]["bound"], one["rows"][2]["or_mm"], one["rows"][2]["condition"]) == (
        1.5,
        1.0,
        "clean",
    )
    assert "1.5 or 1 mm" in run("show", "first").output
    assert (one["signer"], one["revision"]) == ("A. Owner", 2)


def test_the_built_in_set(tmp_path: Path) -> None:
    """The built-in limits are added by name, or printed to be changed first."""
    run("add", "start", "--from", "default")
    file = tmp_path / "mine.toml"
    file.write_text(run("default").output)
    said = run("add", "start", "--from", str(file), code=2).stderr
    assert "exists with exactly this content as start@1" in said
    assert "foam" in run("show", "start").output
    assert "not signed yet" in run("show", "start").output


def test_a_zone_of_the_tank_is_a_condition() -> None:
    """Rows for the zone of the lowest pad are taken and shown."""
    run("add", "x", "--row", "p95_pct_span<=2.5@lowest-pad", "--row", "withheld_share<=0.15@lowest-pad")
    assert [row["condition"] for row in json.loads(run("show", "x", "--json").output)["rows"]] == [
        "lowest-pad",
        "lowest-pad",
    ]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ((), "neither --row nor --from"),
        (("--row", "rmse_mm<=1", "--from", "default"), "both --row and --from"),
    ],
)
def test_one_source_of_rows(words: tuple[str, ...], found: str) -> None:
    """Rows come from --row or from a file, not from both and not from nowhere."""
    assert found in run("add", "x", *words, code=2).stderr


def test_a_signature_says_what_was_signed() -> None:
    """The sentence carries the hash that 'show' gives for the signed revision and for the one before it."""
    run("add", "x", "--row", "rmse_mm<=2")
    said = run("sign", "x", "--signer", "A. Owner").output
    for ref in ("x@1", "x@2"):
        assert json.loads(run("show", ref, "--json").output)["sha256"] in said
    assert "A. Owner" in run("show", "x").output
    assert "A. Owner" in run("list").output

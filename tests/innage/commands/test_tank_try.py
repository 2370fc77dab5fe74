"""``innage tank try``: a layout described on the command line or taken from the store; what is said, drawn
and refused.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from calling import refused_line as refused
from calling import run_line as run
from dataset.pools import HERE, Processes

TRIED = "tank try --span-mm 30 --wall-mm 2 --pad-width-mm 12 --pad low:1:12 --pad high:15:12"


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("tables")


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    monkeypatch.setenv("INNAGE_CACHE", str(cache))
    monkeypatch.setattr(Processes, "begin", HERE.begin)  # starting processes takes longer than these fields


def facts(line: str) -> Any:
    return json.loads(run(line + " --json"))


@pytest.mark.slow  # solves a field of its own
def test_what_is_said() -> None:
    said = run(TRIED)
    assert "simulated: a two-dimensional field solution" in said
    assert "resolution for 1 fF of noise on each pad" in said
    assert "blind (coarser than 1 mm): " in said
    assert " to 30 mm" in said  # the pads end at 27 mm
    assert not Path("innage.db").exists()


@pytest.mark.slow
def test_facts_in_full() -> None:
    told = facts(TRIED)
    assert told["simulated"] is True
    assert told["pads"] == ["low", "high"]
    assert told["level_mm"] == list(range(31))
    assert len(told["self_capacitance_pf"]) == len(told["resolution_mm"]) == 31
    assert set(told["read_as_mm"]) == {"film 20 um", "foam 20 mm", "impedance", "earthed"}


@pytest.mark.longer
def test_noise_in_counts() -> None:
    """A thousand counts a pF make 1 fF of one count; two counts of noise are twice that."""
    plain, counted = facts(TRIED), facts(TRIED + " --counts-per-pf 1000 --noise-counts 2")
    assert counted["resolution_mm"] == pytest.approx([2 * r for r in plain["resolution_mm"]])
    assert counted["noise"] == "for 2 counts of noise"


@pytest.mark.longer
def test_earthed_liquid_shows_more() -> None:
    """The capacitance to a floating liquid lies in series with the liquid's own to earth."""
    floating, earthed = (
        facts(TRIED + f" --coupling {coupling}")["self_capacitance_pf"][-1]
        for coupling in ("floating", "earthed")
    )
    assert all(e > f for e, f in zip(earthed, floating, strict=True))


@pytest.mark.slow
def test_a_blind_stretch_is_named() -> None:
    """From 20 mm above the only pad nothing moves but what the liquid's own capacitance to earth does;
    earthed, that is gone too.
    """
    said = run(
        "tank try --span-mm 60 --wall-mm 2 --pad-width-mm 12 --pad low:1:12 --coupling earthed "
        "--coarsest-mm 0.5"
    )
    assert "blind (coarser than 0.5 mm): " in said
    assert "to 60 mm" in said


@pytest.mark.slow
def test_a_mounting_of_the_store(tmp_path: Path) -> None:
    for line in (
        "tank add jar --span-mm 30 --wall-mm 2",
        (
            "sensor add strip --count-bits 16 --count-law rises --period-ms 100 --pad low:0:12:12 "
            "--pad high:14:12:12"
        ),
        "mounting add here --tank jar --sensor strip --offset-mm 1",
        "liquid add tap --like water --conductivity-s-m 0.05",
    ):
        run(line)
    stored, described = facts("tank try here"), facts(TRIED)
    assert stored == described
    pads = "--pad low:0:12:12 --pad high:14:12:12 --offset-mm 1"
    assert facts(f"tank try jar {pads}")["resolution_mm"] == described["resolution_mm"]
    thicker = facts(f"tank try jar@1 {pads} --wall-mm 4")["resolution_mm"]
    assert thicker == facts("tank try here --wall-mm 4")["resolution_mm"] != described["resolution_mm"]
    assert "permittivity 78.41 and 0.05 S/m" in run("tank try here --liquid tap")


@pytest.mark.slow
def test_the_picture(tmp_path: Path) -> None:
    for name in ("a.svg", "b.svg"):
        run(TRIED + f" --picture {name}")
    drawn = Path("a.svg").read_bytes()
    assert drawn == Path("b.svg").read_bytes()
    assert drawn.startswith(b"<?xml")


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (
            "tank try",
            "tank try: no mounting; expected the name of one, or all of --span-mm, --wall-mm and --pad",
        ),
        ("tank try here --span-mm 30", "tank try: a mounting or tank of the store, and --span-mm"),
        ("tank try --span-mm 30 --wall-mm 2 --pad low:1:12", "pads of several widths, or of none"),
        (TRIED + " --wall-mm 0", "--wall-mm: 0; expected a number above 0"),
        (TRIED + " --counts-per-pf -1", "--counts-per-pf: -1; expected a number above 0"),
        (TRIED + " --conductivity-s-m -1", "--conductivity-s-m: -1; expected 0 or more"),
        (TRIED + " --film-um 500", "--film-um: 500; expected 1 to 100"),
        (TRIED + " --picture a.bmp", "a.bmp: a figure called *.bmp"),
    ],
)
def test_refusals(line: str, sentence: str) -> None:
    assert sentence in " ".join(refused(line).split())

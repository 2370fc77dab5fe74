"""Scenario files: what the built-in one holds, and each kind of mistake in a file of one's own as one
sentence with the key's path.
"""

from __future__ import annotations

import re
from importlib import resources
from pathlib import Path

import pytest

from dataset.errors import InputError
from dataset.labels.liquids import permittivity
from dataset.records import Liquid
from dataset.rig.scenario import Scenario, load_scenario, read_scenario

TEXT = resources.files("dataset.rig.scenarios").joinpath("washer.toml").read_text("utf-8")


def without(section: str) -> str:
    """The built-in file without a section."""
    return re.sub(rf"\[{section}\].*?(?=\n\[)", "", TEXT, count=1, flags=re.DOTALL)


def test_the_washer(washer: Scenario) -> None:
    """A tank of which there is a second revision, another tank, 24 units at least, and a liquid of lower
    permittivity.
    """
    assert [f"{t.name}@{washer.revision(k)}" for k, t in enumerate(washer.tank)] == [
        "detergent-canister@1",
        "rinse-tank@1",
        "detergent-canister@2",
    ]
    assert washer.tank[2].span_mm > washer.tank[0].span_mm
    assert washer.tank[0].units >= 24
    assert washer.find_liquid("rinse-aid").permittivity < 0.7 * washer.find_liquid("water").permittivity
    assert "simulated" in washer.note


def test_the_washers_water() -> None:
    """Against water by IAPWS R8-97 at 20 degrees."""
    water = load_scenario("washer").find_liquid("water")
    assert water.permittivity == pytest.approx(permittivity(Liquid("water", model="water"), 20.0), rel=3e-3)


def test_tanks_are_found_by_name_and_revision(washer: Scenario) -> None:
    assert washer.find_tank("detergent-canister@1") == 0
    assert washer.find_tank("detergent-canister") == 2
    with pytest.raises(
        InputError, match="scenario glassware-washer, tank: 'bucket'; expected one of detergent-canister@1"
    ):
        washer.find_tank("bucket")
    with pytest.raises(InputError, match="recipe: 'dance'; expected one of steps, ramp"):
        washer.find_recipe("dance")


def test_the_records_are_the_slices_pads(washer: Scenario) -> None:
    """What goes into the store has the pads that the field is solved for, and says that it is simulated."""
    for k in range(len(washer.tank)):
        pads = washer.sensor_record(k).pads
        assert [(p.bottom_mm, p.bottom_mm + p.height_mm) for p in pads] == list(washer.slice(k).pads)
        assert washer.mounting_record(k).tank.revision == washer.revision(k)
        assert {washer.tank_record(k).note, washer.sensor_record(k).note, washer.mounting_record(k).note} == {
            "simulated"
        }
    assert len({washer.sensor_record(k).name for k in range(3)}) == 3


MISTAKES = {
    "no TOML": ("[board]", "[board", "is not TOML"),
    "unknown key": (
        "gap_mm = 0.05",
        "gap_mn = 0.05",
        "spread, gap_mn: a key that is not known; expected one of gain, pad_gain",
    ),
    "unknown section": ("[hand]", "[hat]", "file, hat: a key that is not known"),
    "missing key": ("gap_mm = 0.05", "", "spread, gap_mm: nothing; expected a value"),
    "text for a number": ("gap_mm = 0.05", "gap_mm = 'wide'", "spread, gap_mm: 'wide'; expected a number"),
    "true for a number": ("gap_mm = 0.05", "gap_mm = true", "spread, gap_mm: True; expected a number"),
    "number for a whole one": (
        "count_bits = 16",
        "count_bits = 16.0",
        "board, count_bits: 16.0; expected a whole number",
    ),
    "number for a text": ('name = "water"', "name = 3", "liquid 1, name: 3; expected a text"),
    "number for true": ("shield = true", "shield = 1", "board, shield: 1; expected true or false"),
    "section for a number": ("[hand]", "hand = 3\n[hat]", "a key that is not known"),
    "number for a range": (
        "drops = [2, 7]",
        "drops = 2",
        "film, drops: 2; expected two numbers, [least, most]",
    ),
    "range of three": (
        "drops = [2, 7]",
        "drops = [2, 7, 9]",
        "film, drops: [2, 7, 9]; expected two numbers, [least, most]",
    ),
    "range turned round": ("drops = [2, 7]", "drops = [7, 2]", "film, drops: 7, 2; expected [least, most]"),
    "text in a range": ("drops = [2, 7]", "drops = [2, 'x']", "film, drops 2: 'x'; expected a number"),
    "below its bounds": ("gap_mm = 0.05", "gap_mm = -0.05", "spread, gap_mm: -0.05; expected from 0 to"),
    "not a number": ("gap_mm = 0.05", "gap_mm = nan", "spread, gap_mm: nan; expected from 0 to"),
    "endless": (
        "ambient_c = [16.0, 28.0]",
        "ambient_c = [16.0, inf]",
        "temperature, ambient_c: 16, inf; expected from -50 to 150",
    ),
    "a share above one": (
        "switching_share = 0.02",
        "switching_share = 2",
        "interference, switching_share: 2; expected from 0 to 1",
    ),
    "no period": ("period_ms = 100", "period_ms = 0", "board, period_ms: 0; expected from 1"),
    "less than vacuum": (
        "permittivity = 80.1",
        "permittivity = 0.5",
        "liquid 1, permittivity: 0.5; expected from 1",
    ),
    "unknown law": (
        'count_law = "rises"',
        'count_law = "wobbles"',
        "board, count_law: 'wobbles'; expected one of",
    ),
    "unknown liquid": (
        'liquids = ["water", "rinse-aid"]',
        'liquids = ["milk"]',
        "tank 2, liquids: 'milk'; expected one of water",
    ),
    "no liquid": ('liquids = ["water", "rinse-aid"]', "liquids = []", "tank 2, liquids: none"),
    "number among texts": (
        'liquids = ["water", "rinse-aid"]',
        "liquids = [7]",
        "tank 2, liquids 1: 7; expected a text",
    ),
    "a liquid twice": ('name = "rinse-aid"', 'name = "water"', "liquid: 'water' more than once"),
    "a recipe twice": ('name = "ramp"', 'name = "steps"', "recipe: 'steps' more than once"),
    "pads that overlap": (
        "pitch_mm = 14.5",
        "pitch_mm = 12.0",
        "tank 2, pitch_mm: 12 with pads 12 high; expected above height_mm",
    ),
    "pads above the tank": (
        "pitch_mm = 14.5",
        "pitch_mm = 24.5",
        "tank 2, pads: the topmost ends at 186.5 mm; expected at most span_mm and headspace_mm, 136",
    ),
    "one pad": ("pads = 8", "pads = 1", "tank 1, pads: 1; expected from 2"),
    "unknown path": (
        'path = "drain"',
        'path = "pour"',
        "path: 'pour'; expected one of steps, ramp, drain, empty",
    ),
    "too few frames": ("frames = 60", "frames = 6", "frames: 6; expected from 20"),
    "a level below the floor": (
        "frames = 60",
        "frames = 60\nlevels_mm = [20, -3]",
        "levels_mm: 20, -3; expected from 0",
    ),
}


@pytest.mark.parametrize(("old", "new", "said"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_is_one_sentence(old: str, new: str, said: str) -> None:
    assert old in TEXT
    with pytest.raises(InputError) as refused:
        read_scenario(TEXT.replace(old, new, 1), "file")
    assert str(refused.value).startswith("file")
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "section",
    [
        "board",
        "spread",
        "temperature",
        "interference",
        "liquid_motion",
        "film",
        "foam",
        "hand",
        "earthing",
        "operator",
    ],
)
def test_no_section_may_be_left_out(section: str) -> None:
    with pytest.raises(InputError, match=f"file, {section}: nothing"):
        read_scenario(without(section), "file")


def test_a_scenario_is_read_from_a_file(tmp_path: Path, washer: Scenario) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(TEXT, "utf-8")
    assert load_scenario(str(path)) == washer
    path.write_bytes(b"\xff\xfe")
    for wrong in (path, tmp_path / "none.toml", tmp_path):
        with pytest.raises(InputError, match=r"cannot be read .*Built in: washer"):
            load_scenario(str(wrong))


def test_levels_of_a_recipe_need_not_rise(washer: Scenario) -> None:
    read = read_scenario(TEXT.replace("frames = 60", "frames = 60\nlevels_mm = [20, 10, 90]", 1), "file")
    assert read.find_recipe("dry").levels_mm == (20.0, 10.0, 90.0)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("[5]", "liquid_c: 5; expected two numbers"),
        ("[60, 50]", "least, most"),
        ("[5, 400]", "from -50 to 150"),
    ],
)
def test_a_recipes_warmth_is_a_range(given: str, said: str) -> None:
    with pytest.raises(InputError, match=r"recipe .*liquid_c") as refused:
        read_scenario(TEXT.replace("frames = 60", f"frames = 60\nliquid_c = {given}", 1), "file")
    assert said in str(refused.value)

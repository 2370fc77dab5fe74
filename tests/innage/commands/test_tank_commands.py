"""Tanks with shapes, liquids, layouts and mountings on the command line."""

from __future__ import annotations

import json
import shutil
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import trimesh
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from calling import refused_line as refused
from calling import run_line as run
from dataset.store import Store
from innage.pictures.drawings import shared

LAYOUT = """channel,pad,bottom_mm,height_mm,width_mm,frequency_hz,role
0,low,0,50,8,100000,level
1,low,0,50,8,1000000,level
2,high,52,50,8,100000,
3,ref,-20,10,8,,reference
"""
SENSOR = "sensor add strip --layout layout.csv --count-bits 16 --count-law rises --period-ms 100"


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty store to copy, so that not every test waits for the migrations."""
    path = tmp_path_factory.mktemp("empty") / "innage.db"
    Store.open(path).close()
    return path


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, empty: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own, with a layout and a store, where the commands find them."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("INNAGE_STORE", raising=False)
    Path("layout.csv").write_text(LAYOUT)
    shutil.copy(empty, "innage.db")
    return tmp_path


def run_json(line: str) -> Any:
    return json.loads(run(line + " --json"))


@pytest.fixture(scope="module")
def shapes(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Path:
    """A store for the revisions of one tank."""
    return Path(shutil.copy(empty, tmp_path_factory.mktemp("shapes")))


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Path:
    """A store that nothing is added to any more: two tanks, a sensor on one of them, a liquid."""
    folder = tmp_path_factory.mktemp("furnished")
    (folder / "layout.csv").write_text(LAYOUT)
    shutil.copy(empty, folder)
    for line in (
        "tank add bare --span-mm 100",
        "tank add cone --cone 0x60x30",
        SENSOR.replace("layout.csv", str(folder / "layout.csv")),
        "mounting add m --tank bare --sensor strip",
        "liquid add tap --like water",
    ):
        run(f"{line} --store {folder / 'innage.db'}")
    return folder / "innage.db"


@pytest.mark.parametrize(
    ("shape", "said", "full_ml"),
    [
        # the whole volumes are those of the school formulas and, for the ends, of the package `fluids` (D 0.2
        # m, L 0.3 m)
        ("--span-mm 100 --box 120x80", "span 100 mm, 960 mL; box (width 120, depth 80, 100 mm tall)", 960.0),
        (
            "--span-mm 90 --headspace-mm 10 --cylinder-mm 50",
            "span 90 mm, 176.715 mL; cylinder (diameter 50, 100 mm tall)",
            196.3495,
        ),
        ("--cone 0x60x30", "span 30 mm, 28.2743 mL; cone (top 60, 30 mm tall)", 28.27433),
        (
            "--lying-cylinder 200x300",
            "span 200 mm, 9424.78 mL; lying-cylinder (diameter 200, length 300, flat, 200 mm tall)",
            9424.778,
        ),
        ("--lying-cylinder 200x300 --ends torispherical:1:0.06", "torispherical, f 1, k 0.06", 10720.762),
        ("--lying-cylinder 200x300 --ends ellipsoidal:50 --headspace-mm 20", "span 180 mm", 11519.173),
        (
            "--section cone:0x200:50 --section cylinder:200:300",
            "span 350 mm, 9948.38 mL; cone (top 200, 50 mm tall) + cylinder",
            9948.377,
        ),
        (
            "--section spherical:100:50 --section box:100x100:10 --section taper:100x100:50x50:60",
            "dish (spherical, diameter 100, depth 50, bottom",
            711.7994,
        ),
        (
            "--section cylinder:100:50 --section torispherical:100:1:0.06",
            "torispherical-dish (diameter 100, f 1, k 0.06, top, ",
            473.6972,
        ),
    ],
)
def test_shapes(shape: str, said: str, full_ml: float, shapes: Path) -> None:
    """Each way of saying the shape gives the tank its whole volume, and the span is all of it where none is
    given.
    """
    assert said in run(f"tank add can {shape} --store {shapes}")
    tank = run_json(f"tank show can --store {shapes}")
    assert tank["volumes"][-1]["volume_ml"] == pytest.approx(full_ml, rel=2e-6)
    assert tank["span_mm"] + tank["headspace_mm"] == pytest.approx(tank["volumes"][-1]["level_mm"])


def test_shapes_from_files() -> None:
    """A strapping table and a mesh become profiles; the table says that it's linear between its heights."""
    Path("table.csv").write_text("height_mm,volume_ml\n0,20\n50,400\n100,1000\n")
    trimesh.creation.box((120, 80, 100)).export("box.stl")
    assert (
        run("tank add strapped --strapping table.csv")
        == "tank strapped@1: span 100 mm, 980 mL; strapping, 3 heights\n"
    )
    assert "between the heights of the strapping table the volume is taken as linear" in run(
        "tank show strapped"
    )
    assert run_json("tank show strapped")["dead_volume_ml"] == 20
    assert (
        run("tank add drawn --mesh box.stl --span-mm 90 --datum-mm 2")
        == "tank drawn@1: span 90 mm, 864 mL; mesh box.stl, 2 heights\n"
    )
    drawn = run_json("tank show drawn")
    assert (drawn["headspace_mm"], drawn["dead_volume_ml"]) == pytest.approx((8, 19.2))
    assert run_json("tank list")[1]["profile"]["sections"][0]["kind"] == "strapping"
    assert "mesh" in run("tank list")


def test_volumes_and_levels() -> None:
    """'tank volume' goes both ways, with the vessel's expansion and its tilt."""
    run("tank add box --span-mm 100 --box 120x80 --headspace-mm 10 --expansion-per-k 1e-4 --reference-c 20")
    assert (
        run("tank volume box --level-mm 40")
        == "tank box@1: 40 mm above the datum are 384 mL (surface 9600 mm2)\n"
    )
    there = run_json("tank volume box --level-mm 40 --temperature-c 60")
    assert there["volume_ml"] == pytest.approx(384 * 1.004**2)
    assert run_json(f"tank volume box@1 --volume-ml {there['volume_ml']!r} --temperature-c 60")[
        "level_mm"
    ] == pytest.approx(40, rel=1e-12)
    assert "tilted by 5 degrees, a pad 60 mm beside the axis sees 45.2493 mm" in run(
        "tank volume box --volume-ml 384 --tilt-deg 5 --pad-offset-mm 60"
    )
    assert run_json("tank volume box --level-mm 40")["level_at_pad_mm"] is None


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        (
            "tank add can",
            "innage: --span-mm: isn't given; expected the usable height, or a shape that has one\n",
        ),
        (
            "tank add can --box 120x80",
            "innage: --span-mm: isn't given; expected the usable height: this shape has none of its own\n",
        ),
        ("tank add can --span-mm 9 --box 120", "innage: --box: 120; expected WIDTHxDEPTH, such as 120x80\n"),
        (
            "tank add can --span-mm 9 --box 1x2 --cone 1x2x3",
            "innage: the tank's shape: --box and --cone; expected one of them. Stack parts with --section\n",
        ),
        ("tank add can --span-mm 9 --ends flat", "--lying-cylinder beside it"),
        (
            "tank add can --lying-cylinder 9x9 --ends round",
            "innage: --ends: round; expected flat, ellipsoidal:DEPTH",
        ),
        ("tank add can --lying-cylinder 9x9 --ends conical", "innage: --ends: conical; expected"),
        ("tank add can --lying-cylinder 9x9 --ends conical:a", "innage: --ends: conical:a; expected"),
        ("tank add can --section pot:1:2", "innage: --section: pot:1:2; expected box:WIDTHxDEPTH:HEIGHT"),
        ("tank add can --section box:1:2", "innage: --section: box:1:2; expected"),
        ("tank add can --span-mm 9 --datum-mm 1", "innage: --datum-mm: 1; expected a shape beside it"),
        (
            "tank add can --span-mm 31 --cone 0x60x30",
            "a span of 31 mm; expected at most 30 mm, the inner height of the profile above the datum",
        ),
        (
            "tank add can --span-mm 9 --expansion-per-k 1e-4",
            "both or neither. Give --expansion-per-k and --reference-c",
        ),
        (
            "tank volume bare --level-mm 1",
            "innage: tank bare@1: has no profile, so levels and volumes can't be converted. Add a revision",
        ),
        ("tank volume cone", "neither or both of --level-mm and --volume-ml"),
        (
            "tank volume cone --level-mm 31",
            "innage: level: 31; expected within the tank's profile, 0 to 30 mm\n",
        ),
        ("tank volume cone --level-mm 3 --temperature-c 40", "has no expansion coefficient"),
        ("tank volume cone --level-mm 3 --tilt-deg 3", "an upright prism (box or cylinder)"),
        ("tank show cone --picture cone.txt", "a figure called *.txt"),
        ("tank show bare --picture bare.svg", "tank bare@1: has no profile"),
        ("tank show cone --mounting m", "--picture beside it"),
        (
            "tank show cone --mounting m --picture c.svg",
            "innage: mounting m: is on tank bare@1; expected one on cone@1. Show tank bare@1\n",
        ),
        (
            "sensor add s --count-bits 8 --count-law rises --period-ms 9",
            "neither or both of --pad and --layout",
        ),
        (SENSOR + " --reference ref", "innage: --reference: ref; expected none beside --layout"),
        ("liquid add x --like beer", "innage: --like: beer; expected one of water, ethanol"),
        (
            "liquid show tap --at-c 120",
            "innage: liquid tap, permittivity: 120 C; expected 0 to 100 C, where the model 'water' holds",
        ),
    ],
)
def test_what_is_refused(line: str, sentence: str, furnished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A call that can't be meant ends with exit code 2 and one sentence."""
    monkeypatch.setenv("INNAGE_STORE", str(furnished))
    said = refused(line)
    assert sentence.removeprefix("innage: ") in said
    assert said.count("\n") == 1


def test_layouts_and_mountings() -> None:
    """A layout file makes a sensor whose channels have names; a mounting warns of pads that see nothing, when
    added and when shown.
    """
    assert (
        run(SENSOR)
        == "sensor strip@1: pads low@100kHz, low@1MHz, high, ref; 16 bits, count rises with C, 100 ms\n"
    )
    assert "1MHz" in run("sensor show strip")
    run("tank add can --span-mm 100 --box 120x80")
    assert (
        run("mounting add good --tank can --sensor strip --offset-mm 1 --offset-tolerance-mm 0.5").count(
            "warning"
        )
        == 0
    )
    warning = (
        "warning: pad high reaches from 101 to 151 mm above the datum, wholly above the tank, "
        "whose inner top is at 100 mm\n"
    )
    assert run("mounting add high --tank can --sensor strip --offset-mm 49").endswith(warning)
    assert run("mounting show high").endswith(warning)
    assert "low@100kHz" in run("mounting show high")
    assert [w[:8] for w in run_json("mounting show high")["warnings"]] == ["pad high"]
    assert run_json("mounting list")[0]["tank"]["profile"]["sections"] == [
        {"kind": "box", "width_mm": 120.0, "depth_mm": 80.0, "height_mm": 100.0}
    ]


def test_liquids() -> None:
    """Common liquids are listed with their sources and can be started from; what overrides them is named in
    the source.
    """
    assert [x["name"] for x in run_json("liquid common")][:2] == ["water", "ethanol"]
    assert "IAPWS-95" in run("liquid common")
    assert (
        run("liquid add tap --like water --conductivity-s-m 0.05")
        == "liquid tap, like water: permittivity: IAPWS R8-97; density: IAPWS-95\n"
    )
    tap = run_json("liquid show tap --at-c 20 --at-c 60")
    assert (tap["model"], tap["conductivity"], tap["permittivity"]) == ("water", 0.05, None)
    assert [round(x["density"], 2) for x in tap["at"]] == [998.21, 983.20]
    assert "983.196" in run("liquid show tap --at-c 60")
    run("liquid add oil --like triolein --density-kg-m3 912 --source weighed")
    oil = run_json("liquid show oil")
    assert (oil["permittivity"], oil["density"], oil["source"]) == (
        3.109,
        912.0,
        "permittivity: CRC Handbook, Permittivity of Liquids; density: weighed",
    )
    assert "by model" in run("liquid list")


def png_size(path: Path) -> tuple[int, int]:
    """Width and height in a PNG's header (RFC 2083)."""
    content = path.read_bytes()
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", content[16:24])
    return width, height


@pytest.mark.longer
def test_pictures(folder: Path) -> None:
    """Tanks, mountings and sensors are drawn; the same content gives the same bytes, another
    mounting others.
    """
    run("tank add can --lying-cylinder 120x200 --ends ellipsoidal:30 --span-mm 100 --inlet-mm 110")
    run(SENSOR)
    run("mounting add low --tank can --sensor strip --offset-tolerance-mm 1")
    run("mounting add high --tank can --sensor strip --offset-mm 10")
    run("tank show can --picture can.png")
    assert png_size(folder / "can.png") == (960, 576)
    run("sensor show strip --picture strip.png")
    assert png_size(folder / "strip.png") == (600, 660)
    for name, mounting in (("a", "low"), ("b", "low"), ("c", "high")):
        run(f"tank show can --mounting {mounting} --picture {name}.svg")
    one, same, other = ((folder / f"{name}.svg").read_bytes() for name in "abc")
    assert one.startswith(b"<?xml")
    assert one == same != other


def test_pads_are_drawn_where_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside a tank each pad's rectangle reaches over its heights above the datum; alone, over its own
    coordinate.
    """
    drawn: list[Figure] = []

    @contextmanager
    def kept(path: Path, width: float = 8.0, height: float = 4.5) -> Iterator[Figure]:
        drawn.append(Figure())
        yield drawn[-1]

    monkeypatch.setattr("innage.pictures.drawings.figure", kept)
    run("tank add can --span-mm 100 --box 120x80")
    run(SENSOR)
    run("mounting add m --tank can --sensor strip --offset-mm 7")
    run("tank show can --mounting m --picture x.svg")
    run("sensor show strip --picture x.svg")
    reach = [
        [(p.get_y(), p.get_y() + p.get_height()) for p in figure.axes[0].patches if isinstance(p, Rectangle)]
        for figure in drawn
    ]
    assert reach == [[(7, 57), (59, 109), (-13, -3)], [(0, 50), (52, 102), (-20, -10)]]


def test_a_pad_is_drawn_once() -> None:
    """Channels of one pad share a rectangle that is named with all of them."""
    run(SENSOR)
    with Store.open(Path("innage.db")) as store:
        names = [name for _, name in shared(store.sensor("strip").pads)]
    assert names == ["low: channels 0, 1 (100kHz, 1MHz)", "high: channel 2 (100kHz)", "ref: channel 3"]

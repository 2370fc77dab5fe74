"""``innage report``: pages that stand alone, say the same twice, and show names as text whatever
is in them.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from calling import run
from dataset.coverage.gaps import find_gaps
from dataset.records import (
    Conditions,
    CountLaw,
    DoorWarning,
    Frames,
    Limit,
    Limits,
    Liquid,
    Mark,
    Mounting,
    Pad,
    Role,
    Sensor,
    Session,
    Source,
    Stretch,
    Tank,
    Unit,
)
from dataset.store import Store
from export.report.html_page import page
from export.report.plots import response_plot
from innage.cli import app
from innage.jobs.models.judging import Comparison
from innage.jobs.models.reporting import comparison_page, frozen_page
from innage.jobs.sessions.session_facts import mark_summary, session_facts
from innage.jobs.sessions.session_page import session_page
from innage.pictures.figures import ink_on
from training.judging.figures import (
    AnsweredLimit,
    AnsweredPair,
    CellDifference,
    ClassDifference,
    Differences,
    Interval,
)

PINNED = Path(__file__).parents[2] / "data" / "stores" / "0006_temperature.db"
HOSTILE = "<script>console.log(1)</script><img src=x onerror=console.log(2)>\"a\" & 'b' $\\frac$ \u6c34 -->"
PAGES = (
    ("compare", "first", "line"),
    ("session", "dedee24cfaa7"),
    ("frozen", "half-steps"),
    ("model", "first"),
)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every kind of page, of a store with one measured session that was voided for a hostile reason, and of a
    model beside a straight line.
    """
    folder = tmp_path_factory.mktemp("reports")
    store = Path(shutil.copy(PINNED, folder / "innage.db"))
    words_of_line = ("train", "half-steps", "--name", "line", "--family", "line", "--store", str(store))
    assert CliRunner().invoke(app, words_of_line).exit_code == 0
    found = {}
    for kind, *words in PAGES:
        if kind == "session":  # what is compared must not be void
            assert (
                CliRunner()
                .invoke(app, ["void", "dedee24cfaa7", "--reason", HOSTILE, "--store", str(store)])
                .exit_code
                == 0
            )
        for again in ("", "again") if kind in ("session", "model") else ("",):
            out = folder / f"{kind}{again}.html"
            done = CliRunner().invoke(app, ["report", kind, *words, "--out", str(out), "--store", str(store)])
            assert done.exit_code == 0, done.output + str(done.exception)
            found[kind + again] = out.read_text(encoding="utf-8")
    return found


@pytest.mark.slow
def test_pages_stand_alone(pages: dict[str, str]) -> None:
    """Nothing is loaded, nothing runs; cautions are there; the limits are the first heading of a model's page
    and of a comparison's.
    """
    for content in pages.values():
        assert content.startswith("<!doctype html>")
        assert not re.search(r"<(script|link|img|iframe)|@import|url\((?!#)", content)
        assert "It is not a protective control" in content
    for kind in ("model", "compare"):
        (first, *_) = re.findall(r"<h2>(.*?)</h2>", pages[kind])
        assert first.startswith("Limits")


@pytest.mark.slow
def test_the_same_twice(pages: dict[str, str]) -> None:
    """Nothing drawn, nothing of the clock."""
    for kind in ("session", "model"):
        assert pages[kind] == pages[kind + "again"]


class Read(HTMLParser):
    """The tags and attributes of a page, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags, self.attributes, self.text = set[str](), set[str](), ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}

    def handle_data(self, data: str) -> None:
        self.text += data


def shown_as_text(page: str, times: int) -> None:
    """The hostile name is read ``times`` or more, whole, and made no tag and no attribute."""
    read = Read(page)
    assert not read.tags & {"script", "img"}
    assert not read.attributes & {"onerror", "src"}
    assert "console" not in "".join(re.findall(r"<!--.*?-->|<style>.*?</style>", page, re.DOTALL))
    assert read.text.count(HOSTILE) >= times


def renamed(session: Session) -> Session:
    """A session with hostile words wherever words are: the registry refuses such names, a page must not
    depend on that.
    """
    sensor, tank = session.mounting.sensor, session.mounting.tank
    pads = tuple(replace(pad, name=HOSTILE) for pad in sensor.pads)
    mounting = replace(
        session.mounting,
        name=HOSTILE,
        tank=replace(tank, name=HOSTILE),
        sensor=replace(sensor, name=HOSTILE, pads=pads),
    )
    return replace(
        session,
        mounting=mounting,
        unit=replace(session.unit, name=HOSTILE),
        liquid=replace(session.liquid, name=HOSTILE),
        void_reason=HOSTILE,
        source=replace(session.source, file=HOSTILE),
        note=HOSTILE,
        warnings=(DoorWarning(HOSTILE, HOSTILE),),
        marks=tuple(replace(mark, method=HOSTILE) for mark in session.marks),
        stretches=(Stretch(0, 9, Conditions(appliance=HOSTILE)),),
    )


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """A page of each kind but a model's, with hostile words wherever words are."""
    with Store.open(shutil.copy(PINNED, tmp_path_factory.mktemp("hostile") / "innage.db")) as store:
        (session,), frozen = store.sessions(), store.frozen_set("half-steps")
        frames = store.frames(session)
    bad = renamed(session)
    gaps = find_gaps([replace(bad, void_reason=None)], {bad.sha256: [20.0] * len(bad.marks)})
    group = {"group": HOSTILE, "role": "fit", "frames": 1, "sessions": [HOSTILE]}
    groups = [group, *(group | {"group": name} for name in ("u10", "u2"))]
    value = Interval(1.0, 0.5, 1.5)
    limit = AnsweredLimit(HOSTILE, HOSTILE, 1.0, None, 1, 0.5, HOSTILE, HOSTILE)
    figures = Differences(
        classes={HOSTILE: ClassDifference(1, 1, 1, 1, value, value)},
        cells=(CellDifference(HOSTILE, HOSTILE, "0 to 10 %", 1, 1, 0.5, 1.5, 1.0),),
        limits=(AnsweredPair(limit, limit),),
        losses=(HOSTILE,),
        undecided=(HOSTILE,),
        gains=(HOSTILE,),
        method=HOSTILE,
    )
    named = replace(frozen, name=HOSTILE)
    owner = Limits(HOSTILE, 1, (Limit("rmse_mm", 1.0),))
    compared = Comparison(
        HOSTILE, HOSTILE, ("a" * 64, "b" * 64), named, Role.PROVE, 1, owner, (None, None), figures
    )
    means = [mark_summary(mark, frames) for mark in bad.marks]
    return {
        "session": session_page(bad, frames, session_facts(bad), means),
        "frozen": frozen_page(
            replace(frozen, name=HOSTILE, sessions=(bad,)), {"groups": groups}, gaps, [HOSTILE]
        ),
        "compare": comparison_page(compared),
    }


def test_hostile_names_are_text_everywhere(hostile: dict[str, str]) -> None:
    """In tables, captions, headings, titles and pictures; the counts are those of the places
    that hold them.
    """
    for kind, times in (("session", 30), ("frozen", 8), ("compare", 20)):
        shown_as_text(hostile[kind], times)
    shown_as_text(response_plot([(HOSTILE, [(0.0, 0.0), (1.0, 1.0)])]), 2)
    shown_as_text(page(HOSTILE, []), 1)


def test_a_comparison_names_both_programs(hostile: dict[str, str]) -> None:
    """At its top and at the foot of each printed sheet, by the first digits of their hashes."""
    for sha256 in ("a" * 12, "b" * 12):
        assert f"<code>{sha256}</code>" in hostile["compare"]
    assert f'hash {"b" * 12} and {"a" * 12}"' in hostile["compare"]


def test_groups_stand_as_people_count(hostile: dict[str, str]) -> None:
    assert hostile["frozen"].index("<td>u2</td>") < hostile["frozen"].index("<td>u10</td>")


@pytest.mark.slow
def test_text_stays_text(pages: dict[str, str]) -> None:
    """What a user wrote is shown, not run."""
    for kind in ("session", "frozen"):
        shown_as_text(pages[kind], 1)


def test_a_ramp_over_eight_pads_has_a_response_and_tables_that_fit() -> None:
    """Pad k passes half of its way at 10 k + 5 mm of a filling from 0 to 80 mm; the tables have six pads and
    two; the ramp's both ends are there.
    """
    level = np.linspace(0.0, 80.0, 801)
    counts = np.stack([1000 * np.clip((level - 10 * k) / 10, 0, 1) for k in range(8)], axis=1)
    sensor = Sensor(
        "strip", 1, tuple(Pad(k, f"p{k}", 10.0 * k, 10.0) for k in range(8)), 12, CountLaw.RISES, 100
    )
    mounting, mark = Mounting("m", Tank("t", 1, 80.0), sensor), Mark(0, 801, 0.0, 0.3, 0.2, 80.0)
    made = Session("abc", "abc", Unit("u"), Liquid("water"), mounting, 801, (mark,), Source("f.csv", "0"))
    frames = Frames(np.arange(801, dtype=np.int64) * 100, counts.astype(np.uint32))
    shown = session_page(made, frames, session_facts(made), [mark_summary(mark, frames)])
    assert "<td>0 to 80</td><td class=n>0.3</td><td class=n>0.2</td>" in shown
    assert re.findall(r"<th>Frames</th>((?:<th class=n>p\d</th>)+)", shown) == [
        "".join(f"<th class=n>p{k}</th>" for k in some) for some in (range(6), (6, 7))
    ]
    response = shown[shown.index("<h2>Pad response") : shown.index("<h2>Course")]
    lines = re.findall(r'x="([\d.]+)" y="[\d.]+">p(\d)<', response)
    ticks = {
        float(text): float(x)
        for x, text in re.findall(r'class="mid" x="([\d.]+)" y="[\d.]+">([\d.]+)<', response)
    }
    for x, pad in lines:
        assert float(x) - 4 == pytest.approx(
            np.interp(10 * int(pad) + 5, list(ticks), list(ticks.values())), abs=8
        )
    assert [pad for _, pad in lines] == list("01234567")


@pytest.mark.longer
def test_a_session_tells_who_when_with_what_and_what_was_amended(tmp_path: Path) -> None:
    """As stated and amended, once each; a bench by name and identity; nothing where nothing was stated."""
    path = tmp_path / "innage.db"
    with Store.open(shutil.copy(PINNED, path)) as store:
        (sealed,) = store.sessions()
    out, by = tmp_path / "page.html", ("--author", "A. Bench", "--reason", "read the label <again>")
    where = ("--store", str(path))
    run("report", "session", sealed.id, "--out", out, *where)
    before = Read(out.read_text(encoding="utf-8")).text
    assert "Who, when, with what\nNothing was stated." in before
    assert "Amendments" not in before
    run("operator", "add", "ab", *where)
    late = ("--operator", "ab", "--start", "2026-03-02T09:15+01:00", "--board-firmware", "1.4")
    run("amend", sealed.id, *late, *by, *where)
    run("amend", sealed.id, "--board-firmware", "1.5", *by, *where)
    for tag in ("late", "cold"):
        run("tag", "add", tag, sealed.id, *where)
    run("retire", "unit", sealed.unit.name, "--reason", "fell <down>", *where)
    run("report", "session", sealed.id, "--out", out, "--replace", *where)
    content = out.read_text(encoding="utf-8")
    after = Read(content).text
    for what, said in (("Operator", "ab"), ("Start", "2026-03-02T09:15:00+01:00"), ("Board firmware", "1.5")):
        assert f"{what}{said}" in after
    assert "Tagscold, late" in after
    assert after.count("read the label <again>") == 2
    assert f"Unit {sealed.unit.name} is retired by now: fell <down>" in after
    with Store.open(path) as store:
        first, second = store.amendments(sealed.id)
    assert f"{second.sha256[:12]}, in use" in after
    assert f"{first.sha256[:12]}operator ab" in after
    assert content.index("<h2>Amendments") < content.index("<h2>Facts")
    assert "firmware" not in content[content.index("<h2>Facts") :]


def test_a_page_that_is_there_stays(tmp_path: Path) -> None:
    """Without --replace it is refused before anything is opened; another kind of file is refused too."""
    there = tmp_path / "there.html"
    there.write_text("mine")
    store = Path(shutil.copy(PINNED, tmp_path / "innage.db"))
    for out, said in ((there, "is there already"), (tmp_path / "page.pdf", "a page, FILE.html")):
        done = CliRunner().invoke(
            app, ["report", "session", "dedee24cfaa7", "--out", str(out), "--store", str(store)]
        )
        assert done.exit_code == 2
        assert said in done.stderr
    assert there.read_text() == "mine"
    done = CliRunner().invoke(
        app, ["report", "session", "dedee24cfaa7", "--out", str(there), "--replace", "--store", str(store)]
    )
    assert done.exit_code == 0
    assert there.read_text().startswith("<!doctype html>")
    assert "It is not a protective control" in there.read_text()


@pytest.mark.longer
def test_a_models_page_is_scored_where_that_is_asked_for(tmp_path: Path) -> None:
    """Single breaks are counted; the page's hash and days stand at its top, its caution in a line and
    whole.
    """
    store, out = Path(shutil.copy(PINNED, tmp_path / "innage.db")), tmp_path / "page.html"
    run("report", "model", "first", "--score", "--out", out, "--store", str(store))
    content = out.read_text(encoding="utf-8")
    text = Read(content).text
    assert "self-testsigns and thresholds held out" in text
    assert "The vectors are drawn from the program alone" in text
    assert text.count("not a protective control") == 2
    with Store.open(store) as opened:
        model = opened.model("first")
    assert f"Hash {model.sha256[:12]}" in text
    assert f'@bottom-left{{content:"first, hash {model.sha256[:12]}"' in content
    assert "counter(page)" in content


def luminance(colour: str) -> float:
    """Relative luminance of #rgb or #rrggbb (WCAG 2.1, definition)."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_text_is_readable_by_light_and_in_the_dark() -> None:
    """Contrast of every colour of text with its ground is at least 4.5 (WCAG 2.1, 1.4.3)."""
    style = page("", [])
    schemes = re.findall(r":root\{(.*?)\}", style, re.DOTALL)
    assert len(schemes) == 2
    for scheme in schemes:
        colours = {name: luminance(value) for name, value in re.findall(r"--(\w+):(#\w+)", scheme)}
        for ink, ground in (
            ("ink", "paper"),
            ("soft", "paper"),
            ("blue", "paper"),
            ("good", "paper"),
            ("bad", "paper"),
            ("warn", "paper"),
            ("ink", "warnbg"),
        ):
            light, dark = sorted((colours[ink], colours[ground]), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)


def test_numbers_are_readable_on_every_colour_of_a_map() -> None:
    """Black or white, whichever is chosen, has a contrast of at least 4.5 with its ground (WCAG
    2.1, 1.4.3).
    """
    for red, green, blue in product(range(0, 256, 15), repeat=3):
        ground, ink = (
            luminance(f"#{red:02x}{green:02x}{blue:02x}"),
            luminance({"black": "#000", "white": "#fff"}[ink_on(red / 255, green / 255, blue / 255)]),
        )
        assert (max(ground, ink) + 0.05) / (min(ground, ink) + 0.05) >= 4.5


@pytest.mark.slow
@pytest.mark.parametrize("width", [1280, 390])
def test_in_a_browser(
    pages: dict[str, str], hostile: dict[str, str], width: int, fits_a_browser: Callable[[str, int], None]
) -> None:
    """Nothing is said on the console, and no page is wider than the window; those with hostile words
    included.
    """
    for content in (*(its for kind, its in pages.items() if not kind.endswith("again")), *hostile.values()):
        fits_a_browser(content, width)

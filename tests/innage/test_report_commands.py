"""``innage report``: pages that stand alone, say the same twice, and show names as text whatever is in them."""

from __future__ import annotations

import re
import shutil
import subprocess
from html import escape
from pathlib import Path

import pytest
from typer.testing import CliRunner

from export.html_page import page
from export.plots import response_plot
from innage.cli import app

PINNED = Path(__file__).parents[1] / "data" / "stores" / "0006_temperature.db"
HOSTILE = "<script>alert(1)</script>"
PAGES = (("compare", "first", "first"), ("session", "dedee24cfaa7"), ("frozen", "half-steps"), ("model", "first"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every kind of page, of a store with one measured session that was voided for a hostile reason, and of a model beside itself."""
    folder = tmp_path_factory.mktemp("reports")
    store = Path(shutil.copy(PINNED, folder / "innage.db"))
    found = {}
    for kind, *words in PAGES:
        if kind == "session":  # what is compared must not be void
            assert CliRunner().invoke(app, ["void", "dedee24cfaa7", "--reason", HOSTILE, "--store", str(store)]).exit_code == 0
        for again in ("", "again") if kind in ("session", "model") else ("",):
            out = folder / f"{kind}{again}.html"
            done = CliRunner().invoke(app, ["report", kind, *words, "--out", str(out), "--store", str(store)])
            assert done.exit_code == 0, done.output + str(done.exception)
            found[kind + again] = out.read_text(encoding="utf-8")
    return found


@pytest.mark.slow
def test_pages_stand_alone(pages: dict[str, str]) -> None:
    """Nothing is loaded, nothing runs; cautions are there; the limits are the first heading of a model's page and of a comparison's."""
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


@pytest.mark.slow
def test_text_stays_text(pages: dict[str, str]) -> None:
    """What a user wrote is shown, not run."""
    for kind in ("session", "frozen"):
        assert HOSTILE not in pages[kind]
        assert "&lt;script&gt;alert(1)" in pages[kind]
    assert HOSTILE not in response_plot([(HOSTILE, [(0.0, 0.0), (1.0, 1.0)])])
    assert HOSTILE not in page(HOSTILE, [])


def test_a_page_that_is_there_stays(tmp_path: Path) -> None:
    """Without --replace it is refused before anything is opened; another kind of file is refused too."""
    there = tmp_path / "there.html"
    there.write_text("mine")
    store = Path(shutil.copy(PINNED, tmp_path / "innage.db"))
    for out, said in ((there, "is there already"), (tmp_path / "page.pdf", "a page, FILE.html")):
        done = CliRunner().invoke(app, ["report", "session", "dedee24cfaa7", "--out", str(out), "--store", str(store)])
        assert done.exit_code == 2
        assert said in done.stderr
    assert there.read_text() == "mine"
    done = CliRunner().invoke(app, ["report", "session", "dedee24cfaa7", "--out", str(there), "--replace", "--store", str(store)])
    assert done.exit_code == 0
    assert there.read_text().startswith("<!doctype html>")
    assert "It is not a protective control" in there.read_text()


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
        for ink, ground in (("ink", "paper"), ("soft", "paper"), ("good", "paper"), ("bad", "paper"), ("warn", "paper"), ("ink", "warnbg")):
            light, dark = sorted((colours[ink], colours[ground]), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, ground)


@pytest.mark.slow
@pytest.mark.parametrize("width", [1280, 390])
def test_in_a_browser(pages: dict[str, str], tmp_path: Path, width: int) -> None:
    """Nothing is said on the console, and no page is wider than the window."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("there is no browser here")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking", "--disable-component-update"]
    for kind, content in ((kind, content) for kind, content in pages.items() if not kind.endswith("again")):
        # in a frame, since a browser's own window may not get narrower than 500 px
        framed = f'<iframe id=f style="width:{width}px;height:900px;border:0" srcdoc="{escape(content)}"></iframe>'
        measured = "const d = f.contentDocument.documentElement; document.title = `${f.clientWidth}: ${d.scrollWidth - d.clientWidth}`"
        probe = f"<script>onload = () => {{ {measured} }}</script>"
        (tmp_path / "page.html").write_text(f"<!doctype html><title></title>{framed}{probe}")
        command = [browser, *flags, "--disable-sync", f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1400,950", "--enable-logging=stderr"]
        done = subprocess.run([*command, "--dump-dom", f"file://{tmp_path / 'page.html'}"], capture_output=True, text=True, timeout=120, check=False)
        assert f"<title>{width}: 0</title>" in done.stdout, kind
        assert "CONSOLE" not in done.stderr, done.stderr

"""Every run of the tests draws the same examples, a slow machine is no failure, and the longest test does not
begin last.
"""

from __future__ import annotations

import gc
import importlib.util
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import cache
from html import escape
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

import pytest
from builds import KeptBuilds
from hypothesis import settings

from dataset.store import database
from dataset.store.database import HISTORY
from export.compilers import zig
from export.evidence import drawing as evidence_drawing
from export.evidence.drawing import Drawn
from export.evidence.streams import Streams
from innage.terminal import stage_lines
from servers import NO_SERVER, Server, programs
from training.program import Program, to_json

if TYPE_CHECKING:
    from playwright.sync_api import Browser

# fits run in the process of the tests: another one spends more on its imports than on what it fits
os.environ.setdefault("LOKY_MAX_CPU_COUNT", "1")

settings.register_profile("fixed", derandomize=True, deadline=None)
settings.load_profile("fixed")

BENCH = "7e57" * 8  # of every new store, so that all are of one bench
UPGRADE = database.upgrade
DRAW = evidence_drawing.draw
ZIG_SAYS = zig.says


@pytest.fixture(scope="session", autouse=True)
def _new_stores_are_copied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A new store of a bench is the same file each time, so that the migrations make one a session and the
    others are copies; running them took more time than what most tests of stores do. ``migrating`` undoes it.
    """
    folder = tmp_path_factory.mktemp("new")

    @cache
    def new_store(bench: str) -> bytes:
        template = folder / f"{bench}.db"
        UPGRADE(template, bench=bench)
        return template.read_bytes()

    def copied(path: Path, *revisions: Any, **named: Any) -> None:
        if (
            revisions
            or {*named} - {"timeout_s", "history", "bench"}
            or named.get("history", HISTORY) is not HISTORY
        ):
            return UPGRADE(path, *revisions, **named)
        content = new_store(named.get("bench") or BENCH)
        try:
            with path.open("xb") as new:  # as the driver makes it: what cannot be written is its to say
                new.write(content)
        except OSError:
            UPGRADE(path, *revisions, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "upgrade", copied)
        yield


@pytest.fixture(scope="session", autouse=True)
def _pipes_are_told_no_stages() -> Iterator[None]:
    """What a command says beside its result hangs on how long it takes, and so on the machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stage_lines, "QUIET_S", float("inf"))
        yield


@pytest.fixture
def migrating(monkeypatch: pytest.MonkeyPatch) -> None:
    """The migrations make each new store of the test, as they do outside the tests."""
    monkeypatch.setattr(database, "upgrade", UPGRADE)


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server: ``server.store()`` is the place of a new store, ``server.empty()`` of a database
    with nothing in it. Those that stop or kill one start a :class:`Server` of their own.
    """
    if programs() is None:
        pytest.skip(NO_SERVER)
    started = Server()
    yield started
    started.close()


@pytest.fixture(scope="session", autouse=True)
def _streams_are_drawn_once() -> Iterator[None]:
    """The same streams are drawn for the same program, count and seed, which took a third of the time of the
    tests of exports: once a session is enough for tests of something else. ``drawing`` undoes it.
    """
    drawn: dict[tuple[str, int, int], Drawn] = {}

    def once(program: Program, count: int, seed: int, given: Streams | None = None) -> Drawn:
        if given is not None:
            return DRAW(program, count, seed, given)
        key = (to_json(program), count, seed)
        if key not in drawn:
            drawn[key] = DRAW(program, count, seed)
        return drawn[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(evidence_drawing, "draw", once)
        yield


@pytest.fixture
def drawing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Streams are drawn anew each time, as they are outside the tests."""
    monkeypatch.setattr(evidence_drawing, "draw", DRAW)


@pytest.fixture(scope="session", autouse=True)
def _c_is_compiled_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """The compiler makes the same of the same files and words each time, which took nearly half of the time
    of an export: what it has made in this run, in whatever worker, is taken again. ``compiling`` undoes it.
    """
    folder = tmp_path_factory.getbasetemp()
    kept = KeptBuilds((folder.parent if "PYTEST_XDIST_WORKER" in os.environ else folder) / "builds", ZIG_SAYS)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(zig, "says", kept.says)
        yield


@pytest.fixture
def compiling(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiler is run each time, as it is outside the tests."""
    monkeypatch.setattr(zig, "says", ZIG_SAYS)


_BENCH = Path(__file__).parents[1] / "bench"


@pytest.fixture(scope="session")
def bench_module() -> Callable[[str], ModuleType]:
    """Loads a module of bench/, which is no package, by its name: what tests and benches share."""

    def load(name: str) -> ModuleType:
        spec = importlib.util.spec_from_file_location(f"bench_{name}", _BENCH / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    return load


_QUIET = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1400,950",
    "--enable-logging=stderr",
)


def _installed_browser() -> str:
    """The browser of this machine; skips where there is none."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("there is no browser here")
    return browser


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """A browser that is driven, one for all tests of a worker; skips where there is none."""
    path = _installed_browser()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=[*_QUIET[1:]])
        yield browser
        browser.close()


@pytest.fixture
def fits_a_browser(tmp_path: Path) -> Callable[[str, int], None]:
    """Asserts of a page and a width in px that a browser says nothing on its console and that the page is no
    wider; skips where there is no browser.
    """
    browser = _installed_browser()

    def check(page: str, width: int) -> None:
        # in a frame, since a browser's own window may not get narrower than 500 px
        framed = (
            f'<iframe id=f style="width:{width}px;height:900px;border:0" srcdoc="{escape(page)}"></iframe>'
        )
        measured = (
            "const d = f.contentDocument.documentElement; document.title = `${f.clientWidth}: "
            "${d.scrollWidth - d.clientWidth}`"
        )
        (tmp_path / "page.html").write_text(
            f"<!doctype html><title></title>{framed}<script>onload = () => {{ {measured} }}</script>"
        )
        command = [
            browser,
            *_QUIET,
            f"--user-data-dir={tmp_path / 'profile'}",
            "--dump-dom",
            f"file://{tmp_path / 'page.html'}",
        ]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
        assert f"<title>{width}: 0</title>" in done.stdout
        assert "CONSOLE" not in done.stderr, done.stderr

    return check


# They do over and over what cheaper tests do once: coverage leaves them out, since it takes half of their
# time again. What is measured without them is the least that is covered.
UNMEASURED = (
    "dataset/store/test_amending.py::test_every_order_of_three_stores_gives_the_same",
    "dataset/store/test_identities.py::test_three_stores_in_every_order",
    "dataset/store/test_proof.py::test_a_change_of_any_column_is_told",
    "dataset/store/test_proof.py::test_single_bits",
    "dataset/store/test_set_names.py::test_two_units_are_two_groups_in_every_store",
    "export/bundle/test_hostile.py::test_c_of_a_bundle_is_never_run",
    "export/bundle/test_hostile_entries.py::test_odd_entries_of_a_manifest_are_answered",
    "export/bundle/test_verify.py::test_a_flipped_bit_anywhere_is_found",
    "export/c/test_kernels.py::test_kernels_agree",
    "export/test_random_programs.py::",
    "innage/test_estimator.py::test_scikit_learn_checks",
    "training/models/test_families.py::",
    "training/models/test_two_frequencies.py::test_a_model_of_two_frequencies",
    "training/search/test_real_readings.py::",
)


def pytest_collection_finish() -> None:
    """What was imported by now stays to the end, and little of what tests make hangs in rings: the collector
    of garbage, which looked at all of it again and again, took a tenth of their time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 20, 20)


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """How many tests looked at a page in a browser, and how many could not: a machine without one passes the
    others all the same.
    """
    counts = {
        how: sum(
            "in_a_browser" in getattr(report, "keywords", ())
            for report in terminalreporter.stats.get(how, ())
        )
        for how in ("passed", "failed", "error", "skipped")
    }
    if any(counts.values()):
        run = counts["passed"] + counts["failed"] + counts["error"]
        terminalreporter.write_line(f"tests in a browser: {run} run, {counts['skipped']} skipped")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The kills of commands come first, then the other slow ones: they take longest, and other workers do the
    rest meanwhile.
    """
    items.sort(key=lambda item: ("::test_kills" not in item.nodeid, item.get_closest_marker("slow") is None))
    for item in items:
        if {"chromium", "fits_a_browser"}.intersection(getattr(item, "fixturenames", ())):
            item.add_marker(pytest.mark.in_a_browser)
        if item.nodeid.removeprefix("tests/").startswith(UNMEASURED):
            item.add_marker(pytest.mark.no_cover)

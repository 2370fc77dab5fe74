"""The pages in a real browser: at both widths, in the dark, on paper, by keyboard alone with script off, and
by the rules of axe (WCAG 2.2, A and AA).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import pytest
from axe_playwright_python.sync_playwright import Axe

from dataset.records import Scope
from dataset.store import Store
from desks import addresses
from doors import open_door
from innage.service.pages.paper.frame import CHAPTERS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Request

WIDTHS = (390, 1280)
OVER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
BEYOND = """() => {
    const found = [], words = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT)
    while (words.nextNode()) {
        const cell = words.currentNode.parentElement.closest('th, td')
        if (!cell || words.currentNode.parentElement.closest('.hidden')) continue
        const place = document.createRange()
        place.selectNodeContents(words.currentNode)
        if (place.getBoundingClientRect().right > cell.getBoundingClientRect().right + 1)
            found.push(words.currentNode.data)
    }
    return found
}"""  # cells whose words run into the next one


def readable(store: Store) -> list[str]:
    """Every page that people read, of one thing each, and of what there is none of."""
    filled = [path for path in addresses(store) if "." not in path.partition("?")[0].rpartition("/")[2]]
    void = next(one.id for one in store.page_of_session_lines().items if one.void_reason is not None)
    return [*filled, f"/sessions/{void}", "/sessions?tag=nowhere", "/nowhere"]


@contextmanager
def tab(chromium: Browser, url: str, **how: Any) -> Iterator[tuple[Page, list[str]]]:
    """A page of a browser of its own, and what it says on its console beside the statuses of answers."""
    context = chromium.new_context(base_url=url, **how)
    page, said = context.new_page(), list[str]()

    def failed(request: Request) -> None:
        if request.failure != "net::ERR_ABORTED":  # the mark of a page that was left before it came
            said.append(f"{request.url} failed: {request.failure}")

    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("requestfailed", failed)
    try:
        yield page, said
    finally:
        context.close()


@pytest.fixture(scope="module")
def served(bench: Store) -> Iterator[tuple[str, list[str]]]:
    """A store without a token, read on its own machine: its URL, and its pages."""
    with open_door(bench, authorise=None) as url:
        yield url, readable(bench)


@pytest.mark.longer
def test_every_page_fits_and_says_nothing(chromium: Browser, served: tuple[str, list[str]]) -> None:
    """No wider than the window at 390 and 1280 px, nor on paper, and no cell than its column; nothing on the
    console, under the policy.
    """
    url, pages = served
    faults = []
    with tab(chromium, url) as (page, said):
        for path in pages:
            for width in WIDTHS:
                page.set_viewport_size({"width": width, "height": 900})
                page.goto(path)
                over = page.evaluate(OVER)
                if over > 0:
                    faults.append(f"{path}: {over} px too wide at {width}")
                faults += [f"{path}: '{cell}' leaves its cell at {width}" for cell in page.evaluate(BEYOND)]
            page.emulate_media(media="print")
            shown = page.locator(".binder, .filter, .desk, .files").evaluate_all(
                "all => all.filter(one => one.offsetParent !== null).length"
            )
            if shown or page.evaluate("document.body.scrollWidth > document.documentElement.clientWidth"):
                faults.append(f"{path}: on paper")
            page.emulate_media(media="screen")
    known = "Failed to load resource: the server responded with a status of 404"  # of /nowhere itself
    assert [*faults, *(text for text in said if not text.startswith(known))] == []
    assert len(pages) >= 9


@pytest.mark.slow
def test_every_page_holds_the_rules_of_axe(chromium: Browser, served: tuple[str, list[str]]) -> None:
    """In the light all of them, in the dark those of contrast."""
    url, pages = served
    axe, faults = Axe(), []
    every, contrast = {"resultTypes": ["violations"]}, {"runOnly": ["color-contrast"]}
    for scheme, rules in (("light", every), ("dark", contrast)):
        with tab(chromium, url, color_scheme=scheme) as (page, _):
            for path in pages:
                page.goto(path)
                results = axe.run(page, options=rules)
                faults += [
                    f"{scheme} {path}: {rule['id']}: {[node['html'][:90] for node in rule['nodes'][:3]]}"
                    for rule in results.response["violations"]
                ]
    assert faults == [], "\n".join(faults)


@pytest.mark.longer
def test_a_desk_by_keyboard_alone_and_without_script(
    chromium: Browser, team: Store, url: str, writer: str
) -> None:
    """Skip to the sheet, sign in, find a session, void it, sign out: by Tab, typing and Enter."""
    key = next(one.id for one in team.page_of_session_lines().items if one.void_reason is None)
    with tab(chromium, url, java_script_enabled=False, viewport={"width": 390, "height": 800}) as (page, _):
        page.goto(f"/sessions/{key}")
        to_focus(page, "Skip to the sheet")
        page.keyboard.press("Enter")
        to_focus(page, "Your token")
        page.keyboard.type(writer)
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/sessions/{key}")
        to_focus(page, "Void the session")
        page.keyboard.press("Enter")
        to_focus(page, "What is wrong with it")
        page.keyboard.type("the scale slipped")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/sessions/{key}?done=void")
        assert page.locator(".stamped").inner_text().split("\n")[-1].endswith("the scale slipped")
        cookies = page.context.cookies()
        assert [(one["name"], one["secure"], one["httpOnly"]) for one in cookies] == [
            ("__Host-innage", True, True)  # on plain HTTP too, since this is the browser's own machine
        ]
        to_focus(page, "Sign out")
        page.keyboard.press("Enter")
        page.wait_for_url("**/sign-in?done=signed-out")
        assert page.context.cookies() == []
    (row,) = team.last_audit(1)
    assert (row.kind, row.who, row.reason) == ("void", "kim", "the scale slipped")


def to_focus(page: Page, name: str) -> None:
    """Press Tab until what is called ``name`` has the focus, which must be seen."""
    for _ in range(120):
        page.keyboard.press("Tab")
        focus = page.locator(":focus")
        if focus.count() and name in (focus.first.inner_text() or _label(page, focus.first)):
            style = "one => getComputedStyle(one).outlineStyle"
            assert focus.first.evaluate(style) != "none", name
            return
    raise AssertionError(f"{name} is never reached by Tab")


def _label(page: Page, focus: Any) -> str:
    identity = focus.get_attribute("id")
    label = page.locator(f"label[for='{identity}']") if identity else None
    return label.inner_text() if label is not None and label.count() else ""


@pytest.mark.longer
def test_each_chapter_is_marked_where_one_is(chromium: Browser, served: tuple[str, list[str]]) -> None:
    url, _ = served
    with tab(chromium, url) as (page, _):
        for path, name in CHAPTERS:
            page.goto(path)
            assert page.locator("nav [aria-current=page]").all_inner_texts() == [name]
            assert page.locator("h1").count() == 1
        for path, name in (("/bundles", "Channels"), ("/order", "Jobs"), ("/compare", "Models")):
            page.goto(path)
            assert page.locator("nav[aria-label=Chapters] [aria-current=true]").all_inner_texts() == [name]


@pytest.mark.longer
def test_what_a_table_is_of_stays_in_sight(chromium: Browser, served: tuple[str, list[str]]) -> None:
    """On a telephone a wide table slides within its region, under its caption and beside its first column."""
    url, _ = served
    with tab(chromium, url, viewport={"width": 390, "height": 800}) as (page, _):
        page.goto("/sessions")
        region = page.get_by_role("region").first
        assert region.evaluate("one => one.scrollWidth - one.clientWidth") > 50
        places = (
            "one => ['caption span', 'tbody th'].map("
            "name => one.querySelector(name).getBoundingClientRect().left)"
        )
        before = region.evaluate(places)
        region.evaluate("one => { one.scrollLeft = 50 }")
        assert region.evaluate("one => one.scrollLeft") == 50
        assert region.evaluate(places) == before


@pytest.mark.longer
def test_the_plan_stands_beside_the_map_where_there_is_room(
    chromium: Browser, served: tuple[str, list[str]]
) -> None:
    url, _ = served
    with tab(chromium, url) as (page, _):
        for width, beside in ((1900, True), (390, False)):
            page.set_viewport_size({"width": width, "height": 900})
            page.goto("/coverage")
            places = [page.locator(name).bounding_box() for name in (".maps", ".aside")]
            maps, aside = (place for place in places if place is not None)
            assert (maps["x"] + maps["width"] <= aside["x"]) is beside
            assert (maps["y"] + maps["height"] <= aside["y"]) is not beside
            assert page.evaluate(OVER) == 0


@pytest.mark.longer
def test_the_audit_is_read_by_who_may(chromium: Browser, team: Store, url: str) -> None:
    """At 390 px it fits and holds the rules of axe; a row leads to what was said of the same thing."""
    _, token = team.add_token("auditor", [Scope.READ, Scope.ADMIN])
    bearer = {"Authorization": f"Bearer {token}"}
    with tab(chromium, url, extra_http_headers=bearer, viewport={"width": 390, "height": 800}) as (
        page,
        said,
    ):
        page.goto("/audit")
        assert (page.evaluate(OVER), said) == (0, [])
        assert page.get_by_text("The chain is whole,").count() == 1
        assert Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"] == []

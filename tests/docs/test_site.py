"""The pages as a site: all of them are on it, their links lead to headings, terms lead to the glossary."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
spec = importlib.util.spec_from_file_location("link_terms", DOCS / "link_terms.py")
assert spec is not None
assert spec.loader is not None
link_terms = importlib.util.module_from_spec(spec)
spec.loader.exec_module(link_terms)
TERMS = link_terms.terms_of((DOCS / "glossary.md").read_text(encoding="utf-8"))


def test_every_page_is_on_the_site_once() -> None:
    """In the index's tables of contents, and in its list for those who read the file."""
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    pages = sorted(page.stem for page in DOCS.glob("*.md") if page.stem != "index")
    hidden = [
        name for block in re.findall(r":hidden:\n\n((?:[\w-]+\n)+)```", index) for name in block.split()
    ]
    assert sorted(hidden) == pages
    assert re.findall(r"^- \[([\w-]+)\.md\]\(\1\.md\): ", index, re.MULTILINE) == hidden


def anchors(page: Path) -> set[str]:
    """Anchors of a page's headings."""
    text = re.sub(r"^```.*?^```", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    return {link_terms.anchor(heading) for heading in re.findall(r"^#+ (.+)$", text, re.MULTILINE)}


def test_links_lead_to_headings() -> None:
    """Those of README, CHANGELOG and the pages that name a place on a page."""
    of_page = {page: anchors(page) for page in DOCS.glob("*.md")}
    links = [
        (page, (page.parent / to).resolve() if to else page, place)
        for page in (ROOT / "README.md", ROOT / "CHANGELOG.md", *of_page)
        for to, place in re.findall(r"\]\(([^)#:]*)#([^)]+)\)", page.read_text(encoding="utf-8"))
    ]
    assert len(links) > 10
    assert [(page.name, place) for page, to, place in links if place not in of_page[to]] == []


def test_the_first_use_of_a_term_is_a_link() -> None:
    """In prose, not in blocks, code, tables, headings, other links; in the plural too, the longest first."""
    text = (
        "# Frozen set\n\n    innage trim\n\n| trim | unit |\n\nTrims of a frozen\nset, `unit`, "
        "[unit](x.md), unit; a trim again, frozen set.\n"
    )
    linked = link_terms.linked(text, "page", ["Frozen set", "Trim", "Unit"])
    assert linked == text.replace("Trims of", "[Trims](glossary.md#trim) of").replace(
        "frozen\nset", "[frozen\nset](glossary.md#frozen-set)"
    ).replace(", unit;", ", [unit](glossary.md#unit);")
    assert link_terms.linked(text, "commands", ["Trim"]) == text
    assert link_terms.linked(text, "python", ["Unit"]) == text


def test_terms_of_the_pages_lead_to_the_glossary() -> None:
    """On each page that speaks of the bench some are found, each once, and each has its heading there."""
    there = anchors(DOCS / "glossary.md")
    for page in DOCS.glob("*.md"):
        if page.stem not in link_terms.UNTOUCHED:
            text = page.read_text(encoding="utf-8")
            places = re.findall(r"\]\(glossary\.md#([^)]+)\)", link_terms.linked(text, page.stem, TERMS))
            assert len(set(places)) == len(places) > 1
            assert set(places) <= there


def test_modules_that_pages_name_are_there() -> None:
    """A module by its name or its path, on any page; files named with a placeholder are no modules."""
    tops = ("dataset", "training", "export", "innage", "migrations", "tests", "bench", "docs")
    known = [f"/{path.relative_to(ROOT).as_posix()}" for top in tops for path in (ROOT / top).rglob("*.py")]
    pages = (ROOT / "DEVELOPERS.md", ROOT / "README.md", *DOCS.glob("*.md"))
    named = [
        (page.name, module)
        for page in pages
        for module in re.findall(r"`([\w/]+\.py)`", page.read_text(encoding="utf-8"))
    ]
    assert len(named) > 50
    assert [name for name in named if not any(path.endswith(f"/{name[1]}") for path in known)] == []

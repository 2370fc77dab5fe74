"""The glossary holds the words as they stand: what it lists is what the code says, and words that it calls
wrong are in no help, message, report or page.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path

import pytest

from dataset.words import CountLaw, Coupling, Flow, LimitAnswer, Role, Surface, TrimKind, Wall
from training.program import REASON_NAMES, VALIDITY_NAMES

ROOT = Path(__file__).parents[2]
GLOSSARY = (ROOT / "docs" / "glossary.md").read_text(encoding="utf-8")
ENTRIES = {
    heading: " ".join(text.split())
    for heading, text in re.findall(r"^### (.+)\n\n((?:(?!#).*\n)+)", GLOSSARY, re.MULTILINE)
}
PAGES = [ROOT / "README.md", *(p for p in (ROOT / "docs").glob("*.md") if p.name != "glossary.md")]
SOURCES = [path for top in ("dataset", "training", "export", "innage") for path in (ROOT / top).rglob("*.py")]
DOCUMENTED = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
HELP = ROOT / "innage" / "commands"  # docstrings there are help
EXCEPTIONS = {
    ("docs/licences.md", "fluid"): "a package's name",
    ("docs/rig.md", "electrode"): "the one that joins the liquid to earth, which is no pad",
}


def wrong_words() -> list[str]:
    """All words behind a 'Not:' of the glossary."""
    return [
        word
        for text in ENTRIES.values()
        for line in re.findall(r"Not: ([^.]+)\.", text)
        for word in line.split(", ")
    ]


def pattern(words: list[str]) -> re.Pattern[str]:
    """Any of the words, whole, in any case, in the plural too, over the end of a line too."""
    listed = "|".join(re.escape(word).replace(r"\ ", r"\s+") for word in words)
    return re.compile(rf"\b(?:{listed})(?=s?\b)", re.IGNORECASE)


def texts(source: str, with_docstrings: bool) -> Iterator[str]:
    """The string constants of a module, those in f-strings too."""
    tree = ast.parse(source)
    bodies = (node.body for node in ast.walk(tree) if isinstance(node, DOCUMENTED))
    docstrings = {id(body[0].value) for body in bodies if body and isinstance(body[0], ast.Expr)}
    for node in ast.walk(tree):
        if (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and (with_docstrings or id(node) not in docstrings)
        ):
            yield node.value


def prose(page: Path) -> str:
    """A page without names of files and of code."""
    return re.sub(r"`[^`\n]*`", "", page.read_text(encoding="utf-8"))


def misused(words: re.Pattern[str], page: str, text: str) -> list[tuple[str, str]]:
    """Wrong words of a text that no exception names."""
    said = [(page, " ".join(word.lower().split())) for word in words.findall(text)]
    return [use for use in said if use not in EXCEPTIONS]


def test_wrong_words_are_on_no_page() -> None:
    """Those of all commands' help are on docs/commands.md, which another test holds."""
    words = pattern(wrong_words())
    assert len(wrong_words()) > 30
    assert [
        use for page in PAGES for use in misused(words, page.relative_to(ROOT).as_posix(), prose(page))
    ] == []


@pytest.mark.longer
def test_wrong_words_are_in_no_message_or_report() -> None:
    """Messages and reports are made of the modules' string constants."""
    wrong = [word.lower() for word in wrong_words()]
    words, found = pattern(wrong), []
    for path in SOURCES:
        source = path.read_text(encoding="utf-8")
        flat = " ".join(source.lower().split()).replace("__future__ import annotations", "")
        if any(word in flat for word in wrong):  # what costs is to parse
            name = path.relative_to(ROOT).as_posix()
            found += [
                use for text in texts(source, HELP in path.parents) for use in misused(words, name, text)
            ]
    assert found == []


def test_a_wrong_word_is_seen() -> None:
    """In an f-string, in capitals, in the plural, over the end of a line; not as part of another word."""
    words = pattern(wrong_words())
    seen = ['x = f"two {n} Vessels"', 'x = "by\\nfalse\\npositives"', "def f():\n    '''A froth.'''\n"]
    assert [any(words.search(text) for text in texts(code, True)) for code in seen] == [True, True, True]
    assert not any(words.search(text) for text in texts(seen[2], False))
    assert not words.search("doorway")


def test_each_exception_is_needed() -> None:
    """An exception whose word is gone goes too."""
    for name, word in EXCEPTIONS:
        assert pattern([word]).search((ROOT / name).read_text(encoding="utf-8"))


@pytest.mark.parametrize(
    ("term", "listed", "words"),
    [
        ("Role", r"one of ([^:]+):", Role),
        ("Trim", r"kind \(([^)]+)\)", TrimKind),
        ("Count law", r"\*(\w+)\* with C, or \*(\w+)\*", CountLaw),
        ("Condition", r"surface \(([^)]+)\)", Surface),
        ("Condition", r"wall \(([^)]+)\)", Wall),
        ("Condition", r"flow \(([^)]+)\)", Flow),
        ("Condition", r"earth \(([^)]+)\)", Coupling),
        ("Validity", r"One of ([^.]+)\.", VALIDITY_NAMES),
        ("Withheld", r"reason, one of ([^:]+):", REASON_NAMES),
        ("Limits", r"answered with ([^.]+)\.", LimitAnswer),
    ],
)
def test_what_it_lists_is_what_the_code_says(
    term: str, listed: str, words: type[StrEnum] | dict[int, str]
) -> None:
    """Values that a user can state or read, each of them and no other."""
    match = re.search(listed, ENTRIES[term])
    assert match is not None
    expected = list(words.values()) if isinstance(words, dict) else [word.value for word in words]
    stated = [word for group in match.groups() for word in re.split(r", | or ", group)]
    assert sorted(stated) == sorted(word for word in expected if word != "none")


def test_each_term_is_in_use() -> None:
    """A term that no page has is none of the project's words."""
    text = "\n".join(page.read_text(encoding="utf-8") for page in PAGES).lower()
    assert len(ENTRIES) > 40
    used = {term: re.search(rf"\b{term.lower()}".replace(" ", r"[\s-]+"), text) for term in ENTRIES}
    assert [term for term, use in used.items() if use is None] == []

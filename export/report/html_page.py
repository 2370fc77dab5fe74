"""A page of HTML with everything inside it and nothing to load: its frame, the caution at its top and, whole,
at its end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

from dataset.records import ID_DIGITS
from export.report.style import PAGE, paper

SIMULATED = (
    "Captures behind this page were made by a virtual rig. Its figures say what the method can do; "
    "they say nothing yet of a product."
)


# A browser is told that the page loads nothing and runs nothing: its styles and pictures stand in it.
POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_MARKUP = "&<>\"'"
_SHIELDS = {
    ord(c): chr(0xE000 + k) for k, c in enumerate(_MARKUP)
}  # of the private use area, which no text has
_ENTITIES = {0xE000 + k: escape(c) for k, c in enumerate(_MARKUP)}
_NO_SHIELDS = dict.fromkeys(_ENTITIES, "\ufffd")


def shielded(facts: Any) -> Any:
    """The facts with what could be markup in their texts, keys too, put as characters that ``page`` turns
    into entities: wherever such a text lands on the page, it stays text.
    """
    if isinstance(facts, str):
        return facts.translate(_NO_SHIELDS).translate(_SHIELDS)
    if isinstance(facts, Mapping):
        return {shielded(key): shielded(value) for key, value in facts.items()}
    return [shielded(value) for value in facts] if isinstance(facts, list | tuple) else facts


def unshielded(part: str) -> str:
    """A ready-made part of a page, of shielded facts, for a page of another frame: texts as entities."""
    return part.translate(_ENTITIES)


def page(title: str, parts: Sequence[str], foot: str = "") -> str:
    """The whole page; ``title`` and ``foot`` are text, ``parts`` are ready-made. ``foot`` is printed at the
    bottom of each sheet, beside its number: what the page is of.
    """
    head = (
        f'<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{escape(title)}</title>\n'
    )
    head += f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">\n'
    head += (
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n<meta '
        'name="color-scheme" content="light dark">\n'
    )
    whole = (
        head
        + f"<style>{PAGE}{paper(foot or title)}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(parts)
        + "\n</main>\n</body>\n</html>\n"
    )
    return unshielded(whole)


def foot_of(name: str, *sha256: str) -> str:
    """What the foot of each printed sheet says: a name, and the first digits of hashes that it does not have
    itself.
    """
    digits = [one[:ID_DIGITS] for one in sha256 if one[:ID_DIGITS] not in name]
    return f"{name}, hash {' and '.join(digits)}" if digits else name


def origin_said(origin: str) -> str:
    """'simulated' or 'partly simulated'; empty for measured readings."""
    return "" if origin == "measured" else origin


def heading(name: str, origin: str) -> str:
    """The page's heading, with the origin where the readings were not measured."""
    return f"<h1>{escape(name)}{f' <small>{escape(origin)} readings</small>' if origin else ''}</h1>"


def caution_line(origin: str) -> str:
    """The caution in a line, for the top of a page; :func:`cautions` are the whole of it, for the end."""
    simulated = f" {escape(origin.capitalize())} readings say nothing of a product." if origin else ""
    return (
        "<p class=caution><strong>Caution.</strong> The level is an estimate, not a protective control."
        f'{simulated} <a href="#caution">The whole caution</a></p>'
    )


def cautions(caution: str, origin: str) -> list[str]:
    """What the estimate is not, and what simulated readings don't say: the end of a page."""
    paragraphs = ["<h2 id=caution>Caution</h2>", f"<p>{escape(caution)}</p>"]
    return paragraphs + (
        [f"<p><strong>{escape(origin.capitalize())} readings.</strong> {SIMULATED}</p>"] if origin else []
    )

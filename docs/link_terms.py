"""Terms of the glossary as links, at their first use on each page of the site. What stands in the files has
none of these links: they would be in the way of whoever writes there.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

# Words that pages use in another sense too: readings of a bench, channels of a sensor and of a release
AMBIGUOUS = ("Band", "Channel", "Count", "Level", "Reading", "Score", "Service", "Void")
OTHER_SENSE = {  # pages that use a term first in another sense: roles of a database, flags of a compiler, ...
    "board": ("Flag",),
    "budget": ("Flag",),
    "firmware": ("Store",),
    "formats": ("Role", "Unit"),
    "frame-source": ("Program",),
    "instruments": ("Limits",),
    "logging": ("Program",),
    "mathematics": ("Condition",),
    "operating": ("Group", "Limits", "Role", "Unit"),
    "python": ("Unit",),
    "rig": ("Bench", "Limits"),
    "team": ("Program", "Role"),
    "terminal": ("Program",),
    "threats": ("Role",),
    "tokens": ("Role",),
    "trims": ("Limits",),
}
UNTOUCHED = (
    "glossary",
    "index",
    "commands",
    "json",
    "licences",
)  # the glossary itself, and lists of other things
# Where no link may stand: blocks, tables, headings; then, in a paragraph, code, links, what is written out
_BLOCK = re.compile(r"(?:    |\t|\||#|<|:::)")
_KEPT = re.compile(r"`[^`]*`|!?\[[^\]]*\]\([^)]*\)|<[^>]*>|\*\*[^*]*\*\*")


def terms_of(glossary: str) -> list[str]:
    """Headings of the glossary, the longest first, so that a frozen set is not linked as another set."""
    terms = [term for term in re.findall(r"^### (.+)$", glossary, re.MULTILINE) if term not in AMBIGUOUS]
    return sorted(terms, key=lambda term: (-len(term), term))


def anchor(heading: str) -> str:
    """Where a heading is found on its page, on the site and by whoever shows the files."""
    kept = "".join(letter for letter in heading.lower() if letter.isalnum() or letter in " -_")
    return kept.strip().replace(" ", "-")


def linked(text: str, page: str, terms: Sequence[str]) -> str:
    """The page with its first use of each term as a link; the same whatever was linked on other pages.

    Args:
        text: Markdown.
        page: its name, without an ending.
        terms: of the glossary, in the order in which they are looked for.
    """
    if page in UNTOUCHED:
        return text
    pieces = _pieces(text)
    for term in (term for term in terms if term not in OTHER_SENSE.get(page, ())):
        use = re.compile(rf"\b{re.escape(term)}s?\b".replace(r"\ ", r"[\s-]"), re.IGNORECASE)
        for number, (piece, open_to_links) in enumerate(pieces):
            match = use.search(piece) if open_to_links else None
            if match is not None:
                link = f"[{match.group()}](glossary.md#{anchor(term)})"
                before, after = piece[: match.start()], piece[match.end() :]
                pieces[number : number + 1] = [(before, True), (link, False), (after, True)]
                break
    return "".join(piece for piece, _ in pieces)


def _pieces(text: str) -> list[tuple[str, bool]]:
    """A page cut into what may hold a link, and what may not."""
    pieces: list[tuple[str, bool]] = []
    fenced = False
    for line in text.splitlines(keepends=True):
        if line.startswith("```"):
            fenced = not fenced
            pieces.append((line, False))
        elif fenced or _BLOCK.match(line):
            pieces.append((line, False))
        elif pieces and pieces[-1][1]:
            pieces[-1] = (pieces[-1][0] + line, True)
        else:
            pieces.append((line, True))
    return [part for piece, prose in pieces for part in (_spans(piece) if prose else [(piece, False)])]


def _spans(paragraphs: str) -> list[tuple[str, bool]]:
    """Prose cut at what is kept as it stands."""
    parts, end = [], 0
    for match in _KEPT.finditer(paragraphs):
        parts += [(paragraphs[end : match.start()], True), (match.group(), False)]
        end = match.end()
    return [*parts, (paragraphs[end:], True)]

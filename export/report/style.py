"""Style sheets of pages, by light, in the dark, on paper and on a telephone: they stand in ``export/data``.

``PICTURES`` is what pictures need of a page that shows them, ``PAGE`` all that a page of its own needs.
"""

from __future__ import annotations

from export.c.text import template

COLOURS = template("colours.css")
PICTURES = template("pictures.css")
PAGE = COLOURS + template("page.css") + PICTURES


def paper(foot: str) -> str:
    """What is printed at the foot of each sheet: ``foot``, and which page of how many it is."""
    look = "font:8pt system-ui,sans-serif;color:#5a6b7b"
    return (
        f'@page{{margin:16mm 14mm 18mm;@bottom-left{{content:"{harmless(foot)}";{look}}}'
        f'@bottom-right{{content:"page " counter(page) " of " counter(pages);{look}}}}}\n'
    )


def harmless(text: str) -> str:
    """The words of a text that can stand in a string of CSS: of letters, digits and what can't end it."""
    return " ".join(
        word for word in text.split() if all(letter.isalnum() or letter in ".,:+@_/-" for letter in word)
    )

"""The report's section on what vectors and self-test notice of single breaks."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from typing import Any

from export.evidence.score import rounded_down
from export.report.html import html_table, is_finite_number, number, part

_SHOWN = 12  # names of breaks that go unseen


def noticed_section(facts: Mapping[str, Any]) -> list[str]:
    """The sample of the score, line by line; a sentence for a model of which none was made, or that is too
    large for a sample. ``score_of`` among the facts says whose it is, where it is not the page's own.
    """
    title = "<h2>What the evidence notices</h2>"
    if "score" not in facts:
        return [title, f"<p>{_NO_SCORE}</p>"]
    sample = facts["score"]
    if sample is None:
        return [title, "<p>The program is too large for a sample of breaks at export.</p>"]
    rows = [
        (
            escape(line["evidence"]),
            escape(line["of"]),
            f"{line['noticed']} of {line['counting']}",
            _bound(line["lower_bound"]),
            number(line["goal"], percent=True),
        )
        for line in sample["lines"]
    ]
    head = ("Evidence", "Of what changes a reading", "Noticed", "At least (95 %)", "To reach")
    sentences = (
        "Single breaks were put into the program (a sign, a threshold, a rounding, a clip, a layer, a "
        f"memory, a row), one at a time: {_how_many(sample)}. One counts when it changes a reading on "
        f"{number(sample['frames'])} made frames that no vector was drawn from. The bound is exact and "
        "one-sided. Breaks held out took no part in choosing the self-test. Every break, and bits of the "
        "linked code: <code>innage verify --score</code>."
    )
    return [
        title,
        html_table(head, rows, left=(0, 1)),
        f"<p>{sentences}{_whose(facts)}</p>",
        *_unseen(part(sample, "unseen")),
    ]


_NO_SCORE = (
    "Not measured here. An export measures which single breaks of the program its vectors and its self-test "
    "notice; so does <code>innage report model --score</code>, in some seconds."
)


def _whose(facts: Mapping[str, Any]) -> str:
    """Of which bundle the score is, or that its vectors are made from the program alone."""
    bundle = facts.get("score_of")
    if bundle:
        return f" It is that of bundle <code>{escape(bundle[:12])}</code>, which this store keeps."
    return "" if "prefix" in facts else " The vectors are drawn from the program alone, as for an export."


def _bound(value: object) -> str:
    return number(rounded_down(value) if is_finite_number(value) else None, percent=True)


def _how_many(sample: Mapping[str, Any]) -> str:
    """Which of the breaks were tried."""
    tried, there = sample["tried"], sample["breaks"]
    return f"all {there} of them" if tried == there else f"{tried} of {there}, drawn by seed {sample['seed']}"


def _unseen(unseen: Mapping[str, Any]) -> list[str]:
    """What goes unseen, by name."""
    parts = []
    for who in ("vectors", "self-test"):
        names = unseen[who]
        if names:
            shown = ", ".join(f"<code>{escape(name)}</code>" for name in names[:_SHOWN])
            rest = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
            parts.append(f"Unseen by the {who}: {shown}{rest}.")
    return [f"<p>{' '.join(parts)}</p>"] if parts else []

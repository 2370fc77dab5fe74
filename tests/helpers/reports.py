"""Reports for tests: a page as a browser would take it apart, and the metrics of a pad array, all numbers
invented.
"""

from __future__ import annotations

import html.parser
from typing import Any

from training.judging.figures import KeptCost


class Page(html.parser.HTMLParser):
    """Collects the tags of a page, whether they close properly and have looks of their own, what they refer
    to, its pictures, and the text.
    """

    void = frozenset({"meta", "br", "hr", "img", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.references: list[str] = []
        self.plots = 0
        self.styled = False
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.plots += tag == "svg" and ("class", "plot") in attrs
        self.styled |= any(name == "style" for name, _ in attrs)
        self.references += [
            v or "" for k, v in attrs if k in ("src", "href", "srcset", "action", "onclick", "onload")
        ]
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in self.void:
            self.open.pop()

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def read_page(page: str) -> Page:
    read = Page()
    read.feed(page)
    read.close()
    assert read.open == []
    return read


def a_cost(flash: int, cycles: int) -> dict[str, Any]:
    """What a candidate costs, as metrics keep it."""
    return KeptCost("cortex-m0plus", flash, flash, 0, 0, 40, 120, 120, cycles, cycles, cycles).to_json()


ERRORS = {
    "frames": 400,
    "groups": 4,
    "accepted_share": 0.985,
    "p50_mm": 0.5,
    "p95_mm": 1.25,
    "max_mm": 3.0,
    "p95_pct": 1.04,
    "worst_group": "unit-7",
    "worst_group_p95_mm": 1.8,
    "label_u_mm": 0.3,
}
CANDIDATES = [
    {
        "family": "array net",
        "size": size,
        "bits": 8,
        "watcher": [8],
        "watched": ["unrest"],
        "meets": True,
        "cost": a_cost(flash, 7000),
        "classes": {"clean": [error, 0.99], "foam": [error, 0.9], "film": [error, 0.9], "all": [error, 0.95]},
    }
    for size, flash, error in (("8", 1500, 2.0), ("12", 1900, 2.2), ("24", 2600, 1.25))
]
ARRAY: dict[str, Any] = {
    "chosen": CANDIDATES[2],
    "candidates": CANDIDATES,
    "why": "the smallest that meets them",
    "next_step": "nothing larger",
    "choose_how": "on 4 groups",
    "prove": {
        "integer": {"rmse_mm": 0.8, "p95_abs_mm": 1.25, "groups": 4},
        "by_group": [],
        "beyond": {"frames": 0, "accepted_share": None, "groups": 0},
    },
    "random_rows": {"integer": {"p95_abs_mm": 0.7}},
    "openings": 2,
    "flag_table": {"out_of_range": "withheld"},
    "limits": [
        {
            "metric": "p95_pct_span",
            "condition": "clean",
            "min_groups": 1,
            "bound": 1.5,
            "value": 1.04,
            "answer": "met",
            "reason": "within",
        }
    ],
    "band": {"given": True, "meaning": "nine of ten", "groups": 9},
    "claims": {
        "classes": {"clean": ERRORS, "foam": ERRORS, "all": ERRORS},
        "by": {"coupling": {"earthed": ERRORS}, "level band": {"0 to 10 %": ERRORS}},
        "false_wet": {"episodes": 20, "wrong": 0, "frames": 0, "upper_bound_95": 0.139},
        "dry_recognised_share": 1.0,
        "by_level": [
            {"level_mm": 10.0, "frames": 40, "p05_mm": -1.0, "p50_mm": 0.1, "p95_mm": 1.0, "label_u_mm": 0.3},
            {
                "level_mm": 50.0,
                "frames": 40,
                "p05_mm": -0.5,
                "p50_mm": 0.0,
                "p95_mm": 0.5,
                "label_u_mm": None,
            },
        ],
        "boxes": [
            {
                "class": "film",
                "frames": 200,
                "sessions": 6,
                "groups": 4,
                "p05_mm": -2.0,
                "p25_mm": -1.0,
                "p50_mm": 0.0,
                "p75_mm": 1.0,
                "p95_mm": 2.0,
                "least_mm": -4.0,
                "most_mm": 4.0,
            }
        ],
        "confusion": [
            {
                "stated": "foam",
                "frames": 200,
                "sessions": 3,
                "said": {"valid": 150, "empty": 0, "withheld": 50},
                "raised": {"foam": 120, "film": 1, "out_of_range": 0, "sensor_fault": 0},
                "due": ["valid", "foam"],
            }
        ],
        "risk": {
            "clean": [
                {"doubt": 3, "accepted_share": 0.5, "p95_mm": 0.8},
                {"doubt": 9, "accepted_share": 1.0, "p95_mm": 1.3},
            ]
        },
    },
}

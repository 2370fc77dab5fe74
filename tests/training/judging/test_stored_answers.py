"""Answers that models of version 0.1 keep, read in today's words; all numbers invented."""

from __future__ import annotations

from typing import Any

import pytest

from training.judging.stored_answers import stored_answers


@pytest.mark.parametrize(
    ("row", "answer"),
    [
        ({"value": 0.1829, "bound": 0.05, "answer": "not shown"}, "not met"),
        ({"value": 0.05, "bound": 0.05, "answer": "not shown"}, "not enough evidence"),
        ({"value": None, "bound": 0.05, "answer": "not shown"}, "not enough evidence"),
        ({"value": 1.5, "bound": 1.0, "or_mm": 1.0, "answer": "not shown"}, "not enough evidence"),
        ({"value": 1.7, "bound": 1.0, "or_mm": 1.0, "answer": "not shown"}, "not met"),  # 1 mm of 60: 1.67 %
        ({"value": 0.04, "bound": 0.05, "answer": "met"}, "met"),
    ],
)
def test_an_earlier_models_answers_are_read_in_todays_words(row: dict[str, Any], answer: str) -> None:
    """Too few groups no longer hide a value that is beyond its bound."""
    kept = {"metric": "p95_pct_span", "condition": "clean", "min_groups": 9, "reason": "because"} | row
    (read,) = stored_answers({"claims": {"span_mm": 60.0}, "limits": [kept]})
    assert read.to_json() == {"confidence": None} | kept | {"answer": answer}


@pytest.mark.parametrize("metrics", [{}, {"limits": None}, {"claims": None, "limits": []}])
def test_a_model_without_limits_has_no_answers(metrics: dict[str, Any]) -> None:
    assert stored_answers(metrics) == ()

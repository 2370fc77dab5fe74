"""Limits as TOML, in and out: what is written reads back equal, and a fault is named by table, row and key.

note = "what the rows are for"
signer = "who answers for them"

[[row]]
metric = "rmse_mm"
condition = "all"
bound = 2.0
confidence = 0.9
fewest_groups = 9
or_mm = 1.0    # of a percentage of the span: the larger of both is the bound
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from dataset.canonical import limits_sha256
from dataset.errors import InputError, quoted
from dataset.files.disk import text_at_most
from dataset.records import METRICS, Limit, Limits

BUILT_IN = "default"
DEFAULT_TOML = """\
# A set to start from: common practice, no source. Change the numbers to what the product needs before anyone signs.
#
# - worst_group_rmse_mm at 90 %: the claim is about a unit never seen. The largest error of n units bounds a further unit's with
#   confidence n / (n + 1), so that 9 units are the fewest for 90 %. 3 mm is what a shopper or a dosing step does not notice in a
#   tank of some 100 to 300 mm.
# - p95_abs_mm: single readings may be worse than a unit's error; twice the bound above leaves room for noise.
# - withheld_share: a model that withholds often is safe and useless; one reading in twenty is bridged by the next ones.
# - beyond_accepted_share: a level outside everything that was ever labelled must not be reported as if it were known.
# - foam and film: foam read as liquid hides dry running, film read as liquid hides empty. They get rows of their own, so that a
#   good average over easy frames does not stand for them; looser bounds, since a withheld reading is a fair answer there.
note = "to start from: common practice, no source"

[[row]]
metric = "worst_group_rmse_mm"
condition = "all"
bound = 3.0
confidence = 0.9
fewest_groups = 9

[[row]]
metric = "p95_abs_mm"
condition = "all"
bound = 6.0
fewest_groups = 9

[[row]]
metric = "withheld_share"
condition = "all"
bound = 0.05
fewest_groups = 9

[[row]]
metric = "beyond_accepted_share"
condition = "all"
bound = 0.01
fewest_groups = 3

[[row]]
metric = "p95_abs_mm"
condition = "foam"
bound = 10.0
fewest_groups = 3

[[row]]
metric = "p95_abs_mm"
condition = "film"
bound = 10.0
fewest_groups = 3
"""  # noqa: E501 - a text as it is written out
_TOP = {"note": str, "signer": str, "row": list}
_ROW = {
    "metric": str,
    "condition": str,
    "bound": float,
    "confidence": float,
    "fewest_groups": int,
    "or_mm": float,
}
_MOST_WHOLE = 1 << 53  # a float holds whole numbers exactly up to there
_NEEDED = ("metric", "bound")
_KINDS = {str: "a text in quotes", float: "a number", int: "a whole number", list: "tables [[row]]"}


def read_limits(name: str, text: str, where: str) -> Limits:
    """The limits called ``name`` from TOML; the revision is 0 until a store assigns one.

    Args:
        name: what they will be called.
        text: the TOML.
        where: what errors call its source, such as the file.

    Raises:
        InputError: not TOML, a key that is not known or is missing, a value of another kind.
    """
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a whole number of too many digits is no error of TOML
        raise InputError(
            where,
            f"is not TOML ({error})",
            "tables [[row]] with metric and bound",
            "for an example see limits_text.DEFAULT_TOML",
            fields=("limits_text.DEFAULT_TOML",),
        ) from error
    _check_keys(where, content, _TOP)
    tables = content.get("row", [])
    if not tables or not all(isinstance(table, dict) for table in tables):
        raise InputError(
            f"{where}, row",
            "no rows",
            "at least one table [[row]]",
            "for an example see limits_text.DEFAULT_TOML",
            fields=("limits_text.DEFAULT_TOML",),
        )
    rows = tuple(_row(f"{where}, [[row]] {k}", table) for k, table in enumerate(tables, start=1))
    return Limits(name, 0, rows, content.get("note", ""), content.get("signer"))


def _row(where: str, table: Mapping[str, Any]) -> Limit:
    _check_keys(where, table, _ROW)
    for key in _NEEDED:
        if key not in table:
            raise InputError(where, f"no key {key}", "metric and bound in each row")
    if table["metric"] not in METRICS:
        raise InputError(f"{where}, metric", quoted(table["metric"]), "one of " + ", ".join(METRICS))
    confidence = table.get("confidence")
    return Limit(
        metric=table["metric"],
        bound=float(table["bound"]),
        condition=table.get("condition", "all"),
        confidence=None if confidence is None else float(confidence),
        min_groups=table.get("fewest_groups", 1),
        or_mm=None if table.get("or_mm") is None else float(table["or_mm"]),
    )


def _check_keys(where: str, table: Mapping[str, Any], kinds: Mapping[str, type]) -> None:
    for key, value in table.items():
        if key not in kinds:
            raise InputError(where, f"a key {key!r}", "only " + ", ".join(kinds))
        kind = kinds[key]
        right = isinstance(value, int | float) if kind is float else isinstance(value, kind)
        huge = kind is float and isinstance(value, int) and abs(value) > _MOST_WHOLE
        if isinstance(value, bool) or huge or not right:
            raise InputError(f"{where}, {key}", json.dumps(value, default=str)[:80], _KINDS[kind])


def write_limits(limits: Limits) -> str:
    """TOML that :func:`read_limits` reads back equal; the name, revision and hash stand in a comment."""
    lines = [f"# limits {limits.ref}, sha256 {limits_sha256(limits)}"]
    lines += [f"note = {_text(limits.note)}"] if limits.note else []
    lines += [f"signer = {_text(limits.signer)}"] if limits.signer is not None else []
    for row in limits.rows:
        lines += [
            "",
            "[[row]]",
            f"metric = {_text(row.metric)}",
            f"condition = {_text(row.condition)}",
            f"bound = {float(row.bound)!r}",
        ]
        lines += [f"confidence = {float(row.confidence)!r}"] if row.confidence is not None else []
        lines += [f"fewest_groups = {row.min_groups}"]
        lines += [f"or_mm = {float(row.or_mm)!r}"] if row.or_mm is not None else []
    return "\n".join(lines) + "\n"


def condition_text(condition: str) -> str:
    """What a limit is on, in words: frames of 'film' are of a tank with liquid, an empty one is another
    class.
    """
    return "film with liquid" if condition == "film" else condition


def bound_text(bound: float, or_mm: float | None) -> str:
    """A bound in words: the number, or 'the larger of both' where millimetres stand beside a percentage."""
    return f"{bound:g}" if or_mm is None else f"{bound:g} or {or_mm:g} mm"


def _text(value: str) -> str:
    """A basic TOML string. JSON's escapes are among TOML's; control characters, which are not the same in
    both, are never in a record.
    """
    return json.dumps(value, ensure_ascii=False)


def limits_source(given: str) -> tuple[str, str]:
    """The text and the name of the source that was named: the built-in set, or a file."""
    if given == BUILT_IN:
        return DEFAULT_TOML, "the built-in limits"
    path = Path(given)
    try:
        return text_at_most(path), str(path)
    except (OSError, UnicodeDecodeError) as error:
        hint = f"{BUILT_IN!r} takes the built-in set"
        raise InputError(str(path), "cannot be read", "a TOML file in UTF-8", hint) from error

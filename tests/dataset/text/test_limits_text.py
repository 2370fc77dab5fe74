"""Limits as TOML: read back equal, faults named by table, row and key, hashes that follow what is signed."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dataset.admission.rules import check_limits
from dataset.canonical import limits_sha256
from dataset.errors import InputError
from dataset.records import METRICS, Limit, Limits
from dataset.store import Store
from dataset.text.limits_text import DEFAULT_TOML, limits_source, read_limits, write_limits

PRINTABLE = st.text(st.characters(exclude_categories=("Cs", "Cc")) | st.just("\n"), max_size=30)
ROWS = st.builds(
    Limit,
    st.sampled_from(METRICS),
    st.floats(0, 1e5, allow_nan=False),
    st.sampled_from(["all", "foam", "film"]),
    st.none() | st.floats(0.001, 0.999),
    st.integers(1, 10**6),
    st.none() | st.floats(0, 1e5, allow_nan=False),
)
LIMITS = st.builds(
    Limits,
    st.just("signed"),
    st.just(0),
    st.lists(ROWS, min_size=1, max_size=5).map(tuple),
    PRINTABLE,
    st.none() | PRINTABLE,
)


@given(LIMITS)
def test_what_is_written_reads_back_equal(limits: Limits) -> None:
    """Any limits, with quotes, backslashes, line ends and numbers to the last bit, survive TOML; the reader
    is the standard library's.
    """
    text = write_limits(limits)
    assert read_limits("signed", text, "file") == limits
    assert [row["bound"] for row in tomllib.loads(text)["row"]] == [row.bound for row in limits.rows]


def test_keys_that_may_be_left_out() -> None:
    """A row needs a metric and a bound; the rest has the defaults of --row."""
    assert read_limits("short", "[[row]]\nmetric = 'rmse_mm'\nbound = 2\n", "file") == Limits(
        "short", 0, (Limit("rmse_mm", 2.0),)
    )


ROW = "[[row]]\nmetric = 'rmse_mm'\nbound = 2\n"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("row = ", "file: is not TOML"),
        ("", "file, row: no rows"),
        ("row = [1]", "file, row: no rows"),
        ("name = 'x'\n" + ROW, "file: a key 'name'; expected only note, signer, row"),
        ("note = 3\n" + ROW, "file, note: 3; expected a text in quotes"),
        (ROW + "[[row]]\nmetric = 'rmse_mm'\n", "file, [[row]] 2: no key bound"),
        (f"[[row]]\nmetric = 'rmse_mm'\nbound = 1{'0' * 400}\n", "file, [[row]] 1, bound: 1000"),
        (
            ROW + "[[row]]\nmetric = 'rsme_mm'\nbound = 1\n",
            "file, [[row]] 2, metric: 'rsme_mm'; expected one of rmse_mm",
        ),
        (ROW + "bounds = 3\n", "file, [[row]] 1: a key 'bounds'"),
        (ROW + "confidence = '90 %'\n", 'file, [[row]] 1, confidence: "90 %"; expected a number'),
        (ROW + "fewest_groups = 2.5\n", "file, [[row]] 1, fewest_groups: 2.5; expected a whole number"),
        (ROW + "fewest_groups = true\n", "file, [[row]] 1, fewest_groups: true; expected a whole number"),
    ],
)
def test_faults_name_table_row_and_key(text: str, sentence: str) -> None:
    """What cannot be used is refused with its place in the file."""
    with pytest.raises(InputError) as refused:
        read_limits("x", text, "file")
    assert str(refused.value).startswith(sentence)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A source that cannot be read is named; 'default' is the built-in one."""
    with pytest.raises(InputError, match="cannot be read"):
        limits_source(str(tmp_path / "none.toml"))
    assert limits_source("default")[0] == DEFAULT_TOML


def test_the_default_set_can_be_added_as_it_stands(new_store: Store) -> None:
    """The built-in limits pass the registry's checks, and say themselves that they have no source."""
    limits = read_limits("start", DEFAULT_TOML, "built in")
    check_limits(limits)
    assert new_store.add_limits(limits) == replace(limits, revision=1) == new_store.limits("start")
    assert "no source" in limits.note


@pytest.mark.parametrize(
    ("metric", "within", "beyond"),
    [
        ("withheld_share", 1.0, 1.01),
        ("dry_missed_share", 0.0, 2.0),
        ("p95_pct_span", 100.0, 100.5),
        ("max_abs_mm", 250.0, -1.0),
    ],
)
def test_bounds_that_say_something(metric: str, within: float, beyond: float) -> None:
    """A share ends at 1, a percentage of the span at 100; nothing is below 0. A bound of 0 episodes can be
    asked for.
    """
    check_limits(Limits("x", 0, (Limit(metric, within, "foam"), Limit("false_wet_episodes", 0.0))))
    with pytest.raises(InputError, match=f"bound of {metric}"):
        check_limits(Limits("x", 0, (Limit(metric, beyond),)))


def test_the_hash_follows_what_is_signed() -> None:
    """Signing and the store's revision number leave the hash; any change of name, note, a row or their order
    makes another.
    """
    limits = Limits("signed", 1, (Limit("rmse_mm", 2.0), Limit("p95_abs_mm", 4.0, "foam", 0.9, 9)), "note")
    assert limits_sha256(limits) == limits_sha256(replace(limits, revision=7, signer="A. Owner"))
    changes: dict[str, Any] = {"bound": 4.5, "condition": "film", "confidence": 0.95, "min_groups": 10}
    others = [
        replace(limits, name="other"),
        replace(limits, note=""),
        replace(limits, rows=limits.rows[::-1]),
        *(
            replace(limits, rows=(limits.rows[0], replace(limits.rows[1], **{key: value})))
            for key, value in changes.items()
        ),
    ]
    assert len({limits_sha256(other) for other in [limits, *others]}) == 8


def test_a_signature_is_a_new_revision(new_store: Store) -> None:
    """The signer is kept and given back; the unsigned revision stays, and signing twice alike is refused."""
    first = new_store.add_limits(Limits("signed", 0, (Limit("rmse_mm", 2.0),)))
    second = new_store.add_limits(replace(first, signer="A. Owner"))
    assert (first.signer, second.signer, second.revision) == (None, "A. Owner", 2)
    assert new_store.all_limits() == (first, second)
    with pytest.raises(InputError, match="exists with exactly this content"):
        new_store.add_limits(replace(first, signer="A. Owner"))
    with pytest.raises(InputError, match="signer"):
        new_store.add_limits(replace(first, signer=" "))

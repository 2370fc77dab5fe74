"""Names of rows as codes: the rows and the order that the texts themselves have (numpy's own unique)."""

from __future__ import annotations

import numpy as np
import pytest

from training.judging.categorical import Categorical

NAMES = ["u2", "u10", "Ä", "b", "u2", "a"]
AT = np.random.default_rng(4).integers(0, 5, 200)  # the last name is of no row


@pytest.mark.parametrize("rows", [slice(None), np.arange(200) % 3 == 0, np.asarray([7, 7, 1])])
def test_codes_stand_for_texts(rows: slice | np.ndarray) -> None:
    texts, made = np.asarray(NAMES)[AT][rows], Categorical.of(NAMES, AT)[rows]  # type: ignore[index]
    names, of = np.unique(texts, return_inverse=True)
    found, numbers = made.numbered()
    assert (found, made.found(), len(made)) == (names.tolist(), names.tolist(), len(texts))
    assert np.array_equal(numbers, of)
    assert numbers.dtype == np.int64
    assert [made.name(k) for k in range(len(made))] == texts.tolist()
    for name in (*NAMES, "nobody"):
        assert np.array_equal(made.rows_of(name), texts == name)


def test_codes_come_in_the_order_of_names_and_take_four_bytes() -> None:
    made = Categorical.of(NAMES, AT)
    assert made.categories == tuple(sorted(set(NAMES)))
    assert made.codes.dtype == np.int32


def test_lots_of_rows_with_other_names_are_joined() -> None:
    first, second = Categorical.of(["b", "c", "b"]), Categorical.of(["a", "c"])
    joined = Categorical.joined((first, second))
    assert [joined.name(k) for k in range(5)] == ["b", "c", "b", "a", "c"]
    assert joined.categories == ("a", "b", "c")

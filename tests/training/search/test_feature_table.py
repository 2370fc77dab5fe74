"""The table of features that candidates share: kept narrow, reckoned with wide."""

from __future__ import annotations

import numpy as np
import pytest

from dataset.records import CountLaw
from training.models.features import columns
from training.models.nets import IntLayer, IntNet
from training.models.trimming import Trimming
from training.program import INT32_MAX, INT32_MIN
from training.search.array_recipes import ALL
from training.search.nets import fitting
from training.search.nets.fitting import FeatureTable

ROWS, PADS = 20, 3
THREE = Trimming((), CountLaw.RISES, 0, (0,) * PADS, (1,) * PADS, (0, 1), (1, 1), (), (), ())


@pytest.fixture
def table() -> FeatureTable:
    """Shares, ratios, flow and unrest of three pads at both ends of 32 bits and in between."""
    wide = PADS + PADS + 2
    features = np.random.default_rng(3).integers(INT32_MIN, INT32_MAX, (ROWS, wide), np.int64, endpoint=True)
    features[0], features[1] = INT32_MAX, INT32_MIN
    narrow = features.astype(np.int32)
    return FeatureTable(THREE, np.zeros((1, 0), np.int64), narrow, narrow[:, :PADS], ((), ()))


def test_features_and_shares_are_handed_out_as_floats(table: FeatureTable) -> None:
    """A product and a sum of the ends of 32 bits are right; columns lie one behind the other, as sums over
    them were made ever since.
    """
    chosen = np.arange(ROWS) % 4 < 2
    for rows in (chosen, np.flatnonzero(chosen)[::-1]):
        for groups in (ALL, ("flow", "shares")):
            found = table.of(groups, rows)
            assert found.dtype == np.float64
            assert found.flags.f_contiguous
        assert table.shares_of(rows).dtype == np.float64
        assert np.array_equal(table.shares_of(rows), table.shares.astype(np.int64)[rows])
    both = table.of(ALL, np.asarray([0, 1]))
    assert (both * 4 == np.asarray([[4 * INT32_MAX], [4 * INT32_MIN]])).all()
    assert (table.shares_of(np.asarray([0, 0])).sum(axis=0) == 2 * INT32_MAX).all()


def test_an_integer_net_says_the_same_however_rows_are_cut(
    table: FeatureTable, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sums far beyond 32 bits, by hand in Python's own whole numbers."""
    net = IntNet((IntLayer(((30_000, -30_000, 30_000),), (5,), 0, 0),))
    at = np.arange(ROWS)[::-1]
    monkeypatch.setattr(fitting, "_BLOCK", 7)
    found = fitting._outputs(table, net, ("shares",), at)[:, 0]
    byhand = [
        30_000 * (a - b + c) + 5 for a, b, c in (map(int, table.features[k, table_at(table)]) for k in at)
    ]
    assert found.tolist() == [float(value) for value in byhand]
    assert fitting._outputs(table, net, ("shares",), at[:0]).shape == (0, 1)


def table_at(table: FeatureTable) -> list[int]:
    """The columns of the shares."""
    return columns(("shares",), table.groups, table.trimming)

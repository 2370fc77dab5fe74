"""The conformal band against its law."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, kstest

from training.judging.band import Widths, band_of, conformal
from training.judging.scoring import fewest_groups
from training.models.recipes import Band


@pytest.mark.parametrize(("share", "groups"), [(0.9, 9), (0.95, 19)])
def test_fewest_groups(share: float, groups: int) -> None:
    """K = ceil((n + 1) share) is at most n from 9 groups on for 90 %, from 19 for 95 % (Lei et al., JASA 113
    (2018) 1094).
    """
    assert fewest_groups(share) == groups
    assert conformal(np.arange(groups, dtype=float), share) == groups - 1
    assert conformal(np.arange(groups - 1, dtype=float), share) is None


@pytest.mark.parametrize("n", [9, 19, 50])
def test_coverage_follows_its_beta_law(n: int) -> None:
    """Coverage given the calibration groups is Beta(k, n + 1 - k) (Marques, arXiv:2303.02770): scores
    uniform, so that a quantile is its own coverage.
    """
    draw = np.random.default_rng(n)
    covered = np.asarray([conformal(draw.random(n)) for _ in range(4000)], dtype=float)
    k = int(np.ceil((n + 1) * 0.9 - 1e-9))
    assert covered.mean() == pytest.approx(k / (n + 1), abs=0.005)
    assert kstest(covered, beta(k, n + 1 - k).cdf).pvalue > 0.001


def test_the_table_of_a_hundred() -> None:
    """N = 100 at 90 %: mean coverage 0.90099, 5 to 95 % of it 0.8482 to 0.9447 (printed from the
    same law).
    """
    law = beta(91, 10)
    assert law.mean() == pytest.approx(0.90099, abs=1e-5)
    assert law.ppf([0.05, 0.95]) == pytest.approx([0.8482, 0.9447], abs=5e-5)


def test_a_band_is_rounded_outwards() -> None:
    """Half widths in 64ths of a mm, none narrower than what was calibrated, none wider by a whole one: by
    hand 1.01, 2.03, 0.501 and 4.0 mm are 64.64, 129.92, 32.064 and 256 of them.
    """
    band = band_of(Widths((1.01, 0.501), (2.03, 4.0)), 1.0)
    assert band == Band(65, 130, 33, 256)
    assert band_of(Widths((0.505, 0.2505), (1.015, 2.0)), 2.0) == band

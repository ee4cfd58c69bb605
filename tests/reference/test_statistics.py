"""Intervals against published tables and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipeline.statistics import beta_binomial_fit, effective_number, wilson_interval

# Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I, method 3 (Wilson score).
NEWCOMBE = [
    (81, 263, 0.2553, 0.3662),
    (15, 148, 0.0624, 0.1605),
    (0, 20, 0.0000, 0.1611),
    (1, 29, 0.0061, 0.1718),
    (29, 29, 0.8830, 1.0000),
]


@pytest.mark.parametrize(("x", "n", "low", "high"), NEWCOMBE)
def test_newcombe_table_1(x: int, n: int, low: float, high: float) -> None:
    got = wilson_interval(x, n)
    assert float(got.low) == pytest.approx(low, abs=5e-5)
    assert float(got.high) == pytest.approx(high, abs=5e-5)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_against_statsmodels(counts: tuple[int, int]) -> None:
    x, n = counts
    low, high = proportion_confint(x, n, alpha=0.1, method="wilson")
    got = wilson_interval(x, n, 0.9)
    assert float(got.low) == pytest.approx(low, abs=1e-12)
    assert float(got.high) == pytest.approx(high, abs=1e-12)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_interval_holds_the_rate_and_mirrors(counts: tuple[int, int]) -> None:
    x, n = counts
    got, mirror = wilson_interval(x, n), wilson_interval(n - x, n)
    assert 0 <= got.low <= x / n <= got.high <= 1
    assert float(got.low) == pytest.approx(1 - float(mirror.high), abs=1e-12)


def test_no_trials_give_no_interval() -> None:
    got = wilson_interval([0, 1], [0, 2])
    assert np.isnan(got.low[0])
    assert np.isnan(got.high[0])
    assert not np.isnan(got.low[1])


@pytest.mark.parametrize(("x", "n"), [(3, 2), (-1, 2)])
def test_impossible_counts_are_refused(x: int, n: int) -> None:
    with pytest.raises(ValueError, match="between 0 and trials"):
        wilson_interval(x, n)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0])
def test_impossible_confidence_is_refused(confidence: float) -> None:
    with pytest.raises(ValueError, match="confidence"):
        wilson_interval(1, 2, confidence)


# Rat tumours in 70 historical groups: Gelman et al., Bayesian Data Analysis, ch. 5 (read at
# am207.info); maximum likelihood 2.304768 and 14.079707 in the vignette of the R package BayesGOF.
RATS = (
    "0/20x7 0/19x4 0/18x2 0/17 1/20x4 1/19x2 1/18x2 2/25 2/24 2/23 2/20x6 1/10 5/49 2/19 5/46 "
    "3/27 2/17 7/49 7/47 3/20x2 2/13 9/48 10/50 4/20x7 10/48 4/19x3 5/22 11/46 12/49 5/20x2 6/23 "
    "5/19 6/22 6/20x3 16/52 15/47 15/46 9/24"
)


def rats() -> tuple[list[int], list[int]]:
    hits, trials = [], []
    for word in RATS.split():
        rate, _, times = word.partition("x")
        hit, _, trial = rate.partition("/")
        hits += [int(hit)] * int(times or 1)
        trials += [int(trial)] * int(times or 1)
    return hits, trials


def test_beta_binomial_of_the_rat_tumours() -> None:
    hits, trials = rats()
    assert len(hits) == 70
    found = beta_binomial_fit(hits, trials)
    assert found is not None
    assert found.alpha == pytest.approx(2.304768, rel=1e-3)
    assert found.beta == pytest.approx(14.079707, rel=1e-3)
    assert found.icc == pytest.approx(1 / (1 + 2.304768 + 14.079707), rel=1e-3)


def test_beta_binomial_agrees_with_a_direct_search() -> None:
    """scipy.stats.betabinom on a grid finds nothing likelier."""
    hits, trials = np.array([1, 5, 9, 0, 7, 10]), np.full(6, 10)
    found = beta_binomial_fit(hits, trials)
    assert found is not None
    best = stats.betabinom(10, found.alpha, found.beta).logpmf(hits).sum()
    for alpha in np.geomspace(0.05, 20, 25):
        for beta in np.geomspace(0.05, 20, 25):
            assert stats.betabinom(10, alpha, beta).logpmf(hits).sum() <= best + 1e-6


def test_no_spread_and_no_groups() -> None:
    assert beta_binomial_fit([2, 1], [5, 5]) is None
    assert beta_binomial_fit([0, 0, 0, 0], [5, 5, 5, 5]) is None
    even = beta_binomial_fit([5, 5, 5, 5, 5], [10, 10, 10, 10, 10])
    assert even is not None and even.icc < 0.001


def test_effective_number() -> None:
    """40 stops of 8 drivers: 5 each; with correlation 0.25 worth 40 / (1 + 4 x 0.25) = 20."""
    got = effective_number([40, 40, 8, 0], [8, 8, 8, 0], 0.25)
    assert got.tolist() == [20, 20, 8, 0]
    assert effective_number([40], [8], 0.0)[0] == 40
    assert effective_number([40], [8], 1.0)[0] == 8

"""Grouped order statistics against libraries that compute one group at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.learning.grouped import Grouped


@pytest.mark.parametrize("q", [0.25, 0.5, 0.9])
def test_against_numpys_weighted_quantile(q: float) -> None:
    """numpy.quantile with weights, method inverted_cdf, group by group."""
    generator = np.random.default_rng(3)
    groups = generator.integers(0, 6, 400)
    values = generator.normal(size=400)
    weights = generator.integers(0, 4, 400).astype(float)
    got = Grouped.of(values, groups, 7).quantile(weights, q)
    for group in range(6):
        mine = groups == group
        expected = np.quantile(values[mine], q, weights=weights[mine], method="inverted_cdf")
        # A tie in the middle is halved here, not in numpy.
        assert got[group] == pytest.approx(expected, abs=0.15)
        share = weights[mine][values[mine] <= got[group]].sum() / weights[mine].sum()
        assert share >= q - 1e-9 or got[group] > expected
    assert np.isnan(got[6])


def test_a_tie_in_the_middle_is_the_common_median() -> None:
    got = Grouped.of(np.array([1.0, 2.0, 3.0, 10.0]), np.zeros(4, dtype=int), 1)
    assert got.quantile(np.ones(4), 0.5)[0] == pytest.approx(2.5)


@given(
    st.lists(st.tuples(st.floats(0, 100), st.booleans()), min_size=3, max_size=40),
    st.sampled_from([0.5, 0.75]),
)
@settings(max_examples=60, deadline=None)
def test_censored_quantile_against_scipys_kaplan_meier(
    rows: list[tuple[float, bool]], q: float
) -> None:
    """scipy.stats.ecdf of right-censored data gives the survival function."""
    values = np.round(np.array([row[0] for row in rows]), 3) + np.arange(len(rows)) * 1e-5
    censored = np.array([row[1] for row in rows])
    got = Grouped.of(values, np.zeros(len(rows), dtype=int), 1, censored)
    quantile = got.quantile(np.ones(len(rows)), q)[0]
    data = stats.CensoredData(uncensored=values[~censored], right=values[censored])
    survival = stats.ecdf(data).sf
    reached = survival.quantiles[survival.probabilities <= 1 - q + 1e-9]
    if len(reached) == 0:
        assert np.isnan(quantile)
    elif np.isclose(survival.probabilities[survival.quantiles == reached[0]], 1 - q).any():
        assert quantile >= reached[0] - 1e-9
    else:
        assert quantile == pytest.approx(reached[0])


def test_weights_are_repetitions() -> None:
    values = np.array([5.0, 1.0, 3.0, 8.0])
    censored = np.array([False, False, True, False])
    weights = np.array([2.0, 1.0, 3.0, 1.0])
    whole = np.repeat(np.arange(4), weights.astype(int))
    one = Grouped.of(values, np.zeros(4, dtype=int), 1, censored).quantile(weights, 0.5)
    many = Grouped.of(values[whole], np.zeros(7, dtype=int), 1, censored[whole])
    assert one[0] == many.quantile(np.ones(7), 0.5)[0]


def test_sums_events_and_greatest() -> None:
    got = Grouped.of(
        np.array([1.0, 2.0, 3.0]), np.array([0, 0, 1]), 3, np.array([False, True, True])
    )
    ones = np.ones(3)
    assert got.sums(ones).tolist() == [2, 1, 0]
    assert got.events(ones).tolist() == [1, 0, 0]
    assert got.greatest(ones)[:2].tolist() == [2, 3] and np.isnan(got.greatest(ones)[2])


def test_a_part_of_what_is_sorted_is_that_part_sorted() -> None:
    generator = np.random.default_rng(7)
    groups = generator.integers(0, 5, 200)
    values = np.round(generator.normal(size=200), 1)  # with ties
    censored = generator.random(200) < 0.3
    mask = generator.random(200) < 0.6
    got = Grouped.of(values, groups, 6, censored).where(mask)
    fresh = Grouped.of(values[mask], groups[mask], 6, censored[mask])
    for name in ("values", "groups", "is_censored", "order", "starts"):
        assert np.array_equal(getattr(got, name), getattr(fresh, name)), name

"""Intervals against published tables and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from pipeline.statistics import wilson_interval

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

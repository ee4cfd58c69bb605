"""The negative binomial fit against statsmodels' maximum likelihood (NB2, with exposure)."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from scipy import sparse

from pipeline.budget.counts import dispersion_of, negative_binomial


def fitted(
    counts: np.ndarray, design: np.ndarray, exposure: np.ndarray
) -> tuple[np.ndarray, float, np.ndarray]:
    """Coefficients and dispersion in turns, without priors, until both stand."""
    flat = np.zeros(design.shape[1])
    dispersion, start = 0.2, None
    covariance = np.empty(0)
    for _ in range(60):
        start, covariance = negative_binomial(
            counts, sparse.csr_array(design), exposure, flat, dispersion, start=start
        )
        dispersion, _ = dispersion_of(counts, exposure * np.exp(design @ start), weight=0.0)
    assert start is not None
    return start, dispersion, np.sqrt(np.diag(covariance))


@pytest.mark.parametrize("seed", [1, 2])
def test_coefficients_dispersion_and_errors(seed: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import statsmodels.api as sm
    rng = np.random.default_rng(seed)
    rows_n = 240
    design = np.column_stack(
        (np.ones(rows_n), rng.integers(0, 2, rows_n), rng.normal(0, 1, rows_n))
    ).astype(float)
    exposure = rng.uniform(8, 31, rows_n)
    mean = exposure * np.exp(design @ [-0.9, 0.4, 0.2])
    counts = rng.negative_binomial(1 / 0.3, 1 / (1 + 0.3 * mean)).astype(float)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        reference = sm.NegativeBinomial(counts, design, exposure=exposure).fit(
            disp=0, method="bfgs", maxiter=500, gtol=1e-8
        )
    ours, dispersion, errors = fitted(counts, design, exposure)
    assert ours == pytest.approx(reference.params[:3], abs=2e-4)
    assert dispersion == pytest.approx(reference.params[3], rel=2e-3)
    assert errors == pytest.approx(reference.bse[:3], rel=0.05)

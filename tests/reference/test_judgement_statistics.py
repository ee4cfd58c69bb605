"""Shrinkage, funnels, logistic model and false discovery against libraries and published values."""

from __future__ import annotations

import warnings

import numpy as np
import polars as pl
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.multitest import multipletests

from pipeline.judgement import funnel, logistic
from pipeline.judgement.effects import clustered_covariance
from pipeline.judgement.findings import METHOD_RULE, with_verdict
from pipeline.judgement.logistic import penalised_logistic
from pipeline.judgement.shrinkage import fleet_grid, shrunk_rates

# Rat tumours in 70 historical groups and the 71st, 4 of 14: Gelman et al., Bayesian Data Analysis,
# ch. 5 (read at am207.info); x marks repeated groups.
RATS = (
    "0/20x7 0/19x4 0/18x2 0/17 1/20x4 1/19x2 1/18x2 2/25 2/24 2/23 2/20x6 1/10 5/49 2/19 5/46 "
    "3/27 2/17 7/49 7/47 3/20x2 2/13 9/48 10/50 4/20x7 10/48 4/19x3 5/22 11/46 12/49 5/20x2 6/23 "
    "5/19 6/22 6/20x3 16/52 15/47 15/46 9/24"
)


def rats() -> tuple[np.ndarray, np.ndarray]:
    groups = []
    for word in RATS.split():
        rate, _, times = word.partition("x")
        hit, _, trial = rate.partition("/")
        groups += [(int(hit), int(trial))] * int(times or 1)
    hits, trials = np.array(groups).T
    return hits, trials


def by_betabinom(
    hits: list[int], trials: list[int], which: int, rate: float
) -> tuple[float, float]:
    """Posterior mean of one group and the chance that it lies below `rate`: a plain even grid over
    the mean and the share by which is shrunk, and scipy's betabinom."""
    middle = (np.arange(80) + 0.5) / 80
    m, s = (axis.ravel() for axis in np.meshgrid(middle, middle, indexing="ij"))
    a, b = m * (1 / s - 1), (1 - m) * (1 / s - 1)
    logs = sum(stats.betabinom.logpmf(x, n, a, b) for x, n in zip(hits, trials, strict=True))
    weight = np.exp(logs - logs.max())
    weight /= weight.sum()
    a, b = a + hits[which], b + trials[which] - hits[which]
    return float(weight @ (a / (a + b))), float(weight @ stats.beta.cdf(rate, a, b))


@pytest.mark.parametrize(
    ("hits", "trials", "which"),
    [
        ([0, 4, 9, 3], [12, 10, 11, 8], 0),
        ([5, 5, 6], [10, 11, 12], 1),
        ([2], [7], 0),
        ([0, 0, 0], [4, 9, 6], 1),
    ],
)
def test_shrunk_rates_against_scipy(hits: list[int], trials: list[int], which: int) -> None:
    """Same prior, even in the mean and in the share by which is shrunk; another grid and code."""
    got = shrunk_rates(hits, trials)
    mean, below = by_betabinom(hits, trials, which, got.high[which])
    assert got.rate[which] == pytest.approx(mean, abs=0.004)
    assert below == pytest.approx(0.95, abs=0.006)
    if got.low[which] < 0.01:  # nearer to 0 than the even grid can see
        assert hits[which] == 0
    else:
        below = by_betabinom(hits, trials, which, got.low[which])[1]
        assert below == pytest.approx(0.05, abs=0.01)


def test_rat_tumours() -> None:
    """Published maximum of the marginal likelihood of 70 groups: alpha 2.3048, beta 14.0797
    (vignette of the R package BayesGOF); the 71st group, 4 of 14, by it 0.2082 (calculated)."""
    hits, trials = rats()
    assert len(hits) == 70
    grid = fleet_grid(hits, trials)
    best = stats.betabinom.logpmf(hits, trials, 2.304768, 14.079707).sum()
    likeliest = stats.betabinom.logpmf(
        hits[:, None], trials[:, None], grid.alpha[None, :], grid.beta[None, :]
    ).sum(axis=0)
    at = int(np.argmax(likeliest))
    assert best - 0.1 < likeliest[at] <= best + 1e-6
    assert grid.alpha[at] / (grid.alpha[at] + grid.beta[at]) == pytest.approx(0.1407, abs=0.02)
    whole = shrunk_rates(np.append(hits, 4), np.append(trials, 14))
    assert whole.rate[-1] == pytest.approx(0.2082, abs=0.006)
    assert whole.low[-1] < 0.2082 < whole.high[-1]


def test_intervals_cover_the_true_rates() -> None:
    """Truth drawn by numpy from another family than the model's: logits, normally spread."""
    rng = np.random.default_rng(5)
    held, widths = [], []
    for _ in range(25):
        true = 1 / (1 + np.exp(-rng.normal(rng.normal(0, 1), 1.2, 9)))
        trials = rng.integers(3, 25, 9)
        hits = rng.binomial(trials, true)
        got = shrunk_rates(hits, trials)
        held += list((got.low <= true) & (true <= got.high))
        exact = stats.beta.ppf([[0.05], [0.95]], [hits + 0.5], [trials - hits + 0.5])
        widths.append(np.mean(got.high - got.low) / np.mean(exact[1] - exact[0]))
    assert 0.86 <= np.mean(held) <= 0.95
    assert np.mean(widths) < 1.0, "shrinking narrows what a group alone could tell"


def made_up(seed: int, count: int = 300) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    group = rng.integers(0, 12, count)
    design = np.column_stack([np.ones(count), rng.normal(size=(count, 3))])
    logits = design @ [0.4, 1.0, -0.7, 0.2] + rng.normal(0, 0.6, 12)[group]
    return design, rng.random(count) < 1 / (1 + np.exp(-logits)), group


def test_logistic_without_penalty_is_statsmodels_logit() -> None:
    design, hit, _ = made_up(1)
    fit = penalised_logistic(design, hit, np.full(4, np.inf))
    other = sm.Logit(hit.astype(float), design).fit(disp=0)
    np.testing.assert_allclose(fit.effects, other.params, atol=1e-6)
    np.testing.assert_allclose(fit.covariance, other.cov_params(), rtol=1e-5)


def test_a_wide_design_is_fitted_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Kept sparse or not, the same fit."""
    design, hit, group = made_up(6)
    wide = np.column_stack([design, group[:, None] == np.arange(12)])
    dense = penalised_logistic(wide, hit, np.full(16, 2.0))
    monkeypatch.setattr(logistic, "WIDE_N", 3)
    sparse = penalised_logistic(wide, hit, np.full(16, 2.0))
    np.testing.assert_allclose(sparse.effects, dense.effects, atol=1e-8)
    np.testing.assert_allclose(sparse.precision, dense.precision, rtol=1e-8, atol=1e-8)


def test_logistic_with_penalty_is_statsmodels_ridge() -> None:
    """GLM.fit_regularized minimises -loglike / n + sum alpha b² / 2, so alpha = 1 / (n sd²)."""
    design, hit, _ = made_up(2)
    deviation = np.array([5.0, 0.5, 0.3, 1.0])
    fit = penalised_logistic(design, hit, deviation)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = sm.GLM(hit.astype(float), design, family=sm.families.Binomial()).fit_regularized(
            alpha=1 / deviation**2 / len(hit), L1_wt=0.0, method="elastic_net"
        )
    np.testing.assert_allclose(fit.effects, other.params, atol=2e-4)


def test_clusters_are_those_of_statsmodels() -> None:
    design, hit, group = made_up(3)
    fit = penalised_logistic(design, hit, np.full(4, np.inf))
    got = clustered_covariance(design, hit, fit, group, 12)
    other = sm.Logit(hit.astype(float), design).fit(
        disp=0, cov_type="cluster", cov_kwds={"groups": group}
    )
    np.testing.assert_allclose(got, other.cov_params(), rtol=1e-4)


@pytest.mark.parametrize(
    ("trials", "limits"),
    [
        (10, (0.3025, 0.4705, 0.9767, 0.9991)),
        (25, (0.5016, 0.6104, 0.9240, 0.9894)),
        (50, (0.6009, 0.6729, 0.8956, 0.9452)),
        (100, (0.6632, 0.7135, 0.8703, 0.9090)),
    ],
)
def test_interpolated_binomial_limits(trials: int, limits: tuple[float, ...]) -> None:
    """Target 0.80 at 0.001, 0.025, 0.975, 0.999: Spiegelhalter's appendix, calculated apart."""
    got = [float(funnel.rate_limit(0.8, trials, share)) for share in (0.001, 0.025, 0.975, 0.999)]
    assert got == pytest.approx(limits, abs=5e-5)


def test_overdispersion_is_the_moment_estimate(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing winsorised, and the target their weighted mean: DerSimonian and Laird's variance
    between studies as statsmodels has it."""
    monkeypatch.setattr(funnel, "WINSORISED_SHARE", 0.0)
    rng = np.random.default_rng(4)
    error = rng.uniform(0.1, 0.5, 14)
    ratio = 1 + rng.normal(0, 0.4, 14) + rng.normal(0, error)
    target = np.average(ratio, weights=1 / error**2)
    got = funnel.overdispersion((ratio - target) / error, error)
    other = combine_effects(ratio, error**2, method_re="chi2")
    assert got.tau2_value == pytest.approx(other.tau2, rel=1e-9)
    assert got.phi_value == pytest.approx(other.q / 14, rel=1e-9)


def test_no_more_than_chance_is_no_overdispersion() -> None:
    assert funnel.overdispersion(np.array([0.1, -0.2, 0.3, 0.0]), np.full(4, 0.2))[1] == 0.0


# Benjamini and Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300: 15 hypotheses, 4 rejected at 0.05
# (as in scipy's false_discovery_control).
PUBLISHED_P = [
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
    0.5719, 0.6528, 0.7590, 1.000,
]  # fmt: skip


def verdicts(
    p_values: list[float], shown_n: int = 40, rate: float = 0.10, started: int = 0
) -> pl.DataFrame:
    """Subjects with these smallest attainable p-values, the last `started` of which did start."""
    rule = METHOD_RULE.__class__(false_discovery_rate=rate)
    count = len(p_values)
    sums = pl.DataFrame(
        {
            "subject_id": [f"d{n:02d}" for n in range(count)],
            "stops_n": [shown_n] * count,
            "started_n": [0] * (count - started) + [3] * started,
            "shown_n": [shown_n] * count,
            "expected_started_n": [9.0] * count,
            "expected_of_all_n": [9.0] * count,
            "least_p_value": p_values,
        }
    )
    return with_verdict(sums, "driver", rule)


def test_published_false_discovery_example() -> None:
    # All of them are compared if each could have been a finding; so the bound is set to 1.
    everything = verdicts(PUBLISHED_P, rate=1.0)
    assert (everything["q_value"] <= 0.05).sum() == 4
    expected = multipletests(PUBLISHED_P, method="fdr_bh")[1]
    np.testing.assert_allclose(everything["q_value"].to_numpy(), expected)
    assert everything["q_value"][3] == pytest.approx(0.035625)


def test_only_who_could_be_found_is_compared() -> None:
    """Method, section 7: over the drivers whose smallest attainable p-value is at most 0.10."""
    some = verdicts(PUBLISHED_P)
    assert some["q_value"].null_count() == 6
    expected = multipletests(PUBLISHED_P[:9], method="fdr_bh")[1]
    np.testing.assert_allclose(some["q_value"].drop_nulls().to_numpy(), expected)
    assert some.filter(pl.col("verdict") == "stands").height == (expected <= 0.10).sum() == 9


@pytest.mark.parametrize(("p_value", "verdict"), [(0.019, "stands"), (0.021, "not_distinct")])
def test_who_did_start_was_compared_too(p_value: float, verdict: str) -> None:
    """One of five that could have been found: a tenth of false discoveries is 0.02 for the first,
    as multipletests says of the other four at 1."""
    found = verdicts([p_value, 0.001, 0.002, 0.003, 0.004], started=4)
    is_rejected = multipletests([p_value, 1, 1, 1, 1], alpha=0.10, method="fdr_bh")[0]
    assert is_rejected[0] == (verdict == "stands")
    assert found["verdict"].to_list() == [verdict] + ["started"] * 4

"""Statistics on arrays: no DuckDB, no Jinja, no Prefect."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import betaln, expit, logit, ndtri, stdtrit


class Interval(NamedTuple):
    """Ends of an interval, arrays of one shape."""

    low: NDArray[np.float64]
    high: NDArray[np.float64]


def wilson_interval(hits: ArrayLike, trials: ArrayLike, confidence: float = 0.95) -> Interval:
    """Wilson score interval of a rate, without continuity correction.

    Parameters
    ----------
    hits, trials
        Counts, ``0 <= hits <= trials``, of one shape or broadcastable; fractions are allowed,
        so that an effective number can be given.
    confidence
        Two-sided, in (0, 1).

    Returns
    -------
    Interval
        Ends in 0 to 1; NaN where there are no trials.

    Raises
    ------
    ValueError
        When counts or confidence are outside their domain.

    Notes
    -----
    ``(p + z²/2n ± z sqrt(p(1-p)/n + z²/4n²)) / (1 + z²/n)``. With no hits the lower end is 0
    exactly, with all hits the upper end is 1 exactly.

    References
    ----------
    Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212; Newcombe, Stat. Med. 17 (1998) 857-872,
    method 3.

    Examples
    --------
    >>> [round(float(end), 4) for end in wilson_interval(81, 263)]
    [0.2553, 0.3662]
    """
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    x, n = np.broadcast_arrays(np.asarray(hits, dtype=float), np.asarray(trials, dtype=float))
    if np.any(x < 0) or np.any(x > n):
        raise ValueError("hits must lie between 0 and trials")
    z = float(ndtri(0.5 + confidence / 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        p = x / n
        middle = p + z**2 / (2 * n)
        half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2))
        scale = 1 + z**2 / n
        low = np.where(x == 0, 0.0, (middle - half) / scale)
        high = np.where(x == n, 1.0, (middle + half) / scale)
    nothing = n == 0
    return Interval(np.where(nothing, np.nan, low), np.where(nothing, np.nan, high))


def usual_range(
    sums: ArrayLike,
    counts: ArrayLike,
    confidence: float = 0.9,
    resamples_n: int = 2000,
    seed: int = 1,
) -> Interval:
    """Usual range of a ratio of sums, by a bootstrap over vehicles.

    Whole vehicles are drawn with replacement, because the stops of one go together. Below twenty
    vehicles a bootstrap is too narrow; its ends are then moved out by the ratio of Student's t to
    the normal quantile and by ``sqrt(n / (n - 1))`` (Davison and Hinkley 1997, ch. 2; from memory).

    Parameters
    ----------
    sums, counts
        Per vehicle, shape (vehicles,) or (vehicles, figures): the ratio is ``sum(sums) /
        sum(counts)``. NaN counts as a vehicle without the figure.

    Returns
    -------
    Interval
        Arrays of shape (figures,), NaN with fewer than two vehicles.
    """
    top = np.atleast_2d(np.asarray(sums, dtype=float).T).T
    below = np.broadcast_to(np.atleast_2d(np.asarray(counts, dtype=float).T).T, top.shape)
    has = np.isfinite(top) & np.isfinite(below)
    top, below = np.where(has, top, 0.0), np.where(has, below, 0.0)
    vehicles_n = len(top)
    nothing = np.full(top.shape[1], np.nan)
    if vehicles_n < 2:
        return Interval(nothing, nothing.copy())
    generator = np.random.default_rng(seed)
    drawn = generator.multinomial(vehicles_n, np.full(vehicles_n, 1 / vehicles_n), resamples_n)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = (drawn @ top) / (drawn @ below)
        centre = top.sum(axis=0) / below.sum(axis=0)
    ratios = np.where(np.isfinite(ratios), ratios, centre)
    tail = (1 - confidence) / 2
    low, high = np.quantile(ratios, [tail, 1 - tail], axis=0)
    if vehicles_n < 20:
        wider = stdtrit(vehicles_n - 1, 1 - tail) / ndtri(1 - tail)
        wider *= np.sqrt(vehicles_n / (vehicles_n - 1))
        low, high = centre - (centre - low) * wider, centre + (high - centre) * wider
    return Interval(low, high)


class BetaBinomial(NamedTuple):
    """Shape parameters; the mean is ``alpha / (alpha + beta)``."""

    alpha: float
    beta: float

    @property
    def icc(self) -> float:
        """Intraclass correlation ``1 / (alpha + beta + 1)``: how far trials of one group agree."""
        return 1.0 / (self.alpha + self.beta + 1.0)


def beta_binomial_fit(hits: ArrayLike, trials: ArrayLike) -> BetaBinomial | None:
    """Maximum likelihood of a beta-binomial over groups (Griffiths 1973; from memory).

    Parameters
    ----------
    hits, trials
        Per group, ``0 <= hits <= trials``; groups without trials say nothing.

    Returns
    -------
    BetaBinomial or None
        None with fewer than three groups of two trials or more, or when all trials agree, since
        then no spread between groups can be told from chance. Where the groups spread no more
        than chance, the parameters run off and stop at a correlation of about 1e-4.
    """
    hit, trial = np.asarray(hits, dtype=float), np.asarray(trials, dtype=float)
    hit, trial = hit[trial > 0], trial[trial > 0]
    if (trial >= 2).sum() < 3 or hit.sum() in (0, trial.sum()):
        return None

    def cost(point: NDArray[np.float64]) -> float:
        mean, size = expit(point[0]), np.exp(point[1])
        alpha, beta = mean * size, (1 - mean) * size
        return -float(np.sum(betaln(hit + alpha, trial - hit + beta) - betaln(alpha, beta)))

    rate = hit.sum() / trial.sum()
    best = min(
        (
            minimize(
                cost,
                [float(logit(rate)), np.log(size)],
                method="L-BFGS-B",
                bounds=[(-12.0, 12.0), (-4.0, 9.2)],
            )
            for size in (2.0, 20.0)
        ),
        key=lambda found: found.fun,
    )
    mean, size = float(expit(best.x[0])), float(np.exp(best.x[1]))
    return BetaBinomial(mean * size, (1 - mean) * size)


def effective_number(trials: ArrayLike, groups: ArrayLike, icc: float) -> NDArray[np.float64]:
    """Trials worth as much as independent ones: ``n / (1 + (m - 1) ICC)``, ``m`` trials a group.

    Kish 1965, Survey Sampling (from memory). Fewer than one trial a group count as one.
    """
    trial = np.asarray(trials, dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        per_group = np.maximum(trial / np.asarray(groups, dtype=float), 1.0)
    return np.where(trial > 0, trial / (1.0 + (np.nan_to_num(per_group, nan=1.0) - 1.0) * icc), 0.0)

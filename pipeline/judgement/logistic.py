"""A logistic regression whose effects are held towards zero, by Newton's method."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.sparse import csr_array
from scipy.special import expit

Array = NDArray[np.float64]

TOLERANCE = 1e-8
STEPS_N = 60


WIDE_N = 64
"""Effects from which on a design, mostly noughts then, is kept sparse: four times as fast for a
hundred vehicles, slower for ten."""


class Logistic(NamedTuple):
    """Effects on the log odds, shape (effects,), and the second derivative at the optimum."""

    effects: Array
    precision: Array

    @property
    def covariance(self) -> Array:
        """Of the effects; an inverse, made anew at each call."""
        return np.asarray(np.linalg.inv(self.precision), dtype=np.float64)


def penalised_logistic(
    design: Array, is_hit: NDArray[np.bool_], prior_sd: Array, start: Array | None = None
) -> Logistic:
    """Fit log odds linear in `design`, each effect with a normal prior around zero.

    Parameters
    ----------
    design
        Shape (stops, effects).
    is_hit
        Shape (stops,).
    prior_sd
        Shape (effects,); ``inf`` leaves an effect free.
    start
        Where to begin, from a like fit.

    Returns
    -------
    Logistic
        Mode of the posterior and its negative second derivative.

    Raises
    ------
    ValueError
        When shapes disagree, a figure is not finite, or a free effect runs off (all hits or none).

    Notes
    -----
    Minimises ``-sum log p(y) + sum b² / (2 sd²)`` (ridge: le Cessie and van Houwelingen, Appl.
    Stat. 41 (1992) 191-201; from memory). Convex, so a halved step always ends.
    """
    count, effects_n = design.shape
    if len(is_hit) != count or len(prior_sd) != effects_n or not np.isfinite(design).all():
        raise ValueError("design, outcomes and priors must agree and be finite")
    hit = np.asarray(is_hit, dtype=float)
    weight = 1.0 / np.asarray(prior_sd, dtype=float) ** 2
    effects = np.zeros(effects_n) if start is None else start.copy()
    sparse = csr_array(design) if effects_n > WIDE_N else None

    def cost(at: Array) -> float:
        logits = design @ at
        return float(np.logaddexp(0, logits).sum() - hit @ logits + 0.5 * weight @ at**2)

    def bend_at(chance: Array) -> Array:
        each = (chance * (1 - chance))[:, None]
        if sparse is None:
            return np.asarray((design * each).T @ design + np.diag(weight))
        return np.asarray((sparse.T @ csr_array(sparse.multiply(each))).toarray() + np.diag(weight))

    now = cost(effects)
    for _ in range(STEPS_N):
        chance = expit(design @ effects)
        slope = design.T @ (hit - chance) - weight * effects
        bend = bend_at(chance)
        try:
            step = np.linalg.solve(bend, slope)
        except np.linalg.LinAlgError as error:
            raise ValueError("an effect cannot be told from the others") from error
        scale = 1.0
        while (then := cost(effects + scale * step)) > now + 1e-12 * abs(now) and scale > 1e-6:
            scale /= 2
        effects, now = effects + scale * step, then
        if np.abs(step).max() < TOLERANCE:
            return Logistic(effects, bend)
    raise ValueError("an effect runs off: give it a prior")


CHORD_STEPS_N = 40


def without_rows(
    whole: Logistic,
    design: csr_array,
    is_hit: NDArray[np.bool_],
    prior_sd: Array,
    is_left_out: NDArray[np.bool_],
) -> Array:
    """Effects of the same model fitted without some rows, from the fit of all.

    Parameters
    ----------
    whole
        `penalised_logistic` of all rows.
    design
        The same design as a sparse array, shape (stops, effects).
    is_left_out
        Shape (stops,).

    Returns
    -------
    array of shape (effects,)
        To the same tolerance as `penalised_logistic` of the rows that stay.

    Notes
    -----
    Newton's method with the second derivative kept where it was (chord method): few rows leave,
    so it hardly changes, and a step costs one product with the design instead of a matrix of all
    effects. Where the steps do not shrink, the fit is made in full.
    """
    weight = 1.0 / np.asarray(prior_sd, dtype=float) ** 2
    own, rest = design[is_left_out], design[~is_left_out]
    hit = np.asarray(is_hit, dtype=float)[~is_left_out]
    chance = expit(own @ whole.effects)
    scaled = own.multiply((chance * (1 - chance))[:, None])
    turned = csr_array(rest.T)
    effects, last = whole.effects.copy(), np.inf
    try:
        bend = cho_factor(whole.precision - np.asarray((own.T @ scaled).toarray()))
        for _ in range(CHORD_STEPS_N):
            slope = turned @ (hit - expit(rest @ effects)) - weight * effects
            step = cho_solve(bend, slope, check_finite=False)
            effects, size = effects + step, float(np.abs(step).max())
            if size < TOLERANCE:
                return np.asarray(effects, dtype=np.float64)
            if not size < 0.9 * last:
                break
            last = size
    except LinAlgError:
        pass
    return penalised_logistic(rest.toarray(), is_hit[~is_left_out], prior_sd, whole.effects).effects

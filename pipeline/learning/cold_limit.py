"""The cold limit of a vehicle model, as a factor on its curve or a ceiling on its current."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression

from pipeline.learning.grouped import Grouped
from pipeline.learning.steps import Array, Flags, Ints

KNOT_STEP_KELVIN = 2.0
KNOTS_DEGC: Array = np.arange(-39.0, 50.0, KNOT_STEP_KELVIN)
ENVELOPE_QUANTILE = 0.9
KEPT_FROM = 0.9
LEAST_SESSIONS_N = 3
ROUNDS_N = 6
SLOPE_KNOTS_N = 3


@dataclass(frozen=True)
class ColdTable:
    """Session medians of the ratio (factor) or of power per capacity (ceiling), by temperature.

    ``is_censored``: the pack stood at another limit, so that its own is at least this.
    """

    session: Ints
    cell_temp_degc: Array
    value: Array
    is_censored: Flags

    @property
    def knot(self) -> Ints:
        """Nearest knot of each row."""
        at = np.rint((self.cell_temp_degc - KNOTS_DEGC[0]) / KNOT_STEP_KELVIN).astype(np.intp)
        nearest: Ints = np.clip(at, 0, len(KNOTS_DEGC) - 1)
        return nearest

    def where(self, mask: Flags) -> ColdTable:
        """The rows picked."""
        return ColdTable(
            self.session[mask], self.cell_temp_degc[mask], self.value[mask], self.is_censored[mask]
        )


@dataclass(frozen=True)
class ColdLimit:
    """Value at each knot of `KNOTS_DEGC`, monotone; sessions behind it; where it comes from.

    ``source``: ``learned``, ``configured``, or ``extended`` from the nearest learned knots.
    """

    value: Array
    sessions_n: Array
    source: list[str]


def cold_limit(
    table: ColdTable,
    session_weights: Array,
    configured: Array | None = None,
    start: Array | None = None,
    rounds_n: int = ROUNDS_N,
    begun: Grouped | None = None,
) -> ColdLimit | None:
    """Monotone limit through the middle of what lies near the envelope.

    Sharing and derating only ever lower power, so rows below `KEPT_FROM` of the envelope of
    their knot are dropped; what is left is the limit with noise on both sides, and its middle
    is taken: a high quantile would lie above it by the noise. Rows at another limit count as
    "at least" (Kaplan and Meier), never dropped, since dropping them lowers the fit.

    Parameters
    ----------
    session_weights
        Shape (stops,): all 1, or the counts of a resample.
    configured
        Value at each knot to fall back on where fewer than `LEAST_SESSIONS_N` sessions speak.
    start
        A limit to begin from, for refits; else the raw middle of each knot.
    begun
        `excess_over` of table and `start`, from a caller that fits often from there.

    Returns
    -------
    ColdLimit or None
        None where nothing is known at all.
    """
    weights = session_weights[table.session]
    knot = table.knot
    count = len(KNOTS_DEGC)
    seen: Array = np.bincount(
        knot[~table.is_censored], weights[~table.is_censored], minlength=count
    ).astype(np.float64)
    if start is None:
        start = _first_guess(table, weights, knot, configured)
    if start is None:
        return None
    value = start
    for done in range(rounds_n):
        raw = excess_over(table, value) if done or begun is None else begun
        envelope = raw.quantile(weights, ENVELOPE_QUANTILE)
        envelope = np.where(np.isnan(envelope), raw.greatest(weights), envelope)
        kept = np.empty(len(knot), dtype=bool)
        kept[raw.order] = raw.is_censored | (raw.values >= np.log(KEPT_FROM) + envelope[raw.groups])
        near = raw.where(kept)
        middle = near.quantile(weights[kept], 0.5)
        # Only "at least" is known: rise to it, never fall.
        at_least = np.maximum(near.greatest(weights[kept]), 0.0)
        step = np.where(np.isnan(middle), at_least, middle)
        told = np.isfinite(step) & ((seen >= LEAST_SESSIONS_N) | (step > 0))
        value = _monotone(value * np.exp(np.where(told, step, 0.0)), told, seen, configured)
    is_learned = seen >= LEAST_SESSIONS_N
    if configured is None and not is_learned.any():
        return None
    source = [
        "learned" if learned else "configured" if configured is not None else "extended"
        for learned in is_learned
    ]
    return ColdLimit(value, seen, source)


def excess_over(table: ColdTable, value: Array) -> Grouped:
    """Logarithm of each row over a limit, sorted by knot."""
    excess = np.log(table.value / np.interp(table.cell_temp_degc, KNOTS_DEGC, value))
    return Grouped.of(excess, table.knot, len(KNOTS_DEGC), table.is_censored)


def _first_guess(
    table: ColdTable, weights: Array, knot: Ints, configured: Array | None
) -> Array | None:
    raw = Grouped.of(table.value, knot, len(KNOTS_DEGC), table.is_censored)
    middle = raw.quantile(weights, 0.6)
    middle = np.where(np.isnan(middle), raw.greatest(weights), middle)
    told = np.isfinite(middle)
    if not told.any():
        return configured
    filled = np.interp(KNOTS_DEGC, KNOTS_DEGC[told], middle[told])
    return _monotone(filled, told, raw.sums(weights), None)


def _monotone(value: Array, told: Flags, seen: Array, configured: Array | None) -> Array:
    """Rising values through the knots that are told; the rest in between, or configured.

    Colder than any told knot the limit goes on falling as it fell over the coldest three: level
    ground there would blame nobody for the slowest charges of all. Warmer than any it is level.
    """
    if configured is not None:
        value = np.where(told, value, configured)
        told = np.ones(len(value), dtype=bool)
    if not told.any():
        return value
    rising = isotonic_regression(
        np.log(value[told]), weights=np.maximum(seen[told], 0.1), increasing=True
    ).x
    knots = KNOTS_DEGC[told]
    logs = np.interp(KNOTS_DEGC, knots, rising)
    if len(knots) > SLOPE_KNOTS_N - 1:
        run = knots[SLOPE_KNOTS_N - 1] - knots[0]
        slope = (rising[SLOPE_KNOTS_N - 1] - rising[0]) / run
        logs = np.where(knots[0] > KNOTS_DEGC, rising[0] + slope * (KNOTS_DEGC - knots[0]), logs)
    result: Array = np.exp(logs)
    return result


def pinball_loss(actual: Array, predicted: Array, is_censored: Flags, q: float) -> float:
    """Mean pinball loss at quantile `q`; a censored value above its prediction counts in full,
    one below it says nothing and counts 0 (Koenker and Bassett 1978; Powell 1986 for censoring).
    """
    short = actual - predicted
    loss = np.where(short >= 0, q * short, (q - 1) * short)
    loss = np.where(is_censored & (short < 0), 0.0, loss)
    return float(loss.mean()) if len(loss) else float("nan")

"""The warm reference curve of a vehicle model, from its own unhindered warm intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.charging import SOC_BINS_N, SOC_MID_PCT
from pipeline.learning.grouped import Grouped
from pipeline.learning.steps import Array, Flags
from pipeline.learning.table import Medians

ENVELOPE_QUANTILE = 0.9
KEPT_FROM = 0.9
LEAST_SESSIONS_N = 5
SMOOTHING_PCT = 1.2
STEP_FROM = 0.03


@dataclass(frozen=True)
class WarmCurve:
    """Power per bin of charge [kW], the sessions behind each, and where it comes from.

    ``source`` is ``learned``, ``scaled`` (the configured shape at the level the learned bins
    show), ``at_least`` (more than that was seen at a site's limit) or ``configured``; without a
    configured curve thin bins follow their neighbours and are ``scaled`` too. NaN throughout
    where nothing is known.
    """

    reference_kw: Array
    sessions_n: Array
    source: list[str]


@dataclass(frozen=True)
class CurveTable:
    """Session medians per bin of charge that passed the envelope, ready to be weighed."""

    grouped: Grouped
    session: np.ndarray
    configured_kw: Array | None


def curve_table(medians: Medians, configured_kw: Array | None) -> CurveTable:
    """Drop what lies below `KEPT_FROM` of the envelope: shared or derated intervals.

    The envelope of a bin is the `ENVELOPE_QUANTILE` of its session medians; it decides only what
    is dropped, so that the mean loss of clean warm sessions is 0 (method, section 5). Intervals at
    a site's limit say "at least" and stay.
    """
    ones = np.ones(len(medians))
    whole = Grouped.of(medians.power_kw, medians.bin, SOC_BINS_N, medians.is_censored)
    envelope = whole.quantile(ones, ENVELOPE_QUANTILE)
    envelope = np.where(np.isnan(envelope), whole.greatest(ones), envelope)
    kept: Flags = medians.is_censored | (medians.power_kw >= KEPT_FROM * envelope[medians.bin])
    return CurveTable(
        Grouped.of(
            medians.power_kw[kept], medians.bin[kept], SOC_BINS_N, medians.is_censored[kept]
        ),
        medians.session[kept],
        configured_kw,
    )


def warm_curve(table: CurveTable, session_weights: Array) -> WarmCurve:
    """The curve under given weights of the sessions (all 1, or counts of a resample).

    Parameters
    ----------
    session_weights
        Shape (stops,), not negative.
    """
    weights = session_weights[table.session]
    median = table.grouped.quantile(weights, 0.5)
    sessions = table.grouped.events(weights)
    at_least = table.grouped.greatest_censored(weights)
    is_learned = (sessions >= LEAST_SESSIONS_N) & np.isfinite(median)
    has_shape = table.configured_kw is not None
    if not is_learned.any():
        source = ["configured"] * SOC_BINS_N
        if table.configured_kw is not None:
            return _raised(table.configured_kw.copy(), source, at_least, sessions, has_shape)
        if len(np.unique(table.session[weights > 0])) < LEAST_SESSIONS_N:
            return WarmCurve(np.full(SOC_BINS_N, np.nan), sessions, source)
        return _raised(np.zeros(SOC_BINS_N), ["scaled"] * SOC_BINS_N, at_least, sessions, has_shape)
    shape = table.configured_kw if table.configured_kw is not None else np.ones(SOC_BINS_N)
    # A thin bin takes the level of the learned ones around it, measured against the shape.
    ratio = np.where(is_learned, median / shape, 1.0)
    smooth = _local_line(ratio, np.where(is_learned, sessions, 0.0))
    # Some curves fall in steps; what many sessions agree on is no noise to be smoothed away.
    smooth = np.where(np.abs(ratio - smooth) > STEP_FROM * ratio, ratio, smooth)
    level = _extended(smooth, is_learned, sessions)
    source = ["learned" if learned else "scaled" for learned in is_learned]
    return _raised(level * shape, source, at_least, sessions, has_shape)


def _raised(
    level: Array, source: list[str], at_least: Array, sessions: Array, has_shape: bool
) -> WarmCurve:
    """No bin that few sessions tell may lie below what the pack was seen to take there."""
    with np.errstate(invalid="ignore"):
        is_higher = (at_least > level) & (sessions < LEAST_SESSIONS_N)
    told = ["at_least" if high else name for high, name in zip(is_higher, source, strict=True)]
    raised = np.where(is_higher, at_least, level)
    if not has_shape:
        # Nothing says how the curve runs where no charge was seen: level from the nearest that was.
        seen = np.array([name in ("learned", "at_least") for name in told])
        raised = (
            np.interp(SOC_MID_PCT, SOC_MID_PCT[seen], raised[seen])
            if seen.any()
            else np.full(SOC_BINS_N, np.nan)
        )
    return WarmCurve(raised, sessions, told)


def _extended(ratio: Array, is_learned: Flags, sessions: Array) -> Array:
    """Between learned bins the straight line; beyond them the mean of the nearest five."""
    known = np.flatnonzero(is_learned)
    level = np.interp(SOC_MID_PCT, SOC_MID_PCT[known], ratio[known])
    first, last = known[:5], known[-5:]
    level[: known[0]] = np.average(ratio[first], weights=sessions[first])
    level[known[-1] + 1 :] = np.average(ratio[last], weights=sessions[last])
    return level


def _local_line(ratio: Array, weights: Array) -> Array:
    """Gaussian kernel, locally straight: medians of few sessions should not print as teeth, and
    a plain mean would flatten bends and sag at the ends. NaN far from any weight."""
    distance = SOC_MID_PCT[:, None] - SOC_MID_PCT[None, :]
    kernel = np.exp(-0.5 * (distance / SMOOTHING_PCT) ** 2) * weights[None, :]
    s0 = kernel.sum(axis=1)
    s1 = (kernel * distance).sum(axis=1)
    s2 = (kernel * distance**2).sum(axis=1)
    t0 = kernel @ ratio
    t1 = (kernel * distance) @ ratio
    determinant = s0 * s2 - s1**2
    with np.errstate(invalid="ignore", divide="ignore"):
        line = (s2 * t0 - s1 * t1) / determinant
        smooth: Array = np.where(determinant > 1e-6 * s0**2, line, t0 / s0)
    return smooth

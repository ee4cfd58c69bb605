"""Curve and cold limit of one vehicle model, fitted in turns until both stand still.

Each needs the other: the curve wants to know which intervals the cold held back, the limit how
much a warm pack would have taken at that charge. So they are fitted in turns, beginning with the
intervals that are surely warm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.charging import Array, ChargeModel, ColdForm
from pipeline.learning.cold_limit import (
    KNOT_STEP_KELVIN,
    KNOTS_DEGC,
    ColdLimit,
    ColdTable,
    cold_limit,
    pinball_loss,
)
from pipeline.learning.plateaus import held_back
from pipeline.learning.steps import ChargeSteps, Flags, Ints
from pipeline.learning.table import session_medians
from pipeline.learning.warm_curve import CurveTable, WarmCurve, curve_table, warm_curve

TURNS_N = 5
AT_LIMIT = 0.95
CLEAR_OF_SITE = 0.95
NEARLY_WARM = 0.85
CEILING_CLEAR = 1.05
FOLDS_N = 5
SELECTION_QUANTILE = 0.5
FULL_POWER_STEP_KELVIN = 5.0
FULL_POWER_RISE = 1.03
FULL_POWER_MAX_DEGC = 41.0
FULL_POWER_SESSIONS_N = 5
COLD_SESSIONS_N = 5
WORTH_HAVING = 0.8
"""A cold limit must take this off the loss without one, out of sample, or there is none."""
SESSION_NOISE = 0.02
"""A session may lie off by as much for reasons of its own, however level others are (common
practice, no source): one odd charge is no aged pack."""
HIGHEST_SOC_PCT = 97.0
"""Above it, power is set by balancing, and a ratio of small numbers says nothing about cold."""


@dataclass(frozen=True)
class Prior:
    """What is configured for a model: curve (100,) and cold limit at the knots, or None."""

    usable_kwh: float
    warm_threshold_degc: float
    warm_tolerance_kelvin: float
    reference_kw: Array | None
    cold_form: ColdForm | None
    cold_value: Array | None


@dataclass(frozen=True)
class ModelFit:
    """The fit of one model: what `ChargeModel` computes with, and what it stands on."""

    model: ChargeModel
    curve: WarmCurve
    cold: ColdLimit | None
    cold_source: str
    losses: dict[str, float]
    scale: Array
    scale_n: Array
    curve_rows: CurveTable
    cold_rows: ColdTable
    is_held_back: Flags
    sessions_n: int
    cold_sessions_n: int


def fit_model(
    steps: ChargeSteps, prior: Prior, vehicle: Ints, vehicles_n: int, stops_n: int
) -> ModelFit | None:
    """Fit curve, cold limit, full-power temperature and vehicle scales of one model.

    Parameters
    ----------
    steps
        Steps of this model's fast charges, over the whole window.
    vehicle
        Number of the vehicle of each stop, shape (stops,).

    Returns
    -------
    ModelFit or None
        None where there is neither a configured curve nor one warm session.
    """
    fits = {
        form: _in_turns(steps, prior, form, vehicle, vehicles_n, stops_n) for form in _forms(prior)
    }
    good = {form: fit for form, fit in fits.items() if fit is not None}
    if not good:
        return None
    found = {form: _selection_loss(steps, fit, prior) for form, fit in good.items()}
    losses: dict[str, float] = {form: with_it for form, (with_it, _) in found.items()}
    best = min(good, key=lambda form: (np.nan_to_num(losses[form], nan=np.inf), form != "factor"))
    fit = good[best]
    if fit.cold_sessions_n < COLD_SESSIONS_N and prior.cold_form in good:
        fit = good[prior.cold_form]
    losses["without"] = found[best][1]
    if fit.cold_source == "learned" and not losses[best] < WORTH_HAVING * losses["without"]:
        fit = _without_limit(fit)
    return replace(fit, losses=losses)


def _without_limit(fit: ModelFit) -> ModelFit:
    """The cold was seen and took nothing that other sessions bear out: no limit, which is known."""
    level = np.ones(len(KNOTS_DEGC))
    sessions = fit.cold.sessions_n if fit.cold is not None else np.zeros(len(KNOTS_DEGC))
    model = replace(fit.model, cold_form="factor", cold_degc=KNOTS_DEGC, cold_value=level)
    return replace(
        fit,
        model=model,
        cold=ColdLimit(level, sessions, ["none"] * len(level)),
        cold_source="not_seen",
    )


def _forms(prior: Prior) -> tuple[ColdForm, ...]:
    return ("factor", "ceiling") if np.isfinite(prior.usable_kwh) else ("factor",)


def _in_turns(
    steps: ChargeSteps,
    prior: Prior,
    form: ColdForm,
    vehicle: Ints,
    vehicles_n: int,
    stops_n: int,
) -> ModelFit | None:
    ones = np.ones(stops_n)
    usable = (
        ~steps.is_ramp
        & ~steps.is_edge
        & ~steps.is_held
        & (steps.power_kw >= 1.0)
        & np.isfinite(steps.cell_temp_degc)
        & np.isfinite(steps.soc_pct)
    )
    warm_from = prior.warm_threshold_degc - prior.warm_tolerance_kelvin
    full_from = prior.warm_threshold_degc
    configured_cold = prior.cold_value if prior.cold_form == form else None
    is_shared = np.zeros(len(steps), dtype=bool)
    scale = np.ones(vehicles_n)
    scale_n = np.zeros(vehicles_n)
    model: ChargeModel | None = None
    cold: ColdLimit | None = None
    for turn in range(TURNS_N):
        of_step = scale[vehicle[steps.stop]]
        rows, curve = _curve_turn(
            steps, usable & ~is_shared, prior, form, model, of_step, warm_from, ones
        )
        if not np.isfinite(curve.reference_kw).all():
            return None
        cold_rows = _cold_rows(steps, usable & ~is_shared, curve, form, prior.usable_kwh, of_step)
        is_cold_row = cold_rows.cell_temp_degc < prior.warm_threshold_degc
        cold_n = len(np.unique(cold_rows.session[is_cold_row]))
        start = cold.value if cold is not None and turn > 1 else None
        cold = cold_limit(cold_rows, ones, configured_cold, start)
        if configured_cold is None and cold_n < COLD_SESSIONS_N:
            # Too few to blame the cold: one slow charge may have any cause.
            cold = None
        if cold is not None and configured_cold is None:
            full_from, cold = (
                _full_factor(cold, full_from)
                if form == "factor"
                else (_full_ceiling(cold, prior, curve), cold)
            )
        model = ChargeModel(
            curve.reference_kw,
            prior.usable_kwh,
            full_from,
            form if cold is not None else None,
            KNOTS_DEGC if cold is not None else None,
            cold.value if cold is not None else None,
        )
        warm_from = full_from - prior.warm_tolerance_kelvin
        limit = model.cold_kw(steps.soc_pct, steps.cell_temp_degc) * of_step
        is_shared = held_back(steps, limit)
        scale, scale_n = _vehicle_scales(steps, usable & ~is_shared, model, vehicle, vehicles_n)
    assert model is not None
    is_cold = usable & (steps.cell_temp_degc < full_from)
    cold_sessions = len(np.unique(steps.stop[is_cold]))
    return ModelFit(
        model=model,
        curve=curve,
        cold=cold,
        cold_source=_cold_source(cold, cold_sessions, configured_cold),
        losses={},
        scale=scale,
        scale_n=scale_n,
        curve_rows=rows,
        cold_rows=cold_rows,
        is_held_back=is_shared,
        sessions_n=len(np.unique(steps.stop[usable])),
        cold_sessions_n=cold_sessions,
    )


def _cold_source(cold: ColdLimit | None, sessions_n: int, configured: Array | None) -> str:
    if cold is None:
        return "none"
    if sessions_n < COLD_SESSIONS_N and configured is not None:
        return "configured"
    return "learned"


def _curve_turn(
    steps: ChargeSteps,
    usable: Flags,
    prior: Prior,
    form: ColdForm,
    model: ChargeModel | None,
    scale: Array,
    warm_from: float,
    ones: Array,
) -> tuple[CurveTable, WarmCurve]:
    """The curve from intervals that neither the cold nor, by prediction, the site held back."""
    warmth = np.ones(len(steps))
    if model is None:
        expected = (
            np.interp(steps.soc_pct, np.arange(100) + 0.5, prior.reference_kw)
            if prior.reference_kw is not None
            else steps.power_kw
        )
        mask = usable & (steps.cell_temp_degc >= warm_from)
    else:
        expected = model.warm_kw(steps.soc_pct) * scale
        allowed = model.cold_kw(steps.soc_pct, steps.cell_temp_degc) * scale
        with np.errstate(invalid="ignore"):
            if form == "factor":
                warmth = np.where(np.isfinite(allowed), allowed / expected, 1.0)
                mask = usable & (warmth >= NEARLY_WARM)
            else:
                mask = usable & _is_clear_of_ceiling(steps, model, expected)
            if form == "factor" or model.cold_form is None:
                mask |= usable & (steps.cell_temp_degc >= warm_from)
        warmth = np.where(steps.cell_temp_degc >= warm_from, 1.0, warmth)
        expected = expected * warmth
    is_at_site = steps.power_kw >= AT_LIMIT * steps.supply_kw
    mask &= (expected <= CLEAR_OF_SITE * steps.supply_kw) | is_at_site
    normal = ChargeSteps(**{**steps.__dict__, "power_kw": steps.power_kw / warmth / scale})
    bins = np.clip(np.floor(steps.soc_pct), 0, 99)
    bins = np.where(np.isfinite(bins), bins, 0).astype(np.intp)
    rows = curve_table(session_medians(normal, bins, mask, is_at_site), prior.reference_kw)
    return rows, warm_curve(rows, ones)


def _is_clear_of_ceiling(steps: ChargeSteps, model: ChargeModel, expected: Array) -> Flags:
    if model.cold_value is None or model.cold_degc is None:
        return np.zeros(len(steps), dtype=bool)
    ceiling = np.interp(steps.cell_temp_degc, model.cold_degc, model.cold_value)
    clear: Flags = ceiling * model.usable_kwh >= CEILING_CLEAR * expected
    return clear


def _cold_rows(
    steps: ChargeSteps,
    usable: Flags,
    curve: WarmCurve,
    form: ColdForm,
    usable_kwh: float,
    scale: Array,
) -> ColdTable:
    """Ratios or ceilings by session and kelvin, censored at the site's or the curve's limit."""
    reference = np.interp(steps.soc_pct, np.arange(100) + 0.5, curve.reference_kw) * scale
    mask = usable & (steps.soc_pct <= HIGHEST_SOC_PCT)
    is_censored = steps.power_kw >= AT_LIMIT * steps.supply_kw
    if form == "factor":
        value = steps.power_kw / reference
    else:
        value = steps.power_kw / scale / usable_kwh
        is_censored |= steps.power_kw >= AT_LIMIT * reference
    as_power = ChargeSteps(**{**steps.__dict__, "power_kw": value})
    bins = np.floor(np.where(mask, steps.cell_temp_degc, 0.0)).astype(np.intp)
    medians = session_medians(as_power, bins, mask, is_censored)
    return ColdTable(medians.session, medians.cell_temp_degc, medians.power_kw, medians.is_censored)


def _full_ceiling(cold: ColdLimit, prior: Prior, curve: WarmCurve) -> float:
    """Where the ceiling has risen to within 3 % of the highest power of the curve."""
    needed = curve.reference_kw.max() / prior.usable_kwh / FULL_POWER_RISE
    reached = np.flatnonzero((cold.value >= needed) & (prior.warm_threshold_degc <= KNOTS_DEGC))
    if not len(reached):
        # Never seen at full power: the ceiling holds as far as anything was seen.
        seen = KNOTS_DEGC[cold.sessions_n > 0]
        top = float(seen[-1]) + KNOT_STEP_KELVIN if len(seen) else prior.warm_threshold_degc
        return max(top, prior.warm_threshold_degc)
    return min(float(KNOTS_DEGC[reached[0]]), FULL_POWER_MAX_DEGC)


def _full_factor(cold: ColdLimit, full_from: float) -> tuple[float, ColdLimit]:
    """Raise the full-power temperature while the next 5 K allow more than 3 % more.

    The factor is then 1 from there on.
    """
    per_band = round(FULL_POWER_STEP_KELVIN / KNOT_STEP_KELVIN)

    def band(from_degc: float) -> tuple[float, float]:
        inside = (from_degc <= KNOTS_DEGC) & (from_degc + FULL_POWER_STEP_KELVIN > KNOTS_DEGC)
        count = cold.sessions_n[inside]
        if count.sum() <= 0:
            return float("nan"), 0.0
        return float(np.average(cold.value[inside], weights=count)), float(count.max())

    while full_from + FULL_POWER_STEP_KELVIN <= FULL_POWER_MAX_DEGC:
        here, _ = band(full_from)
        above, sessions = band(full_from + FULL_POWER_STEP_KELVIN)
        if not (sessions >= FULL_POWER_SESSIONS_N and above > FULL_POWER_RISE * here):
            break
        full_from += FULL_POWER_STEP_KELVIN
    top, _ = band(full_from)
    if not np.isfinite(top):
        top = float(np.interp(full_from + per_band, KNOTS_DEGC, cold.value))
    value = np.minimum(cold.value / top, 1.0)
    value = np.where(full_from <= KNOTS_DEGC, 1.0, value)
    return full_from, ColdLimit(value, cold.sessions_n, cold.source)


def _vehicle_scales(
    steps: ChargeSteps, usable: Flags, model: ChargeModel, vehicle: Ints, vehicles_n: int
) -> tuple[Array, Array]:
    """Each vehicle's own level against the model's curve, shrunk to 1 (method, section 5).

    Normal-normal shrinkage by moments: the spread between sessions of one vehicle against the
    spread between vehicles (Gelman et al., Bayesian Data Analysis, ch. 5; from memory).
    """
    warm = model.warm_kw(steps.soc_pct)
    mask = usable & (steps.cell_temp_degc >= model.full_power_degc)
    mask &= warm <= CLEAR_OF_SITE * steps.supply_kw
    mask &= (steps.power_kw >= 0.9 * warm) & (steps.soc_pct <= HIGHEST_SOC_PCT)
    scale, count = np.ones(vehicles_n), np.zeros(vehicles_n)
    if not mask.any():
        return scale, count
    ratio = ChargeSteps(**{**steps.__dict__, "power_kw": steps.power_kw / warm})
    medians = session_medians(ratio, np.zeros(len(steps), dtype=np.intp), mask)
    owner = vehicle[medians.session]
    log = np.log(medians.power_kw)
    count = np.bincount(owner, minlength=vehicles_n).astype(float)
    mean = np.bincount(owner, log, minlength=vehicles_n) / np.maximum(count, 1)
    has = count > 0
    within = log - mean[owner]
    freedom = max(len(log) - has.sum(), 1)
    noise = max(float((within**2).sum() / freedom), SESSION_NOISE**2)
    centre = float(np.average(mean[has], weights=count[has]))
    between = float(np.var(mean[has]) - np.mean(noise / count[has])) if has.sum() > 1 else 0.0
    shrink = max(between, 0.0) / np.maximum(max(between, 0.0) + noise / np.maximum(count, 1), 1e-12)
    scale = np.where(has, np.exp(shrink * (mean - centre)), 1.0)
    return scale, count


def _selection_loss(steps: ChargeSteps, fit: ModelFit, prior: Prior) -> tuple[float, float]:
    """Out-of-sample pinball loss [kW] of the cold limit, and of no limit, in folds of sessions.

    Both forms and their absence are judged on power in the same intervals: cold ones, not shared.
    """
    nothing = float("nan"), float("nan")
    if fit.cold is None or fit.model.cold_form is None:
        return nothing
    configured = prior.cold_value if prior.cold_form == fit.model.cold_form else None
    sessions = np.unique(fit.cold_rows.session)
    if len(sessions) < FOLDS_N:
        return nothing
    fold = np.full(int(steps.stop.max()) + 1, -1)
    fold[sessions] = np.arange(len(sessions)) % FOLDS_N
    mask = ~steps.is_ramp & ~steps.is_edge & ~steps.is_held & ~fit.is_held_back
    mask &= (steps.power_kw >= 1.0) & np.isfinite(steps.soc_pct)
    # The same band of temperatures for both, wherever each puts full power.
    mask &= (steps.soc_pct <= HIGHEST_SOC_PCT) & (steps.cell_temp_degc < prior.warm_threshold_degc)
    is_censored = steps.power_kw >= AT_LIMIT * steps.supply_kw
    total, without, count = 0.0, 0.0, 0

    def loss(test: Flags, allowed_kw: Array) -> float:
        predicted = np.minimum(allowed_kw, steps.supply_kw[test])
        actual = steps.power_kw[test]
        return pinball_loss(actual, predicted, is_censored[test], SELECTION_QUANTILE)

    for left_out in range(FOLDS_N):
        weights = (fold != left_out).astype(float)
        limit = cold_limit(fit.cold_rows, weights, configured, fit.cold.value, rounds_n=2)
        test = mask & (fold[steps.stop] == left_out)
        if limit is None or not test.any():
            continue
        model = replace(fit.model, cold_value=np.maximum(limit.value, 1e-3))
        soc, temp = steps.soc_pct[test], steps.cell_temp_degc[test]
        total += loss(test, model.cold_kw(soc, temp)) * int(test.sum())
        without += loss(test, model.warm_kw(soc)) * int(test.sum())
        count += int(test.sum())
    return (total / count, without / count) if count else nothing

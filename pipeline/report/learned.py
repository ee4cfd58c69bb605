"""The section *What was learned*: facts per vehicle model in words, and what fell back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pipeline.config import Fleet
from pipeline.report.filters import kw, name, number
from pipeline.report.learned_plots import cold_plot, curve_plot
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import counted, isolated

_MOST_MODELS = 4
_WARMER_KELVIN = 3.0
"""Full power this much above the threshold is said: the outcome rests on the threshold."""
_SCALE_WORTH_SAYING = 0.03

Filters = dict[str, Callable[..., str]]

_THERMAL_WHY = {
    "no_pack_temperature": "no pack temperature beside outside temperature and pack power",
    "too_few_stretches": "too few stretches of warming, driving and parking",
    "heat_implausible": "the fitted heat capacity is not plausible",
    "tau_implausible": "the fitted cooling time is not plausible",
    "no_usable_kwh": "no usable capacity configured",
}
_HABIT_WHY = {
    "too_few_spells": "seen too rarely",
    "no_common_value": "no common value",
}
_HABITS = {
    "heater_power_kw": "heater",
    "warming_end_degc": "warming ends at",
    "warming_cutoff_soc_pct": "none at or below",
}


def learned_section(week: WeekData, fleet: Fleet, filters: Filters) -> Row:
    """Blocks per model, the vehicles off their model's curve, and the sites' learned limits."""
    names = {row["model_id"]: row["model_name"] for row in week.vehicles}
    blocks = [_block(week, row, names, fleet, filters) for row in week.models[:_MOST_MODELS]]
    return {
        "models": blocks,
        "models_more_n": max(0, len(week.models) - _MOST_MODELS),
        "vehicles": _vehicles(week),
        "sites": _sites(week),
    }


def _block(week: WeekData, row: Row, names: dict[str, Any], fleet: Fleet, filters: Filters) -> Row:
    model_id = row["model_id"]
    curves = [each for each in week.curves if each["model_id"] == model_id]
    limits = [each for each in week.cold_limits if each["model_id"] == model_id]
    habits = [each for each in week.habits if each["model_id"] == model_id]
    shown = name(names.get(model_id) or model_id, 60)
    threshold = _threshold(fleet, model_id)
    return {
        "model_name": shown,
        "facts": [
            ("Warm curve", _curve_words(row, curves)),
            ("Cold limit", _cold_words(row, limits)),
            ("Full power", _full_power_words(row, threshold, filters)),
            ("Heat store", _thermal_words(row)),
            ("Habits", _habits_words(habits, filters)),
            ("No heater signal", _trial_words(row)),
            *_plug_facts(row, filters),
        ],
        "curve": curve_plot(f"curve-{_letters(model_id)}", shown, curves) if curves else None,
        "cold": cold_plot(
            f"cold-{_letters(model_id)}", shown, limits, filters["degrees"], filters["temperature"]
        )
        if limits
        else None,
    }


def _letters(model_id: str) -> str:
    """Ids of drawings hold letters only; digits would make two models one."""
    return "".join(chr(ord("a") + int(c)) if c in "0123456789" else c for c in str(model_id))


def _threshold(fleet: Fleet, model_id: str) -> float | None:
    model = fleet.models.get(model_id)
    return None if model is None else model.warm_threshold_degc


def _curve_words(row: Row, curves: Sequence[Row]) -> str:
    if not curves:
        return "none: neither learned nor configured, so no minutes are computed"
    fallen = [each["soc_bin"] for each in curves if each["curve_source"] == "configured"]
    scaled = [each["soc_bin"] for each in curves if each["curve_source"] == "scaled"]
    if len(fallen) == len(curves):
        return f"as configured; {counted(row['sessions_n'], 'charge')} seen, too few to learn from"
    said = f"learned from {counted(row['sessions_n'], 'charge')}"
    if scaled:
        said += f"; {spans(scaled)} % of charge: configured shape at the learned level"
    if fallen:
        said += f"; {spans(fallen)} % of charge: as configured, fewer than five charges there"
    return said


def spans(bins: Sequence[int]) -> str:
    """Bins of one per cent as ranges of charge.

    Examples
    --------
    >>> spans([0, 1, 2, 97, 98, 99])
    '0–3, 97–100'
    """
    parts: list[list[int]] = []
    for each in sorted(bins):
        if parts and parts[-1][1] == each:
            parts[-1][1] = each + 1
        else:
            parts.append([each, each + 1])
    return ", ".join(f"{low}–{high}" for low, high in parts)


def _cold_words(row: Row, limits: Sequence[Row]) -> str:
    if row["cold_form"] is None:
        return "not known: too few cold charges, and none configured; causes are not split"
    form = {
        "factor": "a factor on the warm curve",
        "ceiling": "a ceiling on the current",
    }.get(row["cold_form"], name(row["cold_form"], 30))
    if row["cold_source"] != "learned":
        return f"{form}, as configured"
    said = f"{form}, learned from {counted(row['cold_sessions_n'], 'charge')}"
    factor, ceiling = row["factor_pinball_loss_kw"], row["ceiling_pinball_loss_kw"]
    if factor is not None and ceiling is not None:
        own, other = (factor, ceiling) if row["cold_form"] == "factor" else (ceiling, factor)
        said += f"; misses by {number(own, 2)} kW against {number(other, 2)} kW of the other form"
    kept = [each["cell_temp_degc"] for each in limits if each["cold_source"] == "configured"]
    if kept:
        said += f"; {counted(len(kept), 'temperature')} as configured"
    return said


def _full_power_words(row: Row, threshold: float | None, filters: Filters) -> str:
    full = row["full_power_degc"]
    if full is None:
        return "not known"
    said = f"from {filters['temperature'](full)}"
    if threshold is not None and full - threshold > _WARMER_KELVIN:
        said += (
            f": above the warm threshold of {filters['temperature'](threshold)}, so that a stop "
            "called warm may still lose minutes to cold"
        )
    return said


def _thermal_words(row: Row) -> str:
    if row["thermal_source"] != "learned":
        why = _THERMAL_WHY.get(str(row["thermal_why"]), name(row["thermal_why"], 60))
        return f"assumed by its capacity, because {why}" if row["thermal_why"] else "assumed"
    heat, heat_se = row["heat_kj_per_kelvin"], row["heat_se_kj_per_kelvin"]
    said = f"{_with_error(heat, heat_se, 0)} kJ/K"
    if row["tau_h"] is not None:
        loss, loss_se = row["loss_w_per_kelvin"], row["loss_se_w_per_kelvin"]
        said += f", cools with a time constant of {number(row['tau_h'], 1)} h"
        said += f" ({_with_error(loss, loss_se, 1)} W/K)"
    return f"{said}; {counted(row['stretches_n'], 'stretch', 'stretches')}"


def _with_error(value: float | None, error: float | None, digits: int) -> str:
    """Value with its standard error, to the digits that the error leaves."""
    if error is None:
        return number(value, digits)
    return f"{number(value, digits)} ± {number(error, digits if error >= 0.5 else digits + 1)}"


def _habits_words(habits: Sequence[Row], filters: Filters) -> str:
    """What the vehicles themselves do, with a word where it is not as configured."""
    if not habits:
        return "not seen"
    return "; ".join(_habit_words(habit, filters) for habit in habits)


def _habit_words(habit: Row, filters: Filters) -> str:
    quantity = habit["quantity"]
    show: Callable[[Any], str] = {
        "heater_power_kw": lambda value: f"{number(value, 1)}\u00a0kW",
        "warming_end_degc": filters["temperature"],
        "warming_cutoff_soc_pct": lambda value: f"{number(value)}\u00a0%",
    }[quantity]
    words = _HABITS[quantity]
    configured = habit["configured_value"]
    if habit["learned_value"] is None:
        why = _HABIT_WHY.get(str(habit["why_null"]), name(habit["why_null"], 40))
        told = f", configured {show(configured)}" if configured is not None else ""
        return f"{words}: not learned, {why} ({habit['seen_n']}){told}"
    said = f"{words} {show(habit['learned_value'])} (seen {habit['seen_n']} times"
    if configured is None:
        return f"{said}, none configured)"
    if habit["is_different"]:
        return f"{said}) differs from the configured {show(configured)}: check the settings"
    return f"{said}, configured {show(configured)})"


def _trial_words(row: Row) -> str:
    """Grade B on trial: how often its inference is wrong where the heater is known."""
    judged, wrong, still_open = (row[f"grade_b_{key}_n"] for key in ("judged", "wrong", "open"))
    if not judged:
        return "not tried: no stop with a known heater to try it on"
    return (
        f"warming inferred from the rise alone was wrong at {wrong} of {judged} stops whose "
        f"heater is known, and left {still_open or 0} open"
    )


def _plug_facts(row: Row, filters: Filters) -> list[tuple[str, str]]:
    below, until = row["plug_heat_below_degc"], row["plug_heat_until_degc"]
    if below is None or until is None:
        return []
    temperature = filters["temperature"]
    said = f"the pack is heated below {temperature(below)}, until {temperature(until)}"
    if row["plug_hold_below_degc"] is not None:
        said += f"; below {temperature(row['plug_hold_below_degc'])} it takes no charge meanwhile"
    return [("At the charger", said)]


def _vehicles(week: WeekData) -> str:
    names = {row["vehicle_id"]: row["vehicle_name"] for row in week.vehicles}
    told = [
        f"{isolated(names.get(row['vehicle_id']) or row['vehicle_id'])} "
        f"{number(row['curve_scale'] * 100)}\u00a0% ({counted(row['sessions_n'], 'charge')})"
        for row in sorted(week.fitted_vehicles, key=lambda row: row["curve_scale"])
        if abs(row["curve_scale"] - 1) > _SCALE_WORTH_SAYING
    ]
    return ", ".join(told[:12])


def _sites(week: WeekData) -> str:
    names = {row["site_id"]: row["site_name"] for row in week.sites}
    return ", ".join(
        f"{isolated(names.get(row['site_id']) or row['site_id'])} {kw(row['power_kw'])} "
        f"({counted(row['sessions_n'], 'charge')})"
        for row in week.fitted_sites[:12]
    )

"""The section *What was learned*: facts per vehicle model in words, and what fell back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pipeline.config import Fleet
from pipeline.report.filters import kw, name, number, rate
from pipeline.report.language import N_, _, ngettext
from pipeline.report.learned_habits import habits_words
from pipeline.report.learned_plots import cold_plot, curve_plot
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import isolated, words_of

_MOST_MODELS = 4
_WARMER_KELVIN = 3.0
"""Full power this much above the threshold is said: the outcome rests on the threshold."""
_SCALE_WORTH_SAYING = 0.03

Filters = dict[str, Callable[..., str]]

_THERMAL_WHY = {
    "no_pack_temperature": N_("no pack temperature beside outside temperature and pack power"),
    "too_few_stretches": N_("too few stretches of warming, driving and parking"),
    "heat_implausible": N_("the fitted heat capacity is not plausible"),
    "tau_implausible": N_("the fitted cooling time is not plausible"),
    "no_usable_kwh": N_("no usable capacity configured"),
}
_COLD_FORMS = {
    "factor": N_("a factor on the warm curve"),
    "ceiling": N_("a ceiling on the current"),
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
            (_("Warm curve"), _curve_words(row, curves)),
            (_("Cold limit"), _cold_words(row, limits)),
            (_("Full power"), _full_power_words(row, threshold, filters)),
            (_("Heat store"), _thermal_words(row)),
            (_("Habits"), habits_words(habits, filters)),
            (_("No heater signal"), _trial_words(row)),
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
        return _("none: neither learned nor configured, so no minutes are computed")
    fallen = [each["soc_bin"] for each in curves if each["curve_source"] == "configured"]
    scaled = [each["soc_bin"] for each in curves if each["curve_source"] == "scaled"]
    if len(fallen) == len(curves):
        return ngettext(
            "as configured; {n} charge seen, too few to learn from",
            "as configured; {n} charges seen, too few to learn from",
            row["sessions_n"],
        )
    said = [ngettext("learned from {n} charge", "learned from {n} charges", row["sessions_n"])]
    if scaled:
        said.append(
            _(
                "{range} % of charge: configured shape at the learned level",
                range=spans(scaled),
            )
        )
    if fallen:
        said.append(
            _(
                "{range} % of charge: as configured, fewer than five charges there",
                range=spans(fallen),
            )
        )
    return "; ".join(said)


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
        return _("not known: too few cold charges, and none configured; causes are not split")
    form = words_of(name(row["cold_form"], 30), _COLD_FORMS)
    if row["cold_source"] != "learned":
        return _("{form}, as configured", form=form)
    said = [
        ngettext(
            "{form}, learned from {n} charge",
            "{form}, learned from {n} charges",
            row["cold_sessions_n"],
            form=form,
        )
    ]
    factor, ceiling = row["factor_pinball_loss_kw"], row["ceiling_pinball_loss_kw"]
    if factor is not None and ceiling is not None:
        own, other = (factor, ceiling) if row["cold_form"] == "factor" else (ceiling, factor)
        said.append(
            _(
                "misses by {own} kW against {other} kW of the other form",
                own=number(own, 2),
                other=number(other, 2),
            )
        )
    kept = [each["cell_temp_degc"] for each in limits if each["cold_source"] == "configured"]
    if kept:
        said.append(
            ngettext("{n} temperature as configured", "{n} temperatures as configured", len(kept))
        )
    return "; ".join(said)


def _full_power_words(row: Row, threshold: float | None, filters: Filters) -> str:
    full = row["full_power_degc"]
    if full is None:
        return _("not known")
    shown = filters["temperature"](full)
    if threshold is not None and full - threshold > _WARMER_KELVIN:
        return _(
            "from {full}: above the warm threshold of {threshold}, so that a stop called warm may "
            "still lose minutes to cold",
            full=shown,
            threshold=filters["temperature"](threshold),
        )
    return _("from {full}", full=shown)


def _thermal_words(row: Row) -> str:
    if row["thermal_source"] != "learned":
        if not row["thermal_why"]:
            return _("assumed")
        why = words_of(name(row["thermal_why"], 60), _THERMAL_WHY)
        return _("assumed by its capacity, because {why}", why=why)
    heat, heat_se = row["heat_kj_per_kelvin"], row["heat_se_kj_per_kelvin"]
    said = f"{_with_error(heat, heat_se, 0)} kJ/K"
    if row["tau_h"] is not None:
        loss, loss_se = row["loss_w_per_kelvin"], row["loss_se_w_per_kelvin"]
        said = _(
            "{heat}, cools with a time constant of {hours} h ({loss} W/K)",
            heat=said,
            hours=number(row["tau_h"], 1),
            loss=_with_error(loss, loss_se, 1),
        )
    stretches = ngettext("{n} stretch", "{n} stretches", row["stretches_n"])
    return f"{said}; {stretches}"


def _with_error(value: float | None, error: float | None, digits: int) -> str:
    """Value with its standard error, to the digits that the error leaves."""
    if error is None:
        return number(value, digits)
    return f"{number(value, digits)} ± {number(error, digits if error >= 0.5 else digits + 1)}"


def _trial_words(row: Row) -> str:
    """Grade B on trial: how often its inference is wrong where the heater is known."""
    judged, wrong, still_open = (row[f"grade_b_{key}_n"] for key in ("judged", "wrong", "open"))
    if not judged:
        return _("not tried: no stop with a known heater to try it on")
    return ngettext(
        "warming inferred from the rise alone was wrong at {wrong} of {n} stops whose heater is "
        "known, and left {open} open",
        "warming inferred from the rise alone was wrong at {wrong} of {n} stops whose heater is "
        "known, and left {open} open",
        judged,
        wrong=number(wrong),
        open=number(still_open or 0),
    )


def _plug_facts(row: Row, filters: Filters) -> list[tuple[str, str]]:
    below, until = row["plug_heat_below_degc"], row["plug_heat_until_degc"]
    if below is None or until is None:
        return []
    temperature = filters["temperature"]
    said = _(
        "the pack is heated below {below}, until {until}",
        below=temperature(below),
        until=temperature(until),
    )
    if row["plug_hold_below_degc"] is not None:
        hold = _(
            "below {temperature} it takes no charge meanwhile",
            temperature=temperature(row["plug_hold_below_degc"]),
        )
        said = f"{said}; {hold}"
    return [(_("At the charger"), said)]


def _vehicles(week: WeekData) -> str:
    names = {row["vehicle_id"]: row["vehicle_name"] for row in week.vehicles}
    told = [
        ngettext(
            "{vehicle} {level} ({n} charge)",
            "{vehicle} {level} ({n} charges)",
            row["sessions_n"],
            vehicle=isolated(names.get(row["vehicle_id"]) or row["vehicle_id"]),
            level=rate(row["curve_scale"]),
        )
        for row in sorted(week.fitted_vehicles, key=lambda row: row["curve_scale"])
        if abs(row["curve_scale"] - 1) > _SCALE_WORTH_SAYING
    ]
    return ", ".join(told[:12])


def _sites(week: WeekData) -> str:
    names = {row["site_id"]: row["site_name"] for row in week.sites}
    return ", ".join(
        ngettext(
            "{site} {power} ({n} charge)",
            "{site} {power} ({n} charges)",
            row["sessions_n"],
            site=isolated(names.get(row["site_id"]) or row["site_id"]),
            power=kw(row["power_kw"]),
        )
        for row in week.fitted_sites[:12]
    )

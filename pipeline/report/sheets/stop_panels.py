"""The panels of a stop's time course: what each draws, its scale, its labels and its words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.config import Fleet
from pipeline.report.filters import kw, kwh, number, quantity_filters
from pipeline.report.language import _
from pipeline.report.palette import (
    COLD,
    COLD_PALE,
    INK,
    NEUTRAL_EDGE,
    RULE,
    SITE,
    SOFT,
    TINT,
    WARM,
    WARM_EDGE,
)
from pipeline.report.sheets.stop_data import StopData
from pipeline.report.sheets.stop_marks import Floats, Label, Panel, early, last, ticks, values_of
from pipeline.units import degf_from_degc

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_CHARGING_KW = 1.0
_LEAST_SPAN_KELVIN = 12.0


def temperature_panel(data: StopData, fleet: Fleet) -> Panel | None:
    """Band from the coldest to the warmest cell, outside air, and where warm begins."""
    in_degf = fleet.settings.units.temperature == "degf"
    temperature = quantity_filters(fleet.settings)["temperature"]

    def shown(value: Any) -> Any:
        return degf_from_degc(value) if in_degf else value

    at = values_of(data, "from_plug_in_min")
    coldest, warmest, outside = (
        shown(values_of(data, name))
        for name in ("cell_temp_min_degc", "cell_temp_max_degc", "ambient_degc")
    )
    known = [each[np.isfinite(each)] for each in (coldest, warmest, outside)]
    if not any(each.size for each in known[:1]):
        return None
    warm_from = float(shown(data.stop["warm_from_degc"] or data.stop["warm_threshold_degc"]))
    every = np.concatenate([*known, [warm_from]])
    middle, half = (every.max() + every.min()) / 2, (every.max() - every.min()) / 2
    half = max(half, float(_LEAST_SPAN_KELVIN * (1.8 if in_degf else 1.0)) / 2) * 1.08
    labels = [
        Label(warm_from, _("warm from here"), WARM_EDGE),
        Label(last(coldest), _("coldest cell"), COLD),
    ]
    if known[1].size:
        labels.append(Label(last(warmest), _("warmest cell"), COLD))
    if known[2].size:
        labels.append(Label(last(outside), _("outside"), SOFT))

    def draw(axes: Axes) -> None:
        axes.axhline(warm_from, color=WARM_EDGE, linewidth=0.8, linestyle=(0, (4, 2)))
        if known[1].size:
            axes.fill_between(at, coldest, warmest, facecolor=COLD_PALE, edgecolor="none")
            axes.plot(at, warmest, color=COLD, linewidth=0.5)
        axes.plot(at, outside, color=SOFT, linewidth=0.8, linestyle=(0, (1, 1.2)))
        axes.plot(at, coldest, color=COLD, linewidth=1.5)

    stop = data.stop
    return Panel(
        _("Cells, {unit}", unit="°F" if in_degf else "°C"),
        27.0,
        (middle - half, middle + half),
        ticks(middle - half, middle + half),
        draw,
        _(
            "Coldest cell {arrival} at plug-in, {end} at the end; warm from {warm}; outside {out}.",
            arrival=temperature(stop["arrival_cell_temp_min_degc"]),
            end=temperature(_end_degc(data)),
            warm=temperature(stop["warm_from_degc"]),
            out=temperature(stop["ambient_degc"]),
        ),
        labels,
    )


def power_panel(data: StopData) -> Panel | None:
    """Power taken, against what a warm pack and a pack this cold take, and the charger's limit."""
    at = values_of(data, "from_plug_in_min")
    power = np.where(at >= 0, values_of(data, "pack_power_kw"), np.nan)
    if not np.isfinite(power).any():
        return None
    taken = np.where(power > 0, power, 0.0)
    is_charging = power >= _CHARGING_KW
    warm, cold = (np.where(is_charging, each, np.nan) for each in _limits(data))
    limit_kw = data.stop["limit_kw"]
    high = max(float(np.nanmax(each)) for each in (power, warm, cold) if np.isfinite(each).any())
    has_limit = limit_kw is not None and limit_kw <= high * 1.25
    high = max(high, limit_kw if has_limit else 0.0) * 1.12
    charging = np.where(is_charging, power, np.nan)
    labels = [Label(last(charging), _("taken"), INK, early(charging))]
    if np.isfinite(warm).any():
        labels.append(Label(last(warm), _("a warm battery"), WARM_EDGE, early(warm)))
    is_cold_drawn = bool(np.isfinite(cold).any() and np.nanmax(warm - cold) > 0.02 * high)
    if is_cold_drawn:
        labels.append(Label(last(cold), _("a battery this cold"), COLD, early(cold)))
    if has_limit:
        labels.append(Label(limit_kw, _("charger, {power}", power=kw(limit_kw)), SITE))

    def draw(axes: Axes) -> None:
        axes.fill_between(at, taken, 0.0, where=at >= 0, facecolor=RULE, edgecolor="none")
        if has_limit:
            axes.plot([0, at[-1]], [limit_kw] * 2, color=SITE, linewidth=0.9, linestyle=(0, (6, 2)))
        axes.plot(at, warm, color=WARM_EDGE, linewidth=1.1, linestyle=(0, (4, 1.5)))
        if is_cold_drawn:
            axes.plot(at, cold, color=COLD, linewidth=1.1, linestyle=(0, (1.2, 1.2)))
        axes.plot(at, power, color=INK, linewidth=1.0)
        axes.plot([at[0], at[-1]], [0, 0], color=RULE, linewidth=0.5)
        if not is_cold_drawn:
            axes.text(
                -1.5, high * 0.03, _cold_note(data), ha="right", va="bottom", fontsize=6.5,
                color=SOFT,
            )  # fmt: skip

    stop = data.stop
    return Panel(
        _("Power into the battery, kW"),
        31.0,
        (0.0, high),
        ticks(0.0, high),
        draw,
        _(
            "{energy} in {minutes} min of charging, at most {power}; the highest that a warm "
            "battery would have taken at the same charge is {warm}.",
            energy=kwh(stop["energy_kwh"]),
            minutes=number(stop["active_min"]),
            power=kw(stop["power_max_kw"]),
            warm=kw(np.nanmax(warm) if np.isfinite(warm).any() else None),
        ),
        labels,
        is_charge_only=True,
    )


def heater_panel(data: StopData) -> Panel:
    """Power of the battery heater, or its state where only that is exported."""
    at = values_of(data, "from_plug_in_min")
    heater = values_of(data, "heater_power_kw")
    flag = data.course["is_conditioning"].fill_null(False).to_numpy()
    has_power = bool(np.isfinite(heater).any())
    has_state = not data.course["is_conditioning"].is_null().all()
    high = max(1.0, float(np.nanmax(heater)) * 1.15 if has_power else 1.0)
    before = at < 0
    stop = data.stop
    if has_power:
        title, top = _("Battery heater, kW"), float(np.nanmax(heater))
        words = _(
            "Battery heater at most {power}; {energy} on the way.",
            power=kw(top),
            energy=kwh(stop["warming_kwh"]),
        )
    elif has_state:
        title = _("Battery conditioning, on or off")
        n = int(flag[before].sum())
        words = _("Conditioning was on.") if n else _("Conditioning was not on before plug-in.")
    else:
        title, words = _("Battery heater: not exported"), _("Battery heater not exported.")

    def draw(axes: Axes) -> None:
        axes.plot([at[0], at[-1]], [0, 0], color=NEUTRAL_EDGE, linewidth=0.5)
        if has_power:
            axes.fill_between(at, heater, 0.0, step="mid", facecolor=WARM, edgecolor=WARM_EDGE,
                              linewidth=0.5)  # fmt: skip
        elif has_state:
            axes.fill_between(at, np.where(flag, 0.7, 0.0), 0.0, step="mid", facecolor=WARM,
                              edgecolor=WARM_EDGE, linewidth=0.5)  # fmt: skip
        else:
            axes.axhspan(0.0, high, facecolor=TINT, edgecolor="none")
        for middle, text in names:
            axes.text(middle, high * 0.5, text, fontsize=7, color=COLD, ha="center",
                      va="center_baseline")  # fmt: skip

    is_known = has_power or has_state
    none_seen = is_known and not (
        np.nanmax(np.where(before, np.nan_to_num(heater), 0.0), initial=0.0) >= 0.5
        or flag[before].any()
    )
    names = [(min(at[0], 0.0) / 2, _("none on the way"))] if none_seen and at[0] < -10 else []
    return Panel(
        title,
        10.0 if is_known else 4.0,
        (0.0, high),
        [0.0, float(np.floor(high))] if has_power else [],
        draw,
        words,
    )


def soc_panel(data: StopData) -> Panel | None:
    """State of charge, and the charge at or below which the vehicle does not warm."""
    at, soc = values_of(data, "from_plug_in_min"), values_of(data, "soc_pct")
    if not np.isfinite(soc).any():
        return None
    cutoff = float(data.stop["warming_cutoff_soc_pct"])

    def draw(axes: Axes) -> None:
        axes.plot(
            [at[0], 0.0], [cutoff] * 2, color=NEUTRAL_EDGE, linewidth=0.8, linestyle=(0, (3, 2))
        )
        axes.text(
            at[0], cutoff - 2, _("no warming at or below {n} %", n=number(cutoff)), fontsize=6.5,
            color=NEUTRAL_EDGE, va="top",
        )  # fmt: skip
        axes.plot(at, soc, color=INK, linewidth=1.2)

    return Panel(
        _("Charge, %"),
        18.0,
        (0.0, 104.0),
        [0.0, 50.0, 100.0],
        draw,
        _(
            "Charge {low} % at plug-in, {high} % at the end.",
            low=number(data.stop["soc_start_pct"]),
            high=number(data.stop["soc_end_pct"]),
        ),
        [Label(last(soc), _("{n} % at the end", n=number(last(soc))), INK)],
    )


def _limits(data: StopData) -> tuple[Floats, Floats]:
    """Power of a warm pack, and of one as cold as this, at the charge and cell of each span."""
    nothing = np.full(data.course.height, np.nan)
    if data.fit is None or data.fit.charge is None:
        return nothing, nothing
    soc, cell = values_of(data, "soc_pct"), values_of(data, "cell_temp_min_degc")
    scale = data.stop["curve_scale"]
    charge = data.fit.charge
    return charge.warm_kw(soc) * scale, np.minimum(
        charge.cold_kw(soc, cell), charge.warm_kw(soc)
    ) * scale


def _cold_note(data: StopData) -> str:
    if data.fit is None or data.fit.charge is None:
        return _("no curve was learned for this model")
    if data.fit.charge.cold_form is None:
        return _("no cold limit is known for this model")
    return _("the cold took nothing from the power")


def _end_degc(data: StopData) -> float | None:
    known = data.course["cell_temp_min_degc"].drop_nulls()
    return None if known.is_empty() else float(known[-1])

"""What was learned about each vehicle model, as lines for a terminal and rows for a table.

Reads `pipeline.fits`; computes nothing but means over five per cent of charge.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import polars as pl

from pipeline.fits import StoredFit
from pipeline.problems import ColdMinutesError, Problem
from pipeline.text_plot import text_plot

BAND_PCT = 5

CSV_COLUMNS = (
    "fit_week_id",
    "model_id",
    "part",
    "soc_pct",
    "cell_temp_degc",
    "reference_kw",
    "configured_kw",
    "cold_form",
    "cold_value",
    "sessions_n",
    "source",
)

_THERMAL_WHY = {
    "no_usable_kwh": "the model's usable_kwh is not configured",
    "no_pack_temperature": "no pack temperature in the exports",
}

_SOURCES = {
    "at_least": "this much was seen, in too few sessions to say more",
    "extended": "too few sessions; drawn on from the knots beside it",
    "scaled": "as learned elsewhere on the curve, along the configured shape if there is one",
}

_HABITS = {
    "heater_power_kw": ("heater power", "kW"),
    "warming_end_degc": ("warming ends at", "°C"),
    "warming_cutoff_soc_pct": ("no warming below", "%"),
}

_HABIT_WHY = {
    "too_few_spells": "too few spells of warming seen",
    "no_common_value": "no value in common: drivers, not the vehicle, end it",
}


def chosen(fits: dict[str, StoredFit], model_id: str | None) -> list[StoredFit]:
    """The fits asked for, all by default.

    Raises
    ------
    ColdMinutesError
        ``CURVES-02`` where the model was not fitted.
    """
    if model_id is None:
        return list(fits.values())
    if model_id not in fits:
        raise ColdMinutesError(
            [
                Problem(
                    "CURVES-02",
                    "stop",
                    "--model",
                    f"got '{model_id}', expected one of: {', '.join(fits)}",
                    "Name a model that had fast-charge stops up to that week.",
                )
            ]
        )
    return [fits[model_id]]


def curve_lines(fit: StoredFit) -> Iterator[str]:
    """All that is known of one model, line by line."""
    name = fit.model_name if fit.model_name == fit.model_id else f"{fit.model_name}, {fit.model_id}"
    yield f"{name}: learned up to {fit.week_id}"
    yield from _warm_curve(fit)
    yield from _cold_limit(fit)
    yield from _vehicles(fit)
    yield from _sites(fit)
    yield from _thermal(fit)
    yield from _plug(fit)
    yield from _habits(fit)


def curve_rows(fits: list[StoredFit]) -> list[dict[str, Any]]:
    """Rows of `CSV_COLUMNS`: the warm curve by per cent, the cold limit by knot."""
    rows: list[dict[str, Any]] = []
    for fit in fits:
        shared = {"fit_week_id": fit.week_id, "model_id": fit.model_id}
        rows += [
            shared
            | {
                "part": "warm_curve",
                "soc_pct": row["soc_bin"] + 0.5,
                "reference_kw": row["reference_kw"],
                "configured_kw": row["configured_kw"],
                "sessions_n": row["sessions_n"],
                "source": row["curve_source"],
            }
            for row in fit.curve.iter_rows(named=True)
        ]
        rows += [
            shared
            | {
                "part": "cold_limit",
                "cell_temp_degc": row["cell_temp_degc"],
                "cold_form": row["cold_form"],
                "cold_value": row["cold_value"],
                "sessions_n": row["sessions_n"],
                "source": row["cold_source"],
            }
            for row in fit.cold.iter_rows(named=True)
        ]
    return [dict.fromkeys(CSV_COLUMNS) | row for row in rows]


def banded(curve: pl.DataFrame) -> pl.DataFrame:
    """The warm curve in steps of five per cent: means, fewest sessions, every source."""
    return (
        curve.group_by(from_pct=pl.col("soc_bin") // BAND_PCT * BAND_PCT)
        .agg(
            pl.col("reference_kw").mean(),
            pl.col("configured_kw").mean(),
            pl.col("sessions_n").min(),
            pl.col("curve_source").unique().sort().str.join(" and "),
        )
        .sort("from_pct")
    )


def cold_unit(fit: StoredFit) -> str:
    """Unit of the cold limit's values."""
    return "of the warm curve" if fit.counts["cold_form"] == "factor" else "kW per kWh"


def seen_knots(fit: StoredFit) -> pl.DataFrame:
    """Knots of the cold limit with data behind them; all where it is configured."""
    told = fit.cold.filter((pl.col("sessions_n") > 0) | (pl.col("cold_source") == "configured"))
    return told.filter(pl.col("cell_temp_degc") <= fit.counts["full_power_degc"] + 4)


def _warm_curve(fit: StoredFit) -> Iterator[str]:
    yield ""
    if fit.curve.is_empty():
        yield "  Warm curve: none. No warm charge was seen, and models.toml holds no warm_curve."
        return
    yield f"  Warm curve, from {fit.counts['sessions_n']} sessions"
    yield "      SOC %       kW   configured   sessions  source"
    for row in banded(fit.curve).iter_rows(named=True):
        band = f"{row['from_pct']}-{row['from_pct'] + BAND_PCT}"
        yield (
            f"    {band:>7}{row['reference_kw']:9.1f}{_number(row['configured_kw'], 13, 1)}"
            f"{row['sessions_n']:11d}  {row['curve_source']}"
        )
    marks = [("*", fit.curve["soc_bin"].to_list(), fit.curve["reference_kw"].to_list())]
    if fit.curve["configured_kw"].null_count() < fit.curve.height:
        told = fit.curve.drop_nulls("configured_kw")
        marks.insert(0, (".", told["soc_bin"].to_list(), told["configured_kw"].to_list()))
    for source in sorted({*fit.curve["curve_source"]} & set(_SOURCES)):
        yield f"    {source}: {_SOURCES[source]}"
    yield ""
    yield from text_plot(marks, "kW", "SOC %", "* used   . configured")


def _cold_limit(fit: StoredFit) -> Iterator[str]:
    counts = fit.counts
    yield ""
    if counts["cold_form"] is None:
        yield (
            f"  Cold limit: none known, from {counts['cold_sessions_n']} sessions below full "
            "power; cold minutes stay empty."
        )
        return
    kind = {
        "factor": "a factor on the warm curve",
        "ceiling": "a ceiling on power, kW per kWh of usable capacity",
    }[counts["cold_form"]]
    yield f"  Cold limit: {kind} ({counts['cold_source']})"
    yield f"    {_why_form(counts)}"
    yield f"    Full power from {counts['full_power_degc']:.1f} °C, coldest cell."
    knots = seen_knots(fit)
    if knots.is_empty():
        return
    digits = 2 if counts["cold_form"] == "factor" else 3
    yield f"      cell °C    {cold_unit(fit):>17}   sessions  source"
    for row in knots.iter_rows(named=True):
        yield (
            f"    {row['cell_temp_degc']:9.1f}{row['cold_value']:21.{digits}f}"
            f"{row['sessions_n']:11d}  {row['cold_source']}"
        )
    for source in sorted({*knots["cold_source"]} & set(_SOURCES)):
        yield f"    {source}: {_SOURCES[source]}"
    yield ""
    marks = [("*", knots["cell_temp_degc"].to_list(), knots["cold_value"].to_list())]
    yield from text_plot(marks, cold_unit(fit), "coldest cell °C", "")


def _why_form(counts: dict[str, Any]) -> str:
    losses = {
        form: counts[f"{form}_pinball_loss_kw"]
        for form in ("factor", "ceiling")
        if counts[f"{form}_pinball_loss_kw"] is not None
    }
    told = ", ".join(f"{form} {loss:.2f} kW" for form, loss in losses.items())
    if counts["cold_source"] == "configured":
        return "As configured: too few cold sessions to learn from" + (
            f" (pinball loss out of sample: {told})." if told else "."
        )
    if len(losses) == 2:
        return f"Chosen by the smaller pinball loss out of sample: {told}."
    return "The only form that could be fitted" + (
        f" (pinball loss out of sample: {told})." if told else "; too few sessions to test it."
    )


def _vehicles(fit: StoredFit) -> Iterator[str]:
    yield ""
    if fit.vehicles.is_empty():
        yield "  Vehicles' own level: none could be told from the model's; all taken as 1."
        return
    yield "  Vehicles' own level against the curve"
    for row in fit.vehicles.iter_rows(named=True):
        yield f"    {row['vehicle_id']:<24}{row['curve_scale']:7.3f}{row['sessions_n']:6d} sessions"


def _sites(fit: StoredFit) -> Iterator[str]:
    if fit.sites.is_empty():
        return
    yield ""
    yield "  Site limits learned from plateaus (no rating configured; all models)"
    for row in fit.sites.iter_rows(named=True):
        yield f"    {row['site_id']:<24}{row['power_kw']:7.1f} kW{row['sessions_n']:6d} sessions"


def _thermal(fit: StoredFit) -> Iterator[str]:
    counts, thermal = fit.counts, fit.thermal
    why = counts["thermal_why"]
    reason = f" ({_THERMAL_WHY.get(why, why.replace('_', ' '))})" if why else ""
    yield ""
    if thermal is None:
        yield f"  Thermal model: none{reason}"
        return
    source = {
        "learned": f"learned from {thermal.stretches_n} stretches",
        "implausible": "the default, since the fit was implausible",
    }.get(counts["thermal_source"], "the default, nothing learned")
    yield f"  Thermal model: {source}{reason}"
    for label, value, error, unit, digits in (
        ("heat, C/eta", thermal.heat_kj_per_kelvin, thermal.heat_se_kj_per_kelvin, "kJ/K", 1),
        ("resistance, R/eta", thermal.resistance_ohm, thermal.resistance_se_ohm, "ohm", 4),
        ("loss, UA/eta", thermal.loss_w_per_kelvin, thermal.loss_se_w_per_kelvin, "W/K", 2),
    ):
        spread = f" ± {error:.{digits}f}" if error == error else ""
        yield f"    {label:<24}{value:9.{digits}f}{spread} {unit}"
    yield f"    {'time constant':<24}{thermal.tau_h:9.1f} h"
    yield f"    {'heater':<24}{thermal.heater_power_kw:9.1f} kW"


def _plug(fit: StoredFit) -> Iterator[str]:
    heater = fit.plug_heater
    if heater is None:
        return
    yield ""
    yield (
        f"  At the plug the pack is heated below {heater.below_degc:.1f} °C, until "
        f"{heater.until_degc:.1f} °C"
        + (
            f"; below {heater.hold_below_degc:.1f} °C no charge is taken yet."
            if heater.hold_below_degc > float("-inf")
            else "."
        )
    )


def _habits(fit: StoredFit) -> Iterator[str]:
    if fit.habits.is_empty():
        return
    yield ""
    yield "  Habits when warming        learned   configured   seen"
    for row in fit.habits.iter_rows(named=True):
        label, unit = _HABITS.get(row["quantity"], (row["quantity"], ""))
        note = "  differs: look at models.toml" if row["is_different"] else ""
        if row["why_null"]:
            note = f"  {_HABIT_WHY.get(row['why_null'], row['why_null'])}"
        yield (
            f"    {f'{label}, {unit}':<22}{_number(row['learned_value'], 8, 1)}"
            f"{_number(row['configured_value'], 13, 1)}{row['seen_n']:7d}{note}"
        )


def _number(value: float | None, width: int, digits: int) -> str:
    return f"{'-':>{width}}" if value is None else f"{value:{width}.{digits}f}"

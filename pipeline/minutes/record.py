"""Write what was learned, and the minutes that follow, in one transaction."""

from __future__ import annotations

from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.charging import SOC_BINS_N
from pipeline.config import Fleet
from pipeline.learning.cold_limit import KNOTS_DEGC
from pipeline.minutes.learn import Learned, prior_of
from pipeline.minutes.window import Window
from pipeline.warehouse import register, run, transaction

TABLES = (
    "fitted_models",
    "fitted_habits",
    "fitted_curves",
    "fitted_cold_limits",
    "fitted_vehicles",
    "fitted_sites",
    "stop_minutes",
)


def record(
    con: duckdb.DuckDBPyConnection,
    window: Window,
    fleet: Fleet,
    learned: Learned,
    minutes: pl.DataFrame,
    habits: list[dict[str, Any]],
    trial: dict[str, dict[str, int]],
) -> None:
    """Replace the week's fits and the window's minutes: all new, or all as they were."""
    fresh = {
        "fitted_models": _models(window, learned, trial),
        "fitted_habits": _stamped(habits, window, _HABITS),
        "fitted_curves": _curves(window, fleet, learned),
        "fitted_cold_limits": _cold_limits(window, learned),
        "fitted_vehicles": _vehicles(window, learned),
        "fitted_sites": _stamped(
            [
                {"site_id": site_id, "power_kw": power, "sessions_n": count}
                for site_id, (power, count) in sorted(learned.learned_sites.items())
            ],
            window,
            {"site_id": pl.String, "power_kw": pl.Float64, "sessions_n": pl.Int32},
        ),
        "stop_minutes": minutes.with_columns(fit_week_id=pl.lit(window.week_id)),
    }
    for name, frame in fresh.items():
        register(con, f"fresh_{name}", frame)
    with transaction(con):
        for table in TABLES:
            run(con, f"minutes/clear_{table}", window.params)
            run(con, f"minutes/record_{table}")


_HABITS = {
    "model_id": pl.String,
    "quantity": pl.String,
    "learned_value": pl.Float64,
    "spread_value": pl.Float64,
    "configured_value": pl.Float64,
    "seen_n": pl.Int32,
    "is_different": pl.Boolean,
    "why_null": pl.String,
}


def _stamped(rows: list[dict[str, Any]], window: Window, schema: dict[str, Any]) -> pl.DataFrame:
    frame = pl.DataFrame(rows, schema=schema)
    return frame.with_columns(fit_week_id=pl.lit(window.week_id))


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _models(window: Window, learned: Learned, trial: dict[str, dict[str, int]]) -> pl.DataFrame:
    rows = []
    for name in sorted(learned.of_model):
        fit, thermal = learned.fits.get(name), learned.thermal.get(name)
        plug = learned.plug[name]
        why = learned.thermal_why.get(name)
        source = "learned" if thermal is not None and thermal.source == "learned" else "default"
        if why is not None and why.endswith("_implausible"):
            source = "implausible"
        rows.append(
            {
                "model_id": name,
                "cold_form": fit.model.cold_form if fit else None,
                "cold_source": fit.cold_source if fit else "none",
                "factor_pinball_loss_kw": _finite(fit.losses.get("factor")) if fit else None,
                "ceiling_pinball_loss_kw": _finite(fit.losses.get("ceiling")) if fit else None,
                "without_pinball_loss_kw": _finite(fit.losses.get("without")) if fit else None,
                "full_power_degc": fit.model.full_power_degc if fit else None,
                "sessions_n": fit.sessions_n if fit else 0,
                "cold_sessions_n": fit.cold_sessions_n if fit else 0,
                "thermal_source": source,
                "thermal_why": why,
                "heat_kj_per_kelvin": _finite(thermal.heat_kj_per_kelvin) if thermal else None,
                "heat_se_kj_per_kelvin": (
                    _finite(thermal.heat_se_kj_per_kelvin) if thermal else None
                ),
                "resistance_ohm": _finite(thermal.resistance_ohm) if thermal else None,
                "resistance_se_ohm": _finite(thermal.resistance_se_ohm) if thermal else None,
                "loss_w_per_kelvin": _finite(thermal.loss_w_per_kelvin) if thermal else None,
                "loss_se_w_per_kelvin": (
                    _finite(thermal.loss_se_w_per_kelvin) if thermal else None
                ),
                "tau_h": _finite(thermal.tau_h) if thermal else None,
                "stretches_n": thermal.stretches_n if thermal else 0,
                "heater_power_kw": _finite(thermal.heater_power_kw) if thermal else None,
                "plug_heat_below_degc": _finite(plug.below_degc),
                "plug_heat_until_degc": _finite(plug.until_degc),
                "plug_hold_below_degc": _finite(plug.hold_below_degc),
                **trial.get(name, {}),
            }
        )
    schema = {
        "model_id": pl.String,
        "cold_form": pl.String,
        "cold_source": pl.String,
        "factor_pinball_loss_kw": pl.Float64,
        "ceiling_pinball_loss_kw": pl.Float64,
        "without_pinball_loss_kw": pl.Float64,
        "full_power_degc": pl.Float64,
        "sessions_n": pl.Int32,
        "cold_sessions_n": pl.Int32,
        "thermal_source": pl.String,
        "thermal_why": pl.String,
        "heat_kj_per_kelvin": pl.Float64,
        "heat_se_kj_per_kelvin": pl.Float64,
        "resistance_ohm": pl.Float64,
        "resistance_se_ohm": pl.Float64,
        "loss_w_per_kelvin": pl.Float64,
        "loss_se_w_per_kelvin": pl.Float64,
        "tau_h": pl.Float64,
        "stretches_n": pl.Int32,
        "heater_power_kw": pl.Float64,
        "plug_heat_below_degc": pl.Float64,
        "plug_heat_until_degc": pl.Float64,
        "plug_hold_below_degc": pl.Float64,
        "grade_b_judged_n": pl.Int32,
        "grade_b_wrong_n": pl.Int32,
        "grade_b_open_n": pl.Int32,
    }
    return _stamped(rows, window, schema)


def _curves(window: Window, fleet: Fleet, learned: Learned) -> pl.DataFrame:
    schema = {
        "model_id": pl.String,
        "soc_bin": pl.Int32,
        "reference_kw": pl.Float64,
        "configured_kw": pl.Float64,
        "sessions_n": pl.Int32,
        "curve_source": pl.String,
    }
    rows = []
    for name, fit in sorted(learned.fits.items()):
        configured = prior_of(fleet.models[name]).reference_kw
        rows += [
            {
                "model_id": name,
                "soc_bin": soc_bin,
                "reference_kw": float(fit.curve.reference_kw[soc_bin]),
                "configured_kw": float(configured[soc_bin]) if configured is not None else None,
                "sessions_n": int(fit.curve.sessions_n[soc_bin]),
                "curve_source": fit.curve.source[soc_bin],
            }
            for soc_bin in range(SOC_BINS_N)
        ]
    return _stamped(rows, window, schema)


def _cold_limits(window: Window, learned: Learned) -> pl.DataFrame:
    schema = {
        "model_id": pl.String,
        "cold_form": pl.String,
        "cell_temp_degc": pl.Float64,
        "cold_value": pl.Float64,
        "sessions_n": pl.Int32,
        "cold_source": pl.String,
    }
    rows = []
    for name, fit in sorted(learned.fits.items()):
        if fit.cold is None:
            continue
        rows += [
            {
                "model_id": name,
                "cold_form": fit.model.cold_form,
                "cell_temp_degc": float(KNOTS_DEGC[knot]),
                "cold_value": float(fit.cold.value[knot]),
                "sessions_n": int(fit.cold.sessions_n[knot]),
                "cold_source": fit.cold.source[knot],
            }
            for knot in range(len(KNOTS_DEGC))
        ]
    return _stamped(rows, window, schema)


def _vehicles(window: Window, learned: Learned) -> pl.DataFrame:
    schema = {"vehicle_id": pl.String, "curve_scale": pl.Float64, "sessions_n": pl.Int32}
    rows = [
        {
            "vehicle_id": window.vehicle_ids[number],
            "curve_scale": float(fit.scale[number]),
            "sessions_n": int(fit.scale_n[number]),
        }
        for _, fit in sorted(learned.fits.items())
        for number in np.flatnonzero(fit.scale_n > 0)
    ]
    return _stamped(rows, window, schema)

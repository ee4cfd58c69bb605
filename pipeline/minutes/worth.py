"""Worth of warming at every stop of the window, in minutes, cash and valued time."""

from __future__ import annotations

from dataclasses import fields

import duckdb
import numpy as np
import polars as pl

from pipeline.config import Fleet
from pipeline.fits import plug_heater
from pipeline.learning.steps import Array
from pipeline.minutes.costs import Prices, fees, stop_prices
from pipeline.minutes.learn import Learned
from pipeline.minutes.window import Window
from pipeline.worth import (
    Approach,
    Charge,
    Worth,
    break_even_per_hour,
    valued_minutes,
    worth_of_warming,
)

WARM_OUTCOMES = ("already_warm", "warmed", "warmed_unneeded")


def add_worth(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    window: Window,
    learned: Learned,
    minutes: pl.DataFrame,
) -> pl.DataFrame:
    """The rows of ``stop_minutes`` with worth, costs and the avoidable part."""
    prices = stop_prices(con, fleet, window)
    worth = _worth(window, learned, minutes)
    lost_cold = _numbers(minutes, "lost_cold_min")
    why_not = _why_not_expected(window, learned, minutes, worth, prices, fleet)
    expected = np.array([why == "" for why in why_not], dtype=bool)
    known = np.array([why != "evidence" for why in why_not], dtype=bool)
    judged = np.isfinite(lost_cold) & known
    avoidable = np.where(
        expected, np.clip(worth.gross_missed_min, 0.0, np.maximum(lost_cold, 0.0)), 0.0
    )
    avoidable = np.where(judged, np.nan_to_num(avoidable), np.nan)
    warming_kwh = window.numbers("warming_kwh")
    active, idle = window.numbers("active_min"), window.numbers("idle_min")
    value = fleet.settings.driver_value_per_hour / 60
    valued = valued_minutes(worth.net_saved_min, idle, prices.break_min, is_done=True)
    missed_valued = valued_minutes(worth.net_missed_min, idle, prices.break_min, is_done=False)
    marginal_cost = warming_kwh * prices.marginal_per_kwh
    missed_cost = worth.missed_kwh * prices.marginal_per_kwh
    fees_saved = fees(fleet, window, active, active + np.maximum(worth.net_saved_min, 0.0))
    fees_missed = fees(fleet, window, active - np.maximum(worth.net_missed_min, 0.0), active)
    cold_fees = fees(fleet, window, active - np.maximum(lost_cold, 0.0), active)
    did_warm = warming_kwh > 0
    figures: dict[str, Array] = {
        "avoidable_min": avoidable,
        "unavoidable_min": lost_cold - avoidable,
        "reachable_degc": worth.reachable_degc,
        "needed_min": worth.needed_min,
        "unwarmed_cold_min": lost_cold + np.nan_to_num(worth.gross_saved_min),
        "net_saved_min": np.where(did_warm, worth.net_saved_min, np.nan),
        "net_missed_min": np.where(expected, worth.net_missed_min, np.nan),
        "refill_min": np.where(did_warm, worth.refill_min, np.nan),
        "warming_cost": warming_kwh * prices.held_per_kwh,
        "warming_price_per_kwh": np.where(did_warm, prices.held_per_kwh, np.nan),
        "marginal_cost": marginal_cost,
        "cold_fees": cold_fees,
        "valued_min": np.where(did_warm, valued, np.nan),
        "worth_cash": np.where(did_warm, np.nan_to_num(fees_saved) - marginal_cost, np.nan),
        "worth_time": np.where(did_warm, valued * value, np.nan),
        "break_even_per_hour": np.where(
            did_warm,
            break_even_per_hour(worth.net_saved_min, marginal_cost - np.nan_to_num(fees_saved)),
            np.nan,
        ),
        "missed_valued_min": np.where(expected, missed_valued, np.nan),
        "missed_worth_cash": np.where(expected, np.nan_to_num(fees_missed) - missed_cost, np.nan),
        "missed_worth_time": np.where(expected, missed_valued * value, np.nan),
        "break_min": prices.break_min,
    }
    return minutes.with_columns(
        *(pl.Series(name, values).fill_nan(None) for name, values in figures.items()),
        pl.Series("is_price_assumed", prices.is_assumed, dtype=pl.Boolean),
        pl.Series(
            "is_expected",
            [bool(e) if k else None for e, k in zip(expected, known, strict=True)],
            dtype=pl.Boolean,
        ),
        pl.Series("expected_why_not", [why or None for why in why_not], dtype=pl.String),
    )


def _numbers(frame: pl.DataFrame, column: str) -> Array:
    return frame[column].cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()


def _worth(window: Window, learned: Learned, minutes: pl.DataFrame) -> Worth:
    """Worth of all models' stops together; NaN where a model or figure is missing."""
    count = len(window.stops)
    whole = {f.name: np.full(count, np.nan) for f in fields(Worth)}
    arrived = window.numbers("arrival_cell_temp_min_degc")
    unwarmed = _numbers(minutes, "model_unwarmed_degc")
    unwarmed = np.where(np.isnan(unwarmed), window.numbers("unwarmed_cell_temp_min_degc"), unwarmed)
    unwarmed = np.where(np.isnan(unwarmed), arrived, unwarmed)
    lead = window.numbers("lead_min")
    # Warming runs only while there is charge for it.
    able = np.fmin(lead, window.numbers("lead_above_cutoff_min"))
    with np.errstate(invalid="ignore", divide="ignore"):
        i2 = np.nan_to_num(window.numbers("lead_current2_a2s") / (lead * 60))
    for name, fit in learned.fits.items():
        if name not in learned.thermal or fit.model.cold_form is None:
            continue
        rows = np.flatnonzero(learned.of_model[name])
        thermal, plug = learned.thermal[name], learned.plug[name]
        found = worth_of_warming(
            fit.model,
            thermal,
            Approach(
                lead_min=able[rows],
                lead_start_degc=window.numbers("lead_cell_temp_min_degc")[rows],
                lead_i2_a2=i2[rows],
                ambient_degc=window.numbers("ambient_degc")[rows],
                arrived_degc=arrived[rows],
                unwarmed_degc=unwarmed[rows],
                warming_kwh=window.numbers("warming_kwh")[rows],
            ),
            Charge(
                soc_start_pct=window.numbers("soc_start_pct")[rows],
                soc_end_pct=window.numbers("soc_end_pct")[rows],
                energy_kwh=window.numbers("energy_kwh")[rows],
                site_kw=learned.site_kw[rows],
                curve_scale=fit.scale[window.vehicle[rows]],
            ),
            float(window.stops["warm_threshold_degc"][int(rows[0])]) if len(rows) else 21.0,
            plug_heater(
                plug.below_degc, plug.until_degc, plug.hold_below_degc, thermal.heater_power_kw
            ),
        )
        for f in fields(Worth):
            whole[f.name][rows] = getattr(found, f.name)
    return Worth(**whole)


def _why_not_expected(
    window: Window,
    learned: Learned,
    minutes: pl.DataFrame,
    worth: Worth,
    prices: Prices,
    fleet: Fleet,
) -> list[str]:
    """Why warming was not to be expected at a stop; empty where it was (method, section 4).

    Expected: the vehicle can, its charge lies above the cut-off, there was time, and warming
    saves at least the least net minutes set, and more than it costs where time has a value.
    For a stop that was warmed, what its warming saved counts.
    """
    stops = window.stops.with_columns(outcome=pl.coalesce(minutes["refined_outcome"], "outcome"))
    warmed = stops["outcome"].is_in(["warmed", "part_warmed"]).to_numpy()
    net = np.where(warmed, worth.net_saved_min, 0.0) + worth.net_missed_min
    spent = np.where(warmed, np.nan_to_num(window.numbers("warming_kwh")), 0.0) + worth.missed_kwh
    value = fleet.settings.driver_value_per_hour
    pays = (net * value / 60 > spent * prices.marginal_per_kwh) | (value <= 0)
    least = fleet.settings.expected_saving_min
    judged = stops.select(
        why=pl.when(
            ~pl.col("outcome").is_in(["warmed", "part_warmed", "not_warmed", "low_charge_hold"])
        )
        .then(
            pl.when(pl.col("outcome") == "unknown")
            .then(pl.lit("evidence"))
            .otherwise(pl.lit("not_needed"))
        )
        .when(~pl.col("can_warm").fill_null(True))
        .then(pl.lit("vehicle_cannot_warm"))
        .when(
            (pl.col("outcome") == "low_charge_hold")
            | (
                (pl.col("outcome") == "not_warmed")
                & (pl.col("lead_above_cutoff_min") < pl.col("min_lead_min")).fill_null(False)
            )
        )
        .then(pl.lit("low_charge"))
        .when((pl.col("lead_min") < pl.col("min_lead_min")).fill_null(True))
        .then(pl.lit("approach_too_short"))
        .when(pl.Series(np.isnan(net)))
        .then(pl.lit("evidence"))
        .when(pl.Series(net < least))
        .then(pl.lit("saves_too_little"))
        .when(pl.Series(~pays))
        .then(pl.lit("costs_more"))
        .otherwise(pl.lit(""))
    )
    return [str(why) for why in judged["why"].to_list()]

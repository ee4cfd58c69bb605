"""Prices of the energy in each pack and at each stop, and of minutes, from tariffs and invoices."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import duckdb
import numpy as np

from pipeline.config import Fleet
from pipeline.cost import marginal_price, minute_fees, session_costs
from pipeline.inventory import pack_inventory
from pipeline.learning.steps import Array
from pipeline.method import CONSTANTS
from pipeline.minutes.window import Window
from pipeline.prices import fleet_price, tariffs_of
from pipeline.warehouse import query
from pipeline.weeks import span_of

STAYS_ON_MIN = 2.0
"""Idle minutes beyond plugging in and out; as in `pipeline.worth`."""


@dataclass(frozen=True)
class Prices:
    """Per stop, in their order: what the energy in the pack had cost, what more would cost."""

    held_per_kwh: Array
    is_assumed: list[bool]
    marginal_per_kwh: Array
    break_min: Array


def stop_prices(con: duckdb.DuckDBPyConnection, fleet: Fleet, window: Window) -> Prices:
    """Price the window's stops; their charges may begin before it, so that packs are not empty."""
    price = fleet_price(fleet)
    first = span_of(str(window.params["window_first_week_id"]), fleet.zone).from_at
    last = span_of(window.week_id, fleet.zone).to_at
    params = {"window_from_at": first - timedelta(days=30), "window_to_at": last}
    efficiency = float(CONSTANTS["charging_efficiency"])
    charges = query(con, "minutes/charges_to_price", params)
    costs = session_costs(charges, tariffs_of(fleet), fleet.settings.time_zone, price, efficiency)
    held = pack_inventory(costs, price).select(
        "vehicle_id", "plug_in_at", "price_before_per_kwh", "is_price_assumed"
    )
    breaks = query(con, "minutes/stop_breaks")
    stops = window.stops.select("stop_no", "vehicle_id", "plug_in_at")
    joined = (
        stops.join(
            held.unique(["vehicle_id", "plug_in_at"], keep="first", maintain_order=True),
            on=["vehicle_id", "plug_in_at"],
            how="left",
        )
        .join(
            breaks.unique(["vehicle_id", "plug_in_at"], keep="first", maintain_order=True),
            on=["vehicle_id", "plug_in_at"],
            how="left",
        )
        .sort("stop_no")
    )
    marginal = marginal_price(
        window.stops, tariffs_of(fleet), fleet.settings.time_zone, price, efficiency
    )
    return Prices(
        held_per_kwh=joined["price_before_per_kwh"].fill_null(price.per_kwh).to_numpy(),
        is_assumed=joined["is_price_assumed"].fill_null(True).to_list(),
        marginal_per_kwh=marginal["marginal_price_per_kwh"].to_numpy(),
        break_min=joined["break_min"].fill_null(0.0).to_numpy(),
    )


def fees(fleet: Fleet, window: Window, from_min: Array, to_min: Array) -> Array:
    """Fees by the minute from one minute of the stay to another; 0 where no tariff is known."""
    # Who stood on after the charge would have stood on as long without it.
    stays_on = window.numbers("idle_min") >= STAYS_ON_MIN
    charged = minute_fees(
        window.stops,
        from_min,
        to_min,
        tariffs_of(fleet),
        fleet.settings.time_zone,
        np.where(stays_on, window.numbers("stay_min"), np.nan),
    )
    known = np.isfinite(from_min) & np.isfinite(to_min)
    return np.where(known, np.nan_to_num(charged), np.nan)

"""Charges for tests of cost: one row each, all but what a test names at a plain default."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.tariff_config import TariffElement
from pipeline.tariffs import FleetPrice

ZONE = "Europe/Stockholm"
FLEET_PRICE = FleetPrice(0.40, is_assumed=False)
EFFICIENCY = 0.93

SCHEMA = {
    "vehicle_id": pl.String,
    "plug_in_at": pl.Datetime("us", "UTC"),
    "plug_out_at": pl.Datetime("us", "UTC"),
    "site_id": pl.String,
    "mode": pl.String,
    "soc_start_pct": pl.Float64,
    "soc_end_pct": pl.Float64,
    "energy_kwh": pl.Float64,
    "power_max_kw": pl.Float64,
    "usable_kwh": pl.Float64,
    "charging_min": pl.Float64,
    "invoiced_cost": pl.Float64,
}


def local(text: str, zone: str = ZONE) -> datetime:
    """A local time, such as ``2026-01-12 21:30``, as an instant."""
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))


def charge(
    plug_in: datetime,
    stay_min: float = 30.0,
    meter_kwh: float | None = 20.0,
    **other: Any,
) -> dict[str, Any]:
    """One charge at site ``fast``, charging for its whole stay, energy given at the meter."""
    row = {
        "vehicle_id": "v1",
        "plug_in_at": plug_in,
        "plug_out_at": plug_in.astimezone(ZoneInfo("UTC")) + timedelta(minutes=stay_min),
        "site_id": "fast",
        "mode": "dc",
        "soc_start_pct": 30.0,
        "soc_end_pct": 60.0,
        "energy_kwh": None if meter_kwh is None else meter_kwh * EFFICIENCY,
        "power_max_kw": 50.0,
        "usable_kwh": 60.0,
        "charging_min": stay_min,
        "invoiced_cost": None,
    }
    assert not set(other) - set(row)
    return row | other


def frame(*rows: dict[str, Any]) -> pl.DataFrame:
    """Charges as the program reads them."""
    return pl.DataFrame([row | _utc(row) for row in rows], schema=SCHEMA)


def _utc(row: dict[str, Any]) -> dict[str, datetime]:
    return {name: row[name].astimezone(ZoneInfo("UTC")) for name in ("plug_in_at", "plug_out_at")}


def priced(
    *rows: dict[str, Any],
    tariff: tuple[TariffElement, ...] = (),
    zone: str = ZONE,
    fleet_price: FleetPrice = FLEET_PRICE,
) -> list[dict[str, Any]]:
    """The charges with their cost, under one tariff at site ``fast``."""
    from pipeline.cost import session_costs

    return session_costs(frame(*rows), {"fast": tariff}, zone, fleet_price, EFFICIENCY).to_dicts()

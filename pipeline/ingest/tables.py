"""The warehouse tables that exports go to, by kind."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from pipeline.source_config import SourceKind


@dataclass(frozen=True)
class Table:
    """Where a kind of export goes: table, its value columns, and its first and last instant."""

    name: str
    values: tuple[str, ...]
    start: str
    end: str


TABLES: dict[SourceKind, Table] = {
    "samples": Table(
        "samples",
        (
            "soc_pct",
            "pack_power_kw",
            "pack_current_a",
            "cell_temp_min_degc",
            "cell_temp_max_degc",
            "ambient_degc",
            "heater_power_kw",
            "is_conditioning",
            "speed_kmh",
            "odometer_km",
            "is_connected",
            "charge_mode",
            "site_id",
            "latitude_deg",
            "longitude_deg",
        ),
        "sampled_at",
        "sampled_at",
    ),
    "nav_events": Table(
        "nav_events", ("action", "is_charging_place"), "happened_at", "happened_at"
    ),
    "sessions": Table(
        "reported_sessions",
        (
            "meter_energy_kwh",
            "soc_start_pct",
            "soc_end_pct",
            "power_max_kw",
            "charge_mode",
            "site_id",
            "is_held_back_by_site",
            "total_cost",
            "latitude_deg",
            "longitude_deg",
            "parking_min",
            "record_id",
            "evse_id",
        ),
        "plug_in_at",
        "plug_out_at",
    ),
    "driver_spans": Table("driver_spans", ("driver_id", "use"), "from_at", "to_at"),
}
TABLES["ocpi_cdrs"] = TABLES["sessions"]
# Written by `pipeline.ingest.charger_load`: a charger is no vehicle.
TABLES["ocpp_meter"] = Table("charger_readings", (), "read_at", "read_at")


def spans_of(rows: pl.DataFrame, table: Table) -> pl.DataFrame:
    """Per vehicle: ``first_at``, ``last_at`` and ``rows_n`` of some rows of a table."""
    if rows["vehicle_id"].n_unique() == 1:
        return rows.select(
            pl.col("vehicle_id").first(),
            first_at=pl.col(table.start).min(),
            last_at=pl.col(table.end).max(),
            rows_n=pl.len().cast(pl.Int64),
        )
    return rows.group_by("vehicle_id").agg(
        first_at=pl.col(table.start).min(),
        last_at=pl.col(table.end).max(),
        rows_n=pl.len().cast(pl.Int64),
    )

"""The configured fleet as temporary tables, so that SQL can join it.

A vehicle that no file knows gets a row too, with generic assumptions.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.charging import SOC_BINS_N, binned_curve
from pipeline.config import Fleet, Vehicle, VehicleModel
from pipeline.warehouse import register

_ALWAYS = datetime(1970, 1, 1, tzinfo=UTC), datetime(2200, 1, 1, tzinfo=UTC)

_SETTINGS_SCHEMA = {
    "vehicle_id": pl.String,
    "vehicle_name": pl.String,
    "model_id": pl.String,
    "model_name": pl.String,
    "is_configured": pl.Boolean,
    "vehicle_use": pl.String,
    "default_site_id": pl.String,
    "is_parked_indoors": pl.Boolean,
    "can_warm": pl.Boolean,
    "usable_kwh": pl.Float64,
    "has_warm_curve": pl.Boolean,
    "warm_threshold_degc": pl.Float64,
    "warm_tolerance_kelvin": pl.Float64,
    "heater_power_kw": pl.Float64,
    "warming_cutoff_soc_pct": pl.Float64,
    "min_lead_min": pl.Float64,
    "ac_max_kw": pl.Float64,
    "km_per_kwh": pl.Float64,
    "is_outcome_assumed": pl.Boolean,
    "is_heater_assumed": pl.Boolean,
}


def write_fleet_tables(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    """Make ``vehicle_settings``, ``fleet_sites``, ``use_spans`` and ``reference_curves``.

    ``vehicle_settings`` has one row per vehicle that is configured or has data;
    ``reference_curves`` one per model with a warm curve and half-per-cent bin of charge.
    """
    seen = {row[0] for row in con.execute("select distinct vehicle_id from file_spans").fetchall()}
    rows = [_settings_row(fleet, name) for name in sorted(seen | set(fleet.vehicles))]
    register(con, "vehicle_settings", pl.DataFrame(rows, schema=_SETTINGS_SCHEMA))
    register(con, "fleet_sites", _sites(fleet))
    register(con, "use_spans", _use_spans(fleet))
    register(con, "reference_curves", _curves(fleet))


def _settings_row(fleet: Fleet, vehicle_id: str) -> dict[str, Any]:
    vehicle = fleet.vehicles.get(vehicle_id)
    known = vehicle or Vehicle()
    model = fleet.models[known.model] if known.model else VehicleModel()
    told = model.model_fields_set
    return {
        "vehicle_id": vehicle_id,
        "vehicle_name": known.name or vehicle_id,
        "model_id": known.model,
        "model_name": model.name or known.model,
        "is_configured": vehicle is not None,
        "vehicle_use": known.use,
        "default_site_id": known.default_site,
        "is_parked_indoors": known.is_parked_indoors,
        "can_warm": model.can_warm if known.can_warm is None else known.can_warm,
        "usable_kwh": model.usable_kwh,
        "has_warm_curve": model.warm_curve is not None,
        "warm_threshold_degc": model.warm_threshold_degc,
        "warm_tolerance_kelvin": model.warm_tolerance_kelvin,
        "heater_power_kw": model.heater_power_kw,
        "warming_cutoff_soc_pct": model.warming_cutoff_soc_pct,
        "min_lead_min": model.min_lead_min,
        "ac_max_kw": model.ac_max_kw,
        "km_per_kwh": model.km_per_kwh,
        "is_outcome_assumed": not {"warm_threshold_degc", "warming_cutoff_soc_pct"} <= told,
        "is_heater_assumed": "heater_power_kw" not in told,
    }


def _sites(fleet: Fleet) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "site_id": site_id,
                "site_name": site.name or site_id,
                "latitude_deg": site.latitude_deg,
                "longitude_deg": site.longitude_deg,
                "radius_m": site.radius_m,
                "power_kw": site.power_kw,
                "mode": site.mode,
            }
            for site_id, site in fleet.sites.items()
        ],
        schema={
            "site_id": pl.String,
            "site_name": pl.String,
            "latitude_deg": pl.Float64,
            "longitude_deg": pl.Float64,
            "radius_m": pl.Float64,
            "power_kw": pl.Float64,
            "mode": pl.String,
        },
    )


def _use_spans(fleet: Fleet) -> pl.DataFrame:
    zone = fleet.zone
    rows = [
        {
            "vehicle_id": vehicle_id,
            "from_at": span.from_ if span.from_.tzinfo else span.from_.replace(tzinfo=zone),
            "to_at": span.to if span.to.tzinfo else span.to.replace(tzinfo=zone),
            "use": span.use,
        }
        for vehicle_id, vehicle in fleet.vehicles.items()
        for span in vehicle.spans
    ]
    instant = pl.Datetime("us", "UTC")
    return pl.DataFrame(
        rows,
        schema={"vehicle_id": pl.String, "from_at": instant, "to_at": instant, "use": pl.String},
    )


def _curves(fleet: Fleet) -> pl.DataFrame:
    frames = [
        pl.DataFrame(
            {
                "model_id": [model_id] * SOC_BINS_N,
                "soc_bin": np.arange(SOC_BINS_N, dtype=np.int32),
                "reference_kw": binned_curve(model.warm_curve),
            }
        )
        for model_id, model in fleet.models.items()
        if model.warm_curve
    ]
    empty = pl.DataFrame(
        schema={"model_id": pl.String, "soc_bin": pl.Int32, "reference_kw": pl.Float64}
    )
    return pl.concat([empty, *frames])


def card_table(fleet: Fleet) -> pl.DataFrame:
    """One row per charge card: ``token`` in lower case, ``vehicle_id``, from when until when."""
    rows = [
        (
            card.token.strip().lower(),
            card.vehicle,
            card.from_at(fleet.zone) or _ALWAYS[0],
            card.to_at(fleet.zone) or _ALWAYS[1],
        )
        for card in fleet.cards.values()
    ]
    instant = pl.Datetime("us", "UTC")
    schema = {"token": pl.String(), "vehicle_id": pl.String(), "from_at": instant, "to_at": instant}
    return pl.DataFrame(rows, schema=schema, orient="row")

"""A warehouse filled by hand with what was learned, for tests of what reads it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
from fleets import MONDAY

WEEK = "2026-W03"
KNOTS_DEGC = np.arange(-9.0, 32.0, 2.0)


def put(con: duckdb.DuckDBPyConnection, table: str, *rows: dict[str, Any]) -> None:
    """Insert rows by name; columns left out are null."""
    con.register("rows_to_put", pl.DataFrame(list(rows), infer_schema_length=None).to_arrow())
    con.execute(f"insert into {table} by name select * from rows_to_put")
    con.unregister("rows_to_put")


def put_fit(
    con: duckdb.DuckDBPyConnection, model_id: str = "flat-60", week: str = WEEK, **model: Any
) -> None:
    """The fit of a model: 100 kW down to 20, a factor that reaches 1 at 21 degC."""
    shared = {"fit_week_id": week, "model_id": model_id}
    row = {
        "cold_form": "factor",
        "cold_source": "learned",
        "factor_pinball_loss_kw": 0.4,
        "ceiling_pinball_loss_kw": 1.6,
        "full_power_degc": 21.0,
        "sessions_n": 40,
        "cold_sessions_n": 25,
        "thermal_source": "learned",
        "heat_kj_per_kelvin": 500.0,
        "heat_se_kj_per_kelvin": 4.0,
        "resistance_ohm": 0.08,
        "resistance_se_ohm": 0.002,
        "loss_w_per_kelvin": 15.0,
        "loss_se_w_per_kelvin": 0.5,
        "tau_h": 9.26,
        "stretches_n": 120,
        "heater_power_kw": 5.0,
    }
    row = shared | row | model
    put(con, "fitted_models", row)
    bins = range(100)
    put(
        con,
        "fitted_curves",
        *(
            shared
            | {
                "soc_bin": k,
                "reference_kw": 100.0 - 0.8 * k,
                "configured_kw": 95.0 - 0.8 * k,
                "sessions_n": 12,
                "curve_source": "learned",
            }
            for k in bins
        ),
    )
    if row["cold_form"] is not None:
        put(
            con,
            "fitted_cold_limits",
            *(
                shared
                | {
                    "cold_form": row["cold_form"],
                    "cell_temp_degc": float(degc),
                    "cold_value": float(np.clip((degc + 15) / 36, 0.05, 1.0)),
                    "sessions_n": 9 if degc >= -4 else 0,
                    "cold_source": "learned" if degc >= -4 else "extended",
                }
                for degc in KNOTS_DEGC
            ),
        )


def put_stop(
    con: duckdb.DuckDBPyConnection,
    number: int,
    *,
    vehicle_id: str = "v1",
    week: str = WEEK,
    lost_cold_min: float | None = 4.0,
    **stop: Any,
) -> None:
    """A fast charge of 24 kWh from 30 %, pack 6 degC half an hour before, -4 outside."""
    key = {
        "vehicle_id": vehicle_id,
        "plug_in_at": MONDAY + timedelta(hours=number),
        "week_id": week,
    }
    facts = {
        "stop_id": f"{vehicle_id}.{number}",
        "vehicle_use": "delivery",
        "plug_out_at": MONDAY + timedelta(hours=number, minutes=30),
        "evidence_grade": "A",
        "outcome": "not_warmed",
        "figures_n": 3,
        "first_file_id": 1,
        "first_file_row": 1,
        "last_file_row": 2,
        "site_id": "fast",
        "soc_start_pct": 30.0,
        "energy_kwh": 24.0,
        "ambient_degc": -4.0,
        "lead_cell_temp_min_degc": 6.0,
        "approach_min": 40.0,
        "lead_min": 30.0,
        "lead_current2_a2s": 1000.0 * 60 * 30,
    }
    columns = {
        row[0]
        for row in con.execute(
            "select column_name from duckdb_columns() where table_name = 'stops'"
        ).fetchall()
    }
    put(con, "stops", {k: v for k, v in (key | facts | stop).items() if k in columns})
    put(
        con,
        "stop_minutes",
        key
        | {
            "stop_id": facts["stop_id"],
            "fit_week_id": week,
            "is_site_learned": False,
            "lost_cold_min": lost_cold_min,
        },
    )

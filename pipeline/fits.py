"""What was learned for one week, read back from the warehouse.

The same numbers as at the fit, to the last bit: an old edition, its curves and its advice can be
made again without a refit. What nobody needs afterwards is not kept: which steps were held back,
and the spread of driving stretches.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.charging import ChargeModel
from pipeline.config import Fleet
from pipeline.forward import PlugHeater
from pipeline.problems import ColdMinutesError, Problem
from pipeline.thermal import ThermalModel
from pipeline.warehouse import query


@dataclass(frozen=True)
class StoredFit:
    """The fit of one vehicle model for one week.

    Attributes
    ----------
    charge, thermal
        None where neither data nor configuration tell enough.
    plug_heater
        None where the charger was not seen to heat the pack.
    vehicle_scale
        Level of each vehicle of the model against its curve; a vehicle that is not named has 1.
    site_kw
        Limits learned for sites of unknown rating, by site.
    counts
        The model's row of ``fitted_models``: sessions, losses, errors, sources, reasons.
    curve, cold, vehicles, sites, habits
        The rows of the other ``fitted_*`` tables, sorted; empty where nothing was learned.
    """

    week_id: str
    model_id: str
    model_name: str
    charge: ChargeModel | None
    thermal: ThermalModel | None
    plug_heater: PlugHeater | None
    vehicle_scale: dict[str, float]
    site_kw: dict[str, float]
    counts: dict[str, Any]
    curve: pl.DataFrame
    cold: pl.DataFrame
    vehicles: pl.DataFrame
    sites: pl.DataFrame
    habits: pl.DataFrame


def load_fits(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str | None = None
) -> dict[str, StoredFit]:
    """The fits of a week by model, in the order of their ids.

    Parameters
    ----------
    week_id
        The week up to which data were used; None takes the newest that was fitted.

    Raises
    ------
    ColdMinutesError
        ``CURVES-01`` where nothing was fitted for that week.

    Notes
    -----
    Usable capacity is the configured one. A change of it marks every week for the next run, so
    that only fits older than the change, read before that run, meet another capacity.
    """
    params = {"fit_week_id": fitted_week(con, fleet, week_id)}
    models = query(con, "advice/stored_models", params)
    tables = {
        name: query(con, f"advice/stored_{name}", params)
        for name in ("curves", "cold_limits", "habits", "vehicles", "sites")
    }
    return {row["model_id"]: _fit(fleet, row, tables) for row in models.iter_rows(named=True)}


def fitted_week(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str | None = None) -> str:
    """The week asked for if it was fitted, or the newest that was.

    Raises
    ------
    ColdMinutesError
        ``CURVES-01`` where there is none.
    """
    weeks = query(con, "advice/fitted_weeks")["fit_week_id"].to_list()
    if weeks and (week_id is None or week_id in weeks):
        return week_id or str(weeks[0])
    raise ColdMinutesError([_nothing_fitted(con, fleet, week_id, weeks)])


def plug_heater(
    below_degc: float | None,
    until_degc: float | None,
    hold_below_degc: float | None,
    power_kw: float | None,
) -> PlugHeater | None:
    """The heater at the plug as the fleet shows it; None where it shows none (None or NaN)."""
    known = [np.nan if value is None else value for value in (below_degc, until_degc, power_kw)]
    if not np.isfinite(known).all():
        return None
    below_degc, until_degc, power_kw = known
    hold = -np.inf
    if hold_below_degc is not None and np.isfinite(hold_below_degc):
        hold = hold_below_degc
    return PlugHeater(power_kw, below_degc, max(until_degc, below_degc), hold, hold)


def _fit(fleet: Fleet, row: dict[str, Any], tables: dict[str, pl.DataFrame]) -> StoredFit:
    model_id = row["model_id"]
    # A model may have been taken out of the configuration since.
    model = fleet.models.get(model_id)
    mine = {name: tables[name].filter(pl.col("model_id") == model_id) for name in _BY_MODEL}
    owned = [name for name, vehicle in fleet.vehicles.items() if vehicle.model == model_id]
    vehicles = tables["vehicles"].filter(pl.col("vehicle_id").is_in(owned))
    sites = tables["sites"]
    usable_kwh = model.usable_kwh if model and model.usable_kwh else float("nan")
    return StoredFit(
        week_id=row["fit_week_id"],
        model_id=model_id,
        model_name=(model.name if model else "") or model_id,
        charge=_charge(row, mine["curves"], mine["cold_limits"], usable_kwh),
        thermal=_thermal(row),
        plug_heater=plug_heater(
            row["plug_heat_below_degc"],
            row["plug_heat_until_degc"],
            row["plug_hold_below_degc"],
            row["heater_power_kw"],
        ),
        vehicle_scale=dict(zip(vehicles["vehicle_id"], vehicles["curve_scale"], strict=True)),
        site_kw=dict(zip(sites["site_id"], sites["power_kw"], strict=True)),
        counts=row,
        curve=mine["curves"],
        cold=mine["cold_limits"],
        vehicles=vehicles,
        sites=sites,
        habits=mine["habits"],
    )


_BY_MODEL = ("curves", "cold_limits", "habits")


def _charge(
    row: dict[str, Any], curve: pl.DataFrame, cold: pl.DataFrame, usable_kwh: float
) -> ChargeModel | None:
    if curve.is_empty():
        return None
    has_cold = row["cold_form"] is not None
    return ChargeModel(
        reference_kw=curve["reference_kw"].to_numpy(),
        usable_kwh=usable_kwh,
        full_power_degc=row["full_power_degc"],
        cold_form=row["cold_form"],
        cold_degc=cold["cell_temp_degc"].to_numpy() if has_cold else None,
        cold_value=cold["cold_value"].to_numpy() if has_cold else None,
    )


def _thermal(row: dict[str, Any]) -> ThermalModel | None:
    if row["heat_kj_per_kelvin"] is None:
        return None

    def error(name: str) -> float:
        return float("nan") if row[name] is None else float(row[name])

    return ThermalModel(
        heat_kj_per_kelvin=row["heat_kj_per_kelvin"],
        resistance_ohm=row["resistance_ohm"],
        loss_w_per_kelvin=row["loss_w_per_kelvin"],
        heat_se_kj_per_kelvin=error("heat_se_kj_per_kelvin"),
        resistance_se_ohm=error("resistance_se_ohm"),
        loss_se_w_per_kelvin=error("loss_se_w_per_kelvin"),
        heater_power_kw=row["heater_power_kw"],
        source="learned" if row["thermal_source"] == "learned" else "default",
        # A loss without an error was not learned.
        tau_source="default" if row["loss_se_w_per_kelvin"] is None else "learned",
        stretches_n=row["stretches_n"],
    )


def _nothing_fitted(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str | None, weeks: list[str]
) -> Problem:
    where = str(fleet.folder) if week_id is None else f"--week {week_id}"
    if weeks:
        return Problem(
            "CURVES-01",
            "stop",
            where,
            "nothing was learned for this week yet",
            f"Run `coldminutes run FLEET --week {week_id}` first, or name one of: "
            f"{', '.join(weeks[:5])}.",
        )
    stops_n = con.execute("select count(*) from stop_minutes").fetchall()[0][0]
    if stops_n:
        return Problem(
            "CURVES-01",
            "stop",
            where,
            "nothing could be learned: no vehicle with a fast-charge stop has a model",
            "Describe the models in models.toml, name them in vehicles.toml, and run again.",
        )
    return Problem(
        "CURVES-01",
        "stop",
        where,
        "nothing was learned yet",
        "Run `coldminutes run FLEET` first: it learns from the fast-charge stops it finds.",
    )

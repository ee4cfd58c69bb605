"""From the warehouse and the configuration to the plain tables a budget is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.budget import Given, priors
from pipeline.budget.given import VEHICLES
from pipeline.budget.physics import model_facts
from pipeline.budget.refusals import refuse
from pipeline.budget.tables import ModelFacts
from pipeline.budget.weather import Weather, from_daily
from pipeline.budget.weather_files import WeatherFile, read_weather
from pipeline.charging import ChargeModel, binned_curve
from pipeline.config import Fleet, VehicleModel
from pipeline.fits import StoredFit, load_fits
from pipeline.report.budget.data import History
from pipeline.warehouse import query
from pipeline.weeks import monday_of

HISTORY_DAYS_N = 3 * 366
"""A budget looks back three winters: habits and work older than that are not today's."""

BRIDGED_DAYS_N = 4
"""Days without driving that are no gap: the fleet's own temperature is taken as a straight line
between their ends, and vehicles to have stood. A long weekend. Common practice, no source."""

_NEVER = date(2200, 1, 1)
_ALWAYS = {
    "history_from_at": datetime(1990, 1, 1, tzinfo=UTC),
    "history_to_at": datetime(2200, 1, 1, tzinfo=UTC),
}

WHERE_TO_GET_ONE = (
    "Give a series with --weather FILE or [weather] file in fleet.toml: a CSV with two columns, "
    "time (or day) and temperature in °C, one year at least and better ten, or an EPW file. "
    "National weather services give out the readings of their stations, mostly free of charge."
)


@dataclass(frozen=True)
class Series:
    """A weather series and its name; the fleet's own has none."""

    weather: Weather
    name: str


def local_midnight(fleet: Fleet, day: date) -> datetime:
    """The instant at which a local day begins."""
    return datetime(day.year, day.month, day.day, tzinfo=fleet.zone).astimezone(UTC)


def history_params(fleet: Fleet, until: date) -> dict[str, Any]:
    """Parameters of the statements in ``sql/budget`` for what was known on a day's morning."""
    return {
        "zone": fleet.settings.time_zone,
        "lead_window_min": fleet.settings.lead_window_min,
        "bridged_days_n": BRIDGED_DAYS_N,
        "history_from_at": local_midnight(fleet, until - timedelta(days=HISTORY_DAYS_N)),
        "history_to_at": local_midnight(fleet, until),
    }


def data_days(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> tuple[date | None, date | None]:
    """First and last local day of all data; None where there are none."""
    params = history_params(fleet, _NEVER) | _ALWAYS
    row = query(con, "budget/budget_spans", params).row(0, named=True)
    return row["first_day"], row["last_day"]


def chosen_series(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, given_path: Path | None
) -> Series | None:
    """The file named, else that of the configuration, else what the fleet itself measured.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-02`` where a file cannot be used or lies outside the fleet folder.
    """
    settings = fleet.settings.weather
    layout = WeatherFile() if settings is None else WeatherFile(**settings.model_dump(
        exclude={"file"}
    ))  # fmt: skip
    if given_path is not None:
        return Series(read_weather(given_path, layout, fleet.settings.time_zone), given_path.name)
    if settings is not None:
        path = (fleet.folder / settings.file).resolve()
        if not path.is_relative_to(fleet.folder):
            raise refuse(
                "BUDGET-02", "fleet.toml, key weather.file",
                f"{settings.file!r:.80} leads out of the fleet folder",
                "Put the series into the fleet folder, or name it with --weather.",
            )  # fmt: skip
        return Series(read_weather(path, layout, fleet.settings.time_zone), settings.file)
    own = own_weather(con, fleet)
    return None if own is None else Series(own, "")


def own_weather(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> Weather | None:
    """Daily temperatures that the fleet met on the road; None where no sensor told any."""
    params = history_params(fleet, _NEVER) | _ALWAYS
    days = query(con, "budget/budget_outside", params)
    if days.is_empty():
        return None
    whole = days.upsample("local_day", every="1d").with_columns(
        run_n=pl.len().over(pl.col("outside_degc").is_null().rle_id())
    )
    bridged = pl.col("outside_degc").is_not_null() | (pl.col("run_n") <= BRIDGED_DAYS_N)
    return from_daily(
        whole.select(
            day="local_day",
            outside_degc=pl.when(bridged).then(pl.col("outside_degc").interpolate()),
        )
    )


def gathered(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, as_of: date, weather: Weather
) -> tuple[Given, History]:
    """What was known on the morning of a day, and how much that was.

    Needs ``vehicle_settings`` and ``fleet_sites`` (`pipeline.fleet_tables`). Physics is that of the
    newest fit of a week that had begun by then; the configured or usual one without any.
    """
    fits = _fits(con, fleet, as_of)
    week = next(iter(fits.values())).week_id if fits else ""
    params = history_params(fleet, as_of) | {"fit_week_id": week}
    found = query(con, "budget/budget_vehicles", params)
    depots = {name: vehicle.depot for name, vehicle in fleet.vehicles.items()}
    assumed_n = found["km_per_kwh"].null_count()
    vehicles = found.with_columns(
        depot_id=pl.Series([depots.get(v, "") for v in found["vehicle_id"]], dtype=pl.String),
        km_per_kwh=pl.col("km_per_kwh").fill_null(priors.KM_PER_KWH),
    ).select(*VEHICLES)
    named = sorted(set(vehicles["model_id"].to_list()))
    models = {name: _facts(fleet.models[name], fits.get(name)) for name in named}
    ids = vehicles["vehicle_id"].to_list()
    is_ours = pl.col("vehicle_id").is_in(ids)
    exposure, stops, arrivals, starts = (
        query(con, f"budget/budget_{name}", params).filter(is_ours)
        for name in ("exposure", "stops", "arrivals", "starts")
    )
    given = Given(
        vehicles, exposure, stops, arrivals, starts, models, weather.before(as_of),
        fleet.settings.energy_price_per_kwh,
    )  # fmt: skip
    span = query(con, "budget/budget_spans", params).row(0, named=True)
    known = con.execute("select vehicle_id from vehicle_settings order by vehicle_id").fetchall()
    without = tuple(str(row[0]) for row in known if row[0] not in set(ids))
    history = History(
        span["first_day"], span["last_day"], span["vehicles_n"] or 0,
        int(exposure["stops_n"].sum()), without, assumed_n,
    )  # fmt: skip
    return given, history


def only(given: Given, vehicle_ids: list[str]) -> Given:
    """The same of some vehicles."""
    mine = pl.col("vehicle_id").is_in(vehicle_ids)
    return replace(
        given,
        vehicles=given.vehicles.filter(mine),
        exposure=given.exposure.filter(mine),
        stops=given.stops.filter(mine),
        arrivals=given.arrivals.filter(mine),
        starts=given.starts.filter(mine),
    )


def _fits(con: duckdb.DuckDBPyConnection, fleet: Fleet, as_of: date) -> Mapping[str, StoredFit]:
    weeks = query(con, "advice/fitted_weeks")["fit_week_id"].to_list()
    begun = [week for week in weeks if monday_of(week) < as_of]
    return load_fits(con, fleet, begun[0]) if begun else {}


def _facts(model: VehicleModel, fit: StoredFit | None) -> ModelFacts:
    charge = fit.charge if fit else None
    source = str(fit.counts["cold_source"]) if fit else "none"
    if charge is None and model.warm_curve is not None and model.usable_kwh is not None:
        charge, source = _configured(model, model.warm_curve, model.usable_kwh)
    return model_facts(
        charge,
        fit.thermal if fit else None,
        fit.plug_heater if fit else None,
        usable_kwh=model.usable_kwh,
        cold_source=source,
        warm_threshold_degc=model.warm_threshold_degc,
        warm_tolerance_kelvin=model.warm_tolerance_kelvin,
        heater_power_kw=model.heater_power_kw,
        least_lead_min=model.min_lead_min,
        can_warm=model.can_warm,
    )


def _configured(
    model: VehicleModel, curve: tuple[tuple[float, float], ...], usable_kwh: float
) -> tuple[ChargeModel, str]:
    """The charge as its operator described it, before any was seen."""
    degc = value = None
    if model.cold_limit is not None:
        degc, value = np.asarray(model.cold_limit, dtype=float).T
    charge = ChargeModel(
        binned_curve(curve), usable_kwh, model.warm_threshold_degc,
        model.cold_limit_form if value is not None else None, degc, value,
    )  # fmt: skip
    return charge, "none" if value is None else "configured"

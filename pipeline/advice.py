"""When to begin warming, from what was learned: by model and site power, and a line per site.

Reads the fits and stops of earlier stages; `pipeline.leadtime` does the maths.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import duckdb
import numpy as np
import polars as pl

from pipeline.config import Fleet
from pipeline.cost import marginal_price
from pipeline.fits import StoredFit, fitted_week, load_fits
from pipeline.lead_card import card_times
from pipeline.leadtime import Case, OtherWays, lead_times, other_ways, site_advice
from pipeline.method import CONSTANTS
from pipeline.prices import fleet_price, tariffs_of
from pipeline.problems import ColdMinutesError
from pipeline.warehouse import build, query, register
from pipeline.weeks import weeks_before

ADVICE_WEEKS_N = 13
"""A season: the typical charge of a quarter, not of a year with its summer."""

SITE_STOPS_N = 3
"""Fewer stops at a site do not tell how vehicles come there; the model's medians stand in."""

_TEXT = {"model_id": pl.String, "model_name": pl.String}
_LEAD_TIMES = {
    **_TEXT,
    "site_power_kw": pl.Float64,
    "outside_degc": pl.Float64,
    "pack_degc": pl.Float64,
    "needed_min": pl.Float64,
    "warming_kwh": pl.Float64,
    "charge_cold_min": pl.Float64,
    "charge_warm_min": pl.Float64,
    "refill_min": pl.Float64,
    "net_saved_min": pl.Float64,
    "begin_min": pl.Float64,
    "verdict": pl.String,
    "is_extrapolated": pl.Boolean,
}
_SITES = {
    "site_id": pl.String,
    "site_name": pl.String,
    **_TEXT,
    "site_power_kw": pl.Float64,
    "outside_degc": pl.Float64,
    "pack_degc": pl.Float64,
    "stops_n": pl.Int64,
    "needed_min": pl.Float64,
    "warming_kwh": pl.Float64,
    "net_saved_min": pl.Float64,
    "begin_min": pl.Float64,
    "verdict": pl.String,
    "is_extrapolated": pl.Boolean,
    "is_fleet_median": pl.Boolean,
    "approach_min": pl.Float64,
}
_WAYS = {
    **_TEXT,
    "way": pl.String,
    **dict.fromkeys(
        (
            "arrival_degc",
            "heating_min",
            "energy_kwh",
            "price_per_kwh",
            "charge_min",
            "compared_with_min",
            "saved_min",
            "cost",
            "site_power_kw",
            "outside_degc",
            "pack_degc",
            "drive_min",
            "indoor_degc",
            "heating_end_degc",
            "cable_efficiency",
            "charging_efficiency",
        ),
        pl.Float64,
    ),
    "price_source": pl.String,
}
_CARD = {**_LEAD_TIMES, "parked": pl.String}
_NO_ADVICE = {"model_id": pl.String, "why": pl.String}


class _Price(NamedTuple):
    """Price of a kWh at the meter and where it comes from."""

    per_kwh: float
    source: str


def advice(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> None:
    """Make the temporary tables of advice for one week.

    Reads the week's fits, ``judged_stops`` and ``charge_sessions`` of the 13 weeks that end with
    it, and ``vehicle_settings`` and ``fleet_sites``. A week without any fit gives empty tables.

    Notes
    -----
    ``weekly_leadtime`` has one row per model, site power in use, outside and pack temperature;
    ``weekly_card`` the same for what a card shows; ``weekly_site_advice`` one per site and model;
    ``weekly_other_ways`` one per model and way; ``weekly_no_advice`` one per model in use that is
    left out, with the reason: ``no_stops``, ``vehicle_cannot_warm``, ``no_warm_curve``,
    ``no_usable_kwh``, ``cold_limit_unknown``, ``no_typical_charge`` or ``site_limit_unknown``.

    ``pack_degc`` is always that of the coldest cell when warming would begin. A site's line takes
    the median at the start of the lead window of its stops, warmed or not, since there nothing
    has been warmed yet; with fewer than three such stops, ``is_fleet_median`` marks a row that
    takes the model's medians over all sites. ``is_extrapolated`` marks a pack colder than any
    whose cold limit was learned or configured: there the limit goes on by its last slope. Where a
    site has no known limit but gives all that the vehicle takes, the highest power of the model's
    curve stands for it.
    """
    params = {
        "week_ids": [*weeks_before(week_id, ADVICE_WEEKS_N - 1), week_id],
        "fit_week_id": week_id,
    }
    build(con, "advice/advice_stops", params)
    fits = _fits(con, fleet, week_id)
    typical = {
        row["model_id"]: row for row in query(con, "advice/typical_charges").iter_rows(named=True)
    }
    powers = query(con, "advice/site_powers")
    states = query(con, "advice/site_states")
    stops = con.sql("select * from advice_stops").pl()
    cables = query(con, "advice/cable_departures", params)
    made = {"leadtime": _LEAD_TIMES, "card": _CARD, "site_advice": _SITES, "other_ways": _WAYS}
    found: dict[str, list[pl.DataFrame]] = {name: [] for name in made}
    left_out = []
    in_use = {vehicle.model for vehicle in fleet.vehicles.values() if vehicle.model}
    for model_id in sorted(in_use | set(fits)):
        fit = fits.get(model_id)
        why, case = _case(fleet, fit, typical.get(model_id))
        mine = _of(powers, model_id)
        if case is not None and mine.is_empty():
            why, case = "site_limit_unknown", None
        if case is None or fit is None:
            left_out.append({"model_id": model_id, "why": why})
            continue
        site_kw = _known_kw(mine, fit)["site_power_kw"].unique(maintain_order=True).to_list()
        found["leadtime"].append(_named(lead_times(case, sorted(site_kw)), fit))
        found["card"].append(_named(card_times(case, sorted(site_kw)), fit))
        sites = _site_lines(case, _known_kw(_of(states, model_id), fit), typical[model_id])
        found["site_advice"].append(_named(sites, fit))
        ways = _ways(
            case,
            site_kw[0],
            typical[model_id],
            _price(
                fleet, _at_power(_known_kw(_of(stops, model_id), fit), site_kw[0]), "plug_in_at"
            ),
            _price(fleet, _of(cables, model_id), "plug_out_at"),
        )
        found["other_ways"].append(_named(ways, fit))
    for name, schema in made.items():
        register(con, f"weekly_{name}", _stacked(found[name], schema))
    register(con, "weekly_no_advice", pl.DataFrame(left_out, schema=_NO_ADVICE))


def advice_tables(con: duckdb.DuckDBPyConnection) -> dict[str, pl.DataFrame]:
    """The tables that `advice` made, by name without ``weekly_``."""
    return {
        "leadtime": con.sql("select * from weekly_leadtime").pl(),
        "site_advice": con.sql("select * from weekly_site_advice").pl(),
        "other_ways": con.sql("select * from weekly_other_ways").pl(),
        "no_advice": con.sql("select * from weekly_no_advice").pl(),
    }


def _fits(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> dict[str, StoredFit]:
    try:
        return load_fits(con, fleet, fitted_week(con, fleet, week_id))
    except ColdMinutesError:
        # No vehicle with a stop has a model: nothing to advise on, and nothing wrong.
        return {}


def _case(
    fleet: Fleet, fit: StoredFit | None, typical: dict[str, Any] | None
) -> tuple[str, Case | None]:
    """What the maths needs of a model, or why there is no advice."""
    if fit is None or typical is None:
        return "no_stops", None
    if not _can_warm(fleet, fit.model_id):
        return "vehicle_cannot_warm", None
    if fit.charge is None:
        return "no_warm_curve", None
    if fit.thermal is None or not fit.charge.usable_kwh > 0:
        return "no_usable_kwh", None
    if fit.charge.cold_form is None:
        return "cold_limit_unknown", None
    if typical["soc_start_pct"] is None or typical["energy_kwh"] is None:
        return "no_typical_charge", None
    return "", Case(
        charging=fit.charge,
        thermal=fit.thermal,
        warm_threshold_degc=fleet.models[fit.model_id].warm_threshold_degc,
        soc_start_pct=typical["soc_start_pct"],
        energy_kwh=typical["energy_kwh"],
        drive_i2_a2=typical["drive_i2_a2"] or 0.0,
        plug_heater=fit.plug_heater,
        least_saved_min=fleet.settings.expected_saving_min,
    )


def _can_warm(fleet: Fleet, model_id: str) -> bool:
    """Whether any vehicle of the model can."""
    if model_id not in fleet.models:
        return False
    told = [v.can_warm for v in fleet.vehicles.values() if v.model == model_id]
    return any(fleet.models[model_id].can_warm if can is None else can for can in told)


def _known_kw(rows: pl.DataFrame, fit: StoredFit) -> pl.DataFrame:
    """Rows with the power of sites that give all the vehicle takes filled in."""
    assert fit.charge is not None
    most_kw = float(np.ceil(fit.charge.reference_kw.max()))
    is_enough = (
        pl.col("site_power_source") == "enough"
        if "site_power_source" in rows.columns
        else pl.lit(True)
    )
    return rows.with_columns(
        site_power_kw=pl.when(is_enough)
        .then(pl.col("site_power_kw").fill_null(most_kw))
        .otherwise("site_power_kw")
    )


def _site_lines(case: Case, states: pl.DataFrame, typical: dict[str, Any]) -> pl.DataFrame:
    few = pl.col("stops_n") < SITE_STOPS_N
    state = ("outside_degc", "pack_degc", "soc_start_pct", "energy_kwh", "approach_min")
    return site_advice(
        case,
        states.with_columns(
            *(
                pl.when(few).then(pl.lit(typical[name], pl.Float64)).otherwise(name).alias(name)
                for name in state
            ),
            is_fleet_median=few,
        ),
    )


def _ways(
    case: Case, site_kw: float, typical: dict[str, Any], site: _Price, depot: _Price
) -> pl.DataFrame:
    """The ways beside each other at the site power most used, in the model's median state."""
    if typical["outside_degc"] is None or typical["pack_degc"] is None:
        return pl.DataFrame(schema=_WAYS).drop(*_TEXT)
    ways = OtherWays(
        depot_price_per_kwh=depot.per_kwh,
        site_price_per_kwh=site.per_kwh,
        charging_efficiency=float(CONSTANTS["charging_efficiency"]),
    )
    found = other_ways(case, site_kw, typical["outside_degc"], typical["pack_degc"], ways)
    return found.with_columns(
        price_source=pl.when(pl.col("way") == "on_the_way")
        .then(pl.lit(site.source))
        .when(pl.col("way") == "on_cable")
        .then(pl.lit(depot.source))
    )


def _price(fleet: Fleet, rows: pl.DataFrame, at_column: str) -> _Price:
    """Median price at the meter over sites and instants; the fleet's price without any."""
    efficiency = float(CONSTANTS["charging_efficiency"])
    price = fleet_price(fleet)
    if rows.is_empty():
        source = "assumed" if price.is_assumed else "fleet_price"
        return _Price(price.per_kwh * efficiency, source)
    found = marginal_price(
        rows, tariffs_of(fleet), fleet.settings.time_zone, price, efficiency, at_column
    )
    # By kWh in the pack; the other ways count from the meter.
    middle = found["marginal_price_per_kwh"].to_numpy()
    source = found["price_source"].value_counts(sort=True)["price_source"][0]
    return _Price(float(np.median(middle)) * efficiency, str(source))


def _at_power(stops: pl.DataFrame, site_kw: float) -> pl.DataFrame:
    return stops.filter(pl.col("site_power_kw") == site_kw)


def _of(rows: pl.DataFrame, model_id: str) -> pl.DataFrame:
    return rows.filter(pl.col("model_id") == model_id)


def _named(rows: pl.DataFrame, fit: StoredFit) -> pl.DataFrame:
    named = rows.with_columns(
        model_id=pl.lit(fit.model_id, pl.String), model_name=pl.lit(fit.model_name, pl.String)
    )
    told = fit.cold.filter(pl.col("cold_source") != "extended")["cell_temp_degc"].to_numpy()
    coldest = float(told.min()) if len(told) else np.inf
    # A knot speaks for half the way to the next.
    half_step = float(np.diff(fit.cold["cell_temp_degc"].to_numpy()[:2])[0]) / 2
    return named.with_columns(is_extrapolated=pl.col("pack_degc") < coldest - half_step)


def _stacked(
    frames: Sequence[pl.DataFrame], schema: Mapping[str, type[pl.DataType]]
) -> pl.DataFrame:
    columns = [pl.col(name).cast(kind) for name, kind in schema.items()]
    whole = [frame.select(columns) for frame in frames]
    return pl.concat([pl.DataFrame(schema=schema), *whole])

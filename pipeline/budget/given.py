"""What a budget is made from: plain tables, and what is learned from them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from pipeline.budget.arrival import ArrivalModel, fit_arrivals, station_offset
from pipeline.budget.counts import CountModel, fit_counts
from pipeline.budget.refusals import refuse
from pipeline.budget.starts import StartModel, fit_starts
from pipeline.budget.tables import ModelFacts
from pipeline.budget.templates import Templates, make_templates
from pipeline.budget.weather import Array, Weather

EXPOSURE = {
    "vehicle_id": pl.String, "month_date": pl.Date, "days_n": pl.Float64, "stops_n": pl.Float64,
}  # fmt: skip
STOPS = {
    "vehicle_id": pl.String, "model_id": pl.String, "local_day": pl.Date, "plug_in_hour": pl.Int64,
    "site_power_kw": pl.Float64, "soc_start_pct": pl.Float64, "energy_kwh": pl.Float64,
    "lead_min": pl.Float64, "able_min": pl.Float64, "approach_min": pl.Float64,
    "drive_i2_a2": pl.Float64, "idle_min": pl.Float64, "break_min": pl.Float64,
    "price_per_kwh": pl.Float64, "fee_per_min": pl.Float64,
}  # fmt: skip
ARRIVALS = {
    "vehicle_id": pl.String, "local_day": pl.Date, "plug_in_hour": pl.Int64,
    "evidence_grade": pl.String, "outside_degc": pl.Float64, "approach_min": pl.Float64,
    "unwarmed_degc": pl.Float64,
    "unwarmed_cold_min": pl.Float64,
}  # fmt: skip
STARTS = {
    "vehicle_id": pl.String, "local_day": pl.Date, "is_started": pl.Boolean, "share": pl.Float64,
}  # fmt: skip
VEHICLES = {
    "vehicle_id": pl.String, "depot_id": pl.String, "model_id": pl.String, "can_warm": pl.Boolean,
    "km_per_kwh": pl.Float64,
}  # fmt: skip


@dataclass(frozen=True)
class Given:
    """Tables of a fleet, with the columns named in this module; all but vehicles may be empty.

    Attributes
    ----------
    vehicles
        Those that the budget is for.
    exposure
        Vehicle and month: days with data, stops on them.
    stops
        What stops are like.
    arrivals
        Packs that arrived un-warmed, or would have, and the cold minutes of that where known.
    starts
        Stops that needed warming and could have had it.
    models
        Physics by model; every model of `vehicles` must be there.
    weather
        Series of outside temperature.
    price_per_kwh
        The fleet's, where a stop has none.
    """

    vehicles: pl.DataFrame
    exposure: pl.DataFrame
    stops: pl.DataFrame
    arrivals: pl.DataFrame
    starts: pl.DataFrame
    models: Mapping[str, ModelFacts]
    weather: Weather
    price_per_kwh: float

    def as_of(self, day: date) -> Given:
        """What was known on the morning of a day: nothing of that day or later.

        The month that is under way counts as not seen; weather of the day and later is left out.
        """
        first = day.replace(day=1)
        return replace(
            self,
            exposure=self.exposure.filter(pl.col("month_date") < first),
            stops=self.stops.filter(pl.col("local_day") < day),
            arrivals=self.arrivals.filter(pl.col("local_day") < day),
            starts=self.starts.filter(pl.col("local_day") < day),
            weather=self.weather.before(day),
        )


def empty(schema: Mapping[str, type[pl.DataType]]) -> pl.DataFrame:
    """A table without rows, for a fleet that has not shown it yet."""
    return pl.DataFrame(schema=dict(schema))


@dataclass(frozen=True)
class Learned:
    """All that a budget draws from.

    Attributes
    ----------
    station_offset_kelvin, station_stops_n
        Vehicles' outside temperature against the series.
    outside_offset_kelvin
        How much warmer than outside packs arrive un-warmed, in the middle.
    """

    given: Given
    counts: CountModel
    arrival: ArrivalModel
    starts: StartModel
    templates: Templates
    station_offset_kelvin: float
    station_stops_n: int
    outside_offset_kelvin: float

    @property
    def assumptions(self) -> pl.DataFrame:
        """What the budget rests on: one row per part, with how much was seen of it.

        Returns
        -------
        DataFrame
            ``part``, ``seen_n`` (rows, stops, vehicle-days, models) and ``is_assumed``: nothing of
            it was seen.
        """
        seen = {
            "stops_per_month": self.counts.days_n,
            "arrival_temperature": float(self.arrival.rows_n),
            "start_rate": float(sum(self.starts.needed_n.values())),
            "typical_stops": float(self.given.stops.height),
            "station_offset": float(self.station_stops_n),
            "weather_days": float(self.given.weather.is_complete.sum()),
        }
        return pl.DataFrame(
            {
                "part": list(seen),
                "seen_n": list(seen.values()),
                "is_assumed": [value == 0 for value in seen.values()],
            }
        )


def learn(given: Given) -> Learned:
    """Learn every part from its table; where one is empty, its prior stands.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-05`` where there is no vehicle, or one whose model is not given.
    """
    if given.vehicles.is_empty():
        raise refuse("BUDGET-05", "vehicles.toml", "the fleet has no vehicle",
                     "Name its vehicles and their models, then ask again.")  # fmt: skip
    named = set(given.vehicles["model_id"].to_list())
    unknown = sorted(str(name) for name in named - set(given.models))
    if unknown:
        raise refuse("BUDGET-05", "vehicles.toml", f"nothing is known of model {unknown[0]!r:.60}",
                     "Give each vehicle a model of models.toml.")  # fmt: skip
    arrival = fit_arrivals(given.arrivals)
    series_degc = _series_at(given.weather, given.arrivals)
    offset, compared_n = station_offset(given.arrivals, series_degc)
    usable = {name: facts.charge.usable_kwh for name, facts in given.models.items()}
    templates = make_templates(given.stops, given.vehicles, usable, given.price_per_kwh)
    middle = given.weather.mean_degc[np.isfinite(given.weather.mean_degc)]
    cold = np.array([np.quantile(middle, 0.25) if len(middle) else 0.0])
    approach = templates.rows["approach_min"].mean()
    rise = arrival.predict(cold, np.array([approach], dtype=float)) - cold
    return Learned(
        given, fit_counts(given.exposure, given.vehicles), arrival, fit_starts(given.starts),
        templates, offset, compared_n, float(rise[0]),
    )  # fmt: skip


def _series_at(weather: Weather, rows: pl.DataFrame) -> Array:
    """The series at local days and hours of rows; NaN where it has none, or no hours."""
    found = np.full(rows.height, np.nan)
    if weather.is_daily or rows.is_empty():
        return found
    day = (rows["local_day"] - weather.first_day).dt.total_days().to_numpy()
    inside = (day >= 0) & (day < weather.days_n)
    hour = rows["plug_in_hour"].fill_null(12).to_numpy()
    found[inside] = weather.hour_degc[day[inside], hour[inside]]
    return found

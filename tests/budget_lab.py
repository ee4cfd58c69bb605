"""Tables of a made-up fleet for tests of the budget, drawn by plain means."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.budget.given import Given
from pipeline.budget.physics import default_facts
from pipeline.budget.weather import Weather


def made_up_weather(
    first_day: date = date(2014, 1, 1), years_n: int = 12, seed: int = 3, swing_kelvin: float = 3.0
) -> Weather:
    """Twelve years of a northern town: season, slow weather, the day's swing."""
    rng = np.random.default_rng(seed)
    days_n = int(years_n * 365.2425)
    day = np.arange(days_n)
    slow = np.empty(days_n)
    level = 0.0
    for k in range(days_n):
        level = 0.8 * level + rng.normal(0, 2.4)
        slow[k] = level
    of_year = np.array([(first_day + timedelta(days=int(k))).timetuple().tm_yday for k in day])
    mean = 6.0 - 10.0 * np.cos((of_year - 20) / 365.25 * 2 * np.pi) + slow
    hours = np.arange(24)
    swing = -swing_kelvin * np.cos((hours - 3) / 24 * 2 * np.pi)
    return Weather(first_day, mean[:, None] + swing, mean)


def made_up_fleet(
    vehicles_n: int = 10,
    months_n: int = 12,
    until: date = date(2026, 9, 1),
    stops_per_day: float = 0.47,
    start_rate: float = 0.5,
    seed: int = 1,
    weather: Weather | None = None,
) -> Given:
    """A fleet with history in the `months_n` months before `until`."""
    rng = np.random.default_rng(seed)
    ids = [f"van-{k:03d}" for k in range(vehicles_n)]
    models = ["bittern" if k % 2 else "plover" for k in range(vehicles_n)]
    rate = stops_per_day * np.exp(rng.normal(0, 0.25, vehicles_n))
    months = []
    first = until
    for _ in range(months_n):
        first = (first - timedelta(days=1)).replace(day=1)
        months.append(first)
    exposure, stops, arrivals, starts = [], [], [], []
    for month in months:
        following = (month + timedelta(days=32)).replace(day=1)
        for v, name in enumerate(ids):
            days = (following - month).days
            count = int(rng.poisson(rate[v] * days * rng.gamma(8, 1 / 8)))
            exposure.append((name, month, float(days), float(count)))
            for _ in range(count):
                day = month + timedelta(days=int(rng.integers(days)))
                outside = 6 - 10 * np.cos((day.timetuple().tm_yday - 20) / 365.25 * 6.283)
                outside += rng.normal(0, 4)
                approach = float(rng.uniform(8, 60))
                pack = 5.0 + 0.7 * outside + 6.0 * approach / 60 + rng.normal(0, 3)
                hour = int(rng.integers(7, 18))
                stops.append(
                    (name, models[v], day, hour, float(rng.choice([50, 100, 150, 150])),
                     float(rng.uniform(10, 40)), float(rng.uniform(20, 40)), min(approach, 30.0),
                     min(approach, 30.0), approach, 1000.0, 0.0, 0.0, 0.40, 0.0)
                )  # fmt: skip
                arrivals.append((name, day, hour, "A", float(outside), approach, float(pack), None))
                if pack < 20.5:
                    is_started = bool(rng.random() < start_rate)
                    starts.append((name, day, is_started, 1.0 if is_started else None))
    from pipeline.budget import given as tables

    def frame(rows: list[tuple[object, ...]], schema: dict[str, type[pl.DataType]]) -> pl.DataFrame:
        return pl.DataFrame(rows, schema=schema, orient="row")

    vehicles = pl.DataFrame(
        {
            "vehicle_id": ids,
            "depot_id": [f"depot-{k % 3}" for k in range(vehicles_n)],
            "model_id": models,
            "can_warm": [True] * vehicles_n,
            "km_per_kwh": [4.8] * vehicles_n,
        }
    )
    return Given(
        vehicles,
        frame(exposure, tables.EXPOSURE),
        frame(stops, tables.STOPS),
        frame(arrivals, tables.ARRIVALS),
        frame(starts, tables.STARTS),
        {"plover": default_facts(60.0), "bittern": default_facts(77.0)},
        weather or made_up_weather(),
        0.40,
    )

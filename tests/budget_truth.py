"""Fleets with a known second winter, made by other means than the budget that is to foretell it.

No formula is shared: stops come from kilowatt-hours used up and batteries run low, not from a
distribution of counts; packs are carried from night to noon and through the approach in half-minute
steps of an energy balance, not by a regression or a closed form; drivers have a rota and fixed
habits and some leave; the charge is an energy balance with a current limit of its own shape.
Levels and spreads are invented for the test (common practice, no source).
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from pipeline.budget import given as tables
from pipeline.budget.given import Given
from pipeline.budget.tables import ModelFacts
from pipeline.budget.weather import Weather
from pipeline.charging import SOC_MID_PCT, ChargeModel
from pipeline.thermal import ThermalModel

WEATHER_FROM = date(2013, 10, 1)
HISTORY_FROM, SEASON_FROM, SEASON_END = date(2025, 10, 1), date(2026, 10, 1), date(2027, 5, 1)
PRICE = 0.40
HEATER_KW = 5.2
HABITS = (0.97, 0.93, 0.75, 0.55, 0.30, 0.10, 0.0)
STEP_MIN = 0.5
OHMIC_KW_PER_KW2 = 0.030
"""Heat in the pack per power squared, of a pack of one kWh."""


def make_weather(rng: np.random.Generator) -> np.ndarray:
    """(days, 24): a year's wave, fronts that come and decay, milder and harder years."""
    days_n = (SEASON_END - WEATHER_FROM).days
    day = np.arange(days_n)
    wave = 7.0 + 10.5 * np.sin(2 * np.pi * (day + 272 - 113) / 365.25)
    front = np.zeros(days_n)
    at = 0.0
    while at < days_n:
        first = int(at)
        span = np.arange(first, min(first + 25, days_n))
        front[span] += rng.normal(0, 5.5) * np.exp(-(span - first) / 4.0)
        at += rng.exponential(3.0)
    year = np.repeat(rng.normal(0, 1.0, days_n // 365 + 2), 365)[:days_n]
    hours = np.arange(24)
    swing = 2.5 * np.sin(2 * np.pi * (hours - 9) / 24)
    return (wave + front + year)[:, None] + swing


def _taper_kw(soc: np.ndarray, usable_kwh: float) -> np.ndarray:
    """Power of the warm pack: level, then falling away exponentially."""
    return usable_kwh * np.minimum(1.9, 0.22 + 2.6 * np.exp(-np.maximum(soc - 30, 0) / 38))


def _cold_share(cell: np.ndarray) -> np.ndarray:
    """Part of it that a cold pack takes: a logistic of temperature, all of it from 21 degC on."""
    share = 1.06 / (1 + np.exp(-(cell - 3.0) / 6.2))
    return np.where(cell >= 21, 1.0, np.clip(share, 0.08, 1.0))


def _charge_min(
    soc: np.ndarray, kwh: np.ndarray, cell: np.ndarray, outside: np.ndarray, site: np.ndarray,
    usable: float, heat_kj: float,
) -> np.ndarray:  # fmt: skip
    """Minutes of each charge, in steps of half a minute."""
    minutes = np.zeros(len(soc))
    at = np.arange(len(soc))
    left = kwh
    for _ in range(1200):
        power = np.minimum(_taper_kw(soc, usable) * _cold_share(cell), site - 0.3)
        step = power * STEP_MIN / 60
        put = np.minimum(step, left)
        minutes[at] += put / step * STEP_MIN
        warm_kw = OHMIC_KW_PER_KW2 * power * power / usable  # losses grow with current squared
        cell = cell + (warm_kw + 0.012 * (outside - cell)) * 60 * STEP_MIN / heat_kj
        soc, left = soc + put / usable * 100, left - put
        on = left > 1e-9
        if not on.any():
            break
        at, soc, left, cell, outside, site = (x[on] for x in (at, soc, left, cell, outside, site))
    return minutes


def make_fleet(seed: int) -> tuple[Given, dict[str, float], pl.DataFrame]:
    """What is known of a fleet in October, the totals of the winter that follows, and every day's.

    Returns
    -------
    given, totals of the season by quantity, daily actuals of the whole time
    """
    rng = np.random.default_rng(seed)
    degc = make_weather(rng)
    usable = 66.0
    heat_kj = 8.0 * usable
    vehicles_n = int(rng.integers(6, 19))
    rows = _stops(rng, degc, vehicles_n, usable)
    frame = _lived(rng, rows, usable, heat_kj)
    return _told(rng, frame, degc, vehicles_n, usable, heat_kj)


def _stops(
    rng: np.random.Generator, degc: np.ndarray, vehicles_n: int, usable: float
) -> list[dict[str, Any]]:
    """Vans that drive, run low and look for a charger."""
    first = (HISTORY_FROM - WEATHER_FROM).days
    days_n = (SEASON_END - HISTORY_FROM).days
    season_day = (SEASON_FROM - HISTORY_FROM).days
    busy = 1 + 0.10 * np.cos(2 * np.pi * (np.arange(days_n) - 75) / 365.25)
    order_book = np.repeat(rng.normal(0, 0.06, days_n // 28 + 1), 28)[:days_n]
    new_year = np.where(np.arange(days_n) >= season_day, rng.normal(0, 0.08), 0.0)
    work = busy * np.exp(order_book + new_year)
    drivers = rng.choice(HABITS, size=vehicles_n + 3)
    leavers = rng.random(len(drivers)) < 0.2
    after = np.where(leavers, rng.choice(HABITS, size=len(drivers)), drivers)
    keeps = rng.permutation(len(drivers))[:vehicles_n]
    found = []
    for v in range(vehicles_n):
        km_mean = rng.normal(150, 28)
        hall = rng.choice([0.0, 0.0, 6.0])
        held_kwh = usable
        far = rng.normal(0, 4)
        for day in range(days_n):
            today = HISTORY_FROM + timedelta(days=day)
            chance = (0.94, 0.94, 0.94, 0.94, 0.94, 0.45, 0.04)[today.weekday()]
            if rng.random() > chance:
                continue
            driver = keeps[v] if rng.random() < 0.7 else rng.integers(len(drivers))
            habit = (after if day >= season_day else drivers)[driver]
            outside = degc[first + day]
            use = 0.27 * (1 + 0.008 * max(15 - outside.mean(), 0))
            need = max(rng.normal(km_mean, 30), 20) * work[day] * use
            held_kwh = min(held_kwh + rng.choice([0.0, 0.25 * usable], p=[0.45, 0.55]), usable)
            clock = 7.0
            while need > 0:
                reserve = rng.uniform(0.10, 0.38) * usable
                leg = max(held_kwh - reserve, 2.0)
                hours = min(leg, need) / use / 38
                clock += hours
                held_kwh -= min(leg, need)
                need -= leg
                if need <= 0:
                    break
                take = rng.uniform(0.30, 0.52) * usable
                found.append(
                    {
                        "v": v, "day": day, "today": today, "hour": int(min(clock, 21)),
                        "outside": float(outside[int(min(clock, 23))]),
                        "night": float(outside[5]) + hall, "drove_h": clock - 7.0,
                        "approach": float(np.clip(rng.gamma(3.0, 11.0) + far, 4, 120)),
                        "soc": max(held_kwh, 4.0) / usable * 100, "kwh": take,
                        "site": float(rng.choice([50, 100, 150, 200])),
                        # Of power squared, on the way: it goes up and down a lot.
                        "drive_kw2": float(rng.uniform(12, 26) ** 2),
                        "starts": bool(rng.random() < habit),
                        "late": float(rng.choice([1.0, 1.0, 1.0, rng.uniform(0.2, 0.7)])),
                    }
                )  # fmt: skip
                held_kwh = min(max(held_kwh, 4.0) + take, usable)
                clock += 0.7
    return found


def _lived(
    rng: np.random.Generator, rows: list[dict[str, Any]], usable: float, heat_kj: float
) -> pl.DataFrame:
    """What became of each stop: the pack's way, the heater, the charge."""
    frame = pl.DataFrame(rows)
    get = {name: frame[name].to_numpy() for name in frame.columns if name not in ("today",)}
    n = frame.height
    morning = get["night"] + rng.normal(3.0, 2.0, n)
    pull = 1 - np.exp(-get["drove_h"] / 3.0)
    cell = morning + pull * (get["outside"] + 11 - morning) + rng.normal(0, 1.6, n)
    plain, warmed = cell.copy(), cell.copy()
    kwh, ran = np.zeros(n), np.zeros(n)
    lead = np.minimum(get["approach"], 30.0)
    allowed = np.where(get["starts"] & (lead >= 5), lead * get["late"], 0.0)
    allowed = np.where(get["soc"] < 20, 0.0, allowed)
    drive_heat = OHMIC_KW_PER_KW2 / usable * get["drive_kw2"]
    for step in range(240):
        left = get["approach"] - step * STEP_MIN
        on_road = left > 0
        is_on = on_road & (left <= allowed) & (warmed < 21.0)
        for pack, heat in ((plain, 0.0), (warmed, HEATER_KW * is_on)):
            flow = drive_heat + heat + 0.013 * (get["outside"] - pack)
            pack += np.where(on_road, flow * 60 * STEP_MIN / heat_kj, 0.0)
        kwh += HEATER_KW * is_on * STEP_MIN / 60
        ran += is_on * STEP_MIN
    warm = np.full(n, 30.0)
    endless = np.full(n, 1e6)

    def minutes(at: np.ndarray, site: np.ndarray) -> np.ndarray:
        return _charge_min(get["soc"], get["kwh"], at, get["outside"], site, usable, heat_kj)

    here = minutes(warmed, get["site"]) - minutes(warm, get["site"])
    free = minutes(warmed, endless) - minutes(warm, endless)
    return frame.with_columns(
        plain=pl.Series(plain), warmed=pl.Series(warmed), warming_kwh=pl.Series(kwh),
        cold_min=pl.Series((here + free) / 2), lead=pl.Series(lead), allowed=pl.Series(allowed),
    )  # fmt: skip


def _told(
    rng: np.random.Generator, frame: pl.DataFrame, degc: np.ndarray, vehicles_n: int,
    usable: float, heat_kj: float,
) -> tuple[Given, dict[str, float], pl.DataFrame]:  # fmt: skip
    """What a year of exports would say of it, and what is kept back."""
    names = [f"van-{v:02d}" for v in range(vehicles_n)]
    frame = frame.with_columns(
        vehicle_id=pl.Series([names[v] for v in frame["v"]]),
        warmed_n=((pl.col("plain") < 20.5) & (pl.col("warmed") >= 20.5)).cast(pl.Float64),
    )
    daily = frame.group_by(local_day="today").agg(
        stops_n=pl.len().cast(pl.Float64),
        warmed_n=pl.col("warmed_n").sum(),
        warming_kwh=pl.col("warming_kwh").sum(),
        warming_cost=pl.col("warming_kwh").sum() * PRICE,
        cold_min=pl.col("cold_min").sum(),
    )
    season = daily.filter(pl.col("local_day") >= SEASON_FROM)
    totals = {name: float(season[name].sum()) for name in daily.columns if name != "local_day"}
    seen = frame.filter(pl.col("today") < SEASON_FROM)
    days = pl.DataFrame(
        {"today": pl.date_range(HISTORY_FROM, SEASON_FROM - timedelta(days=1), eager=True)}
    ).join(pl.DataFrame({"vehicle_id": names}), how="cross")
    # One day in twenty of a vehicle is lost on the way.
    days = days.filter(pl.Series(rng.random(days.height) > 0.05))
    seen = seen.join(days, on=["today", "vehicle_id"], how="semi")
    exposure = (
        days.with_columns(month_date=pl.col("today").dt.month_start())
        .group_by("vehicle_id", "month_date")
        .agg(days_n=pl.len().cast(pl.Float64))
        .join(
            seen.group_by("vehicle_id", month_date=pl.col("today").dt.month_start()).agg(
                stops_n=pl.len().cast(pl.Float64)
            ),
            on=["vehicle_id", "month_date"],
            how="left",
        )
        .with_columns(pl.col("stops_n").fill_null(0.0))
        .sort("vehicle_id", "month_date")
    )
    stops = seen.select(
        "vehicle_id", model_id=pl.lit("m"), local_day="today", plug_in_hour="hour",
        site_power_kw="site", soc_start_pct="soc", energy_kwh="kwh", lead_min="lead",
        able_min=pl.when(pl.col("soc") < 20).then(0.0).otherwise("lead"),
        approach_min="approach", drive_i2_a2=pl.col("drive_kw2") * (1000 / 360) ** 2,
        idle_min=pl.lit(0.0), break_min=pl.lit(0.0), price_per_kwh=pl.lit(PRICE),
        fee_per_min=pl.lit(0.0),
    ).cast(tables.STOPS)  # fmt: skip
    arrivals = seen.select(
        "vehicle_id", local_day="today", plug_in_hour="hour", evidence_grade=pl.lit("A"),
        outside_degc=pl.col("outside") + pl.Series(rng.normal(0, 0.5, seen.height)),
        approach_min="approach",
        unwarmed_degc=pl.col("plain") + pl.Series(rng.normal(0, 0.7, seen.height)),
        unwarmed_cold_min=pl.lit(None),
    ).cast(tables.ARRIVALS)  # fmt: skip
    starts = seen.filter(
        (pl.col("plain") < 20.5) & (pl.col("lead") >= 5) & (pl.col("soc") >= 20)
    ).select(
        "vehicle_id", local_day="today", is_started="starts",
        share=pl.when(pl.col("starts")).then(pl.col("allowed") / pl.col("lead")),
    ).cast(tables.STARTS)  # fmt: skip
    knots = np.arange(-25.0, 23.0, 2.0)
    level = np.exp(rng.normal(0, 0.05))
    facts = ModelFacts(
        charge=ChargeModel(
            _taper_kw(SOC_MID_PCT, usable) * (1 + rng.normal(0, 0.01)), usable, 21.0, "factor",
            knots, np.minimum(_cold_share(knots) ** level, 1.0),
        ),
        thermal=ThermalModel(
            heat_kj * (1 + rng.normal(0, 0.03)), OHMIC_KW_PER_KW2 / usable * 360**2 / 1000, 13.0,
            heater_power_kw=HEATER_KW,
        ),
        plug_heater=None,
        heat_spread=0.03,
        cold_spread=0.06,
    )  # fmt: skip
    series = Weather(WEATHER_FROM, degc, degc.mean(axis=1)).before(SEASON_FROM)
    vehicles = pl.DataFrame(
        {
            "vehicle_id": names, "depot_id": [f"depot-{k % 2}" for k in range(vehicles_n)],
            "model_id": ["m"] * vehicles_n, "can_warm": [True] * vehicles_n,
            "km_per_kwh": [4.8] * vehicles_n,
        }
    )  # fmt: skip
    given = Given(vehicles, exposure, stops, arrivals, starts, {"m": facts}, series, PRICE)
    return given, totals, daily.sort("local_day")

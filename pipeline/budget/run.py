"""The budget of a season: scenarios over simulated winters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.budget.arrival import draw_arrivals
from pipeline.budget.blocks import draw_days, own_days, shift_spread
from pipeline.budget.calibrate import cold_scale
from pipeline.budget.counts import draw_rates
from pipeline.budget.given import Learned
from pipeline.budget.refusals import refuse
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import Season
from pipeline.budget.simulate import Course, World, levels_by_slot, simulate
from pipeline.budget.starts import SHARES, draw_starts
from pipeline.budget.summary import (
    F32,
    QUANTITIES,
    Collector,
    differences,
    percentiles,
    quantities,
    tidy,
    with_season,
)
from pipeline.budget.tables import FIGURES, ModelFacts, stop_table
from pipeline.budget.weather import Weather

PILOT_WINTERS_N = 60
MOST_WINTERS_N = 20_000

Tables = dict[tuple[float | None, float, str | None], F32]
"""Look-up tables by price, minutes earlier and model: scenarios share them."""


@dataclass(frozen=True)
class Budget:
    """What a season may cost.

    Attributes
    ----------
    table
        As `pipeline.budget.summary.tidy`: fleet, depots and vehicles.
    differences
        Scenarios less the first, for the fleet.
    fleet
        (scenarios, winters, months, quantities): what forecasts and warnings are drawn from.
    scenarios
        ``scenario, volume_rate, start_rate, target_hit_rate, attainable_hit_rate``: the start rate
        is the mean of what was drawn; where a target lies above what the time there is allows,
        everybody starts.
    shift_kelvin, shift_seasons_n
        Spread of the seasonal shift, and the seasons it was learned from (0: a default).
    cold_scale, cold_scale_stops_n
        Of cold minutes, from what the report said of the fleet's own stops (0 stops: none).
    """

    season: Season
    table: pl.DataFrame
    differences: pl.DataFrame
    fleet: F32
    scenarios: pl.DataFrame
    shift_kelvin: float
    shift_seasons_n: int
    cold_scale: float
    cold_scale_stops_n: int

    def draws(self, scenario: str, quantity: str) -> F32:
        """(winters, months) of the fleet."""
        names = self.scenarios["scenario"].to_list()
        drawn: F32 = self.fleet[names.index(scenario), :, :, QUANTITIES.index(quantity)]
        return drawn


def run_budget(
    learned: Learned,
    season: Season,
    scenarios: Sequence[Scenario],
    winters_n: int = 1000,
    seed: int = 1,
    observed: Weather | None = None,
    threads_n: int = 2,
    tables: Tables | None = None,
) -> Budget:
    """Simulate a season under every scenario, all on the same winters.

    Parameters
    ----------
    observed
        The season's own weather instead of drawn winters, for what it alone has changed.
    tables
        Look-up tables of other runs of the same `learned`; those made here are added.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-03`` where the weather series cannot cover the season, ``BUDGET-04`` where a
        scenario names a model that is not given.
    """
    if not 2 <= winters_n <= MOST_WINTERS_N:
        raise refuse("BUDGET-06", "--winters", f"got {winters_n}, expected 2 to {MOST_WINTERS_N}",
                     "1000 is enough for two figures.")  # fmt: skip
    given = learned.given
    vehicles_n = given.vehicles.height
    rng = np.random.default_rng(seed)
    spread, seasons_n = (0.0, 0) if observed else shift_spread(given.weather, season)
    world = _world(learned, season, winters_n, spread, rng, observed)
    rates = draw_starts(learned.starts, world.vehicle_ids, winters_n, rng)
    tables = {} if tables is None else tables
    wants_target = any(scenario.warming == "target" for scenario in scenarios)
    attainable = _attainable(learned, world, seed, tables) if wants_target else np.nan
    courses = [_course(learned, scenario, rates, attainable, tables) for scenario in scenarios]
    heat, cold = _scales(learned, winters_n, rng)
    scale, scale_stops_n = _cold_scale(learned, tables)
    cold *= np.float32(scale)
    depots = sorted(set(given.vehicles["depot_id"].fill_null("").to_list()))
    number = {name: k for k, name in enumerate(depots)}
    collector = Collector(
        np.array([number[name] for name in given.vehicles["depot_id"].fill_null("")]), len(depots)
    )
    km_per_kwh = given.vehicles["km_per_kwh"].to_list()
    for at, sums in enumerate(simulate(world, courses, seed, threads_n)):
        collector.take(quantities(sums, km_per_kwh[at], heat, cold))
    names, months = [scenario.name for scenario in scenarios], season.month_ids
    of_depots = [percentiles(with_season(d)) for d in collector.depots if d is not None]
    table = pl.concat(
        [
            tidy("fleet", ["fleet"], [percentiles(with_season(collector.fleet))], names, months),
            tidy("depot", depots, of_depots, names, months),
            tidy("vehicle", world.vehicle_ids, collector.vehicles, names, months),
        ]
    )
    return Budget(
        season, table, differences(collector.fleet, names, months), collector.fleet,
        _described(scenarios, courses, attainable, vehicles_n), spread, seasons_n,
        scale, scale_stops_n,
    )  # fmt: skip


def _world(
    learned: Learned, season: Season, winters_n: int, shift_spread_kelvin: float,
    rng: np.random.Generator, observed: Weather | None,
) -> World:  # fmt: skip
    given = learned.given
    ids = given.vehicles["vehicle_id"].to_list()
    rates = draw_rates(learned.counts, ids, season.calendar_months, winters_n, rng)
    arrival = draw_arrivals(learned.arrival, winters_n, rng)
    known = learned.arrival.vehicle_kelvin
    middle = np.array([known.get(name, 0.0) for name in ids])
    error = np.array(
        [
            learned.arrival.vehicle_se_kelvin.get(name, learned.arrival.vehicle_spread_kelvin)
            for name in ids
        ]
    )
    offsets = middle + error * rng.standard_normal((winters_n, len(ids)))
    if observed is None:
        weather = given.weather
        day = draw_days(weather, season, winters_n, rng)
    else:
        weather = observed
        day = np.tile(own_days(observed, season), (winters_n, 1))
    return World(
        vehicle_ids=ids,
        month_days=season.month_days,
        month_from_day=season.month_from_day,
        common_log_rate=rates.common,
        vehicle_log_rate=rates.vehicle,
        dispersion=rates.dispersion,
        weather_day=day,
        weather_shift_kelvin=(shift_spread_kelvin * rng.standard_normal(winters_n)).astype(
            np.float32
        ),
        hour_degc=(weather.hour_degc + learned.station_offset_kelvin).astype(np.float32),
        hours=learned.templates.hours,
        arrival=arrival.coefficients,
        residual_kelvin=arrival.residual_kelvin,
        vehicle_kelvin=offsets.astype(np.float32),
        approach_h=np.minimum(learned.templates.rows["approach_min"].to_numpy() / 60, 2.0).astype(
            np.float32
        ),
    )


def _cold_scale(learned: Learned, tables: Tables) -> tuple[float, int]:
    """The scale of the fleet as it is, whatever scenarios are asked for."""
    key = (None, 0.0, None)
    if key not in tables:
        if (
            learned.given.arrivals["unwarmed_cold_min"].null_count()
            == learned.given.arrivals.height
        ):
            return 1.0, 0
        tables[key] = stop_table(
            dict(learned.given.models), learned.templates.rows, learned.outside_offset_kelvin
        )
    return cold_scale(learned.given.arrivals, tables[key], learned.templates.slots)


def _course(
    learned: Learned, scenario: Scenario, rates: F32, attainable: float, tables: Tables
) -> Course:
    models = learned.given.models
    vehicles_n = learned.given.vehicles.height
    if scenario.vehicle_model is not None and scenario.vehicle_model not in models:
        raise refuse(
            "BUDGET-04", f"scenario {scenario.name!r:.60}, key vehicle_model",
            f"got {scenario.vehicle_model!r:.60}, expected one of: {', '.join(sorted(models))}",
            "Describe the model in models.toml, or mend the name.",
        )  # fmt: skip
    key = (scenario.price_per_kwh, scenario.starts_earlier_min, scenario.vehicle_model)
    if key not in tables:
        tables[key] = stop_table(
            dict(models), learned.templates.rows, learned.outside_offset_kelvin, *key
        )
    if scenario.vehicle_model is not None:
        can = np.full(vehicles_n, models[scenario.vehicle_model].can_warm)
    else:
        can = learned.given.vehicles["can_warm"].fill_null(True).to_numpy()
    every = np.full(256, len(SHARES) - 1, dtype=np.int32)
    if scenario.warming == "as_today":
        start, levels = rates, levels_by_slot(learned.starts.share_weights)
    elif scenario.warming == "target":
        goal = float(scenario.target_hit_rate or 0.0)
        part = min(1.0, goal / attainable) if attainable > 0 else 1.0
        start, levels = np.full_like(rates, part), every
    else:
        start, levels = np.full_like(rates, float(scenario.warming == "everyone")), every
    return Course(
        tables[key], learned.templates.slots, scenario.volume(vehicles_n),
        scenario.winter_shift_kelvin, (start * can).astype(np.float32), levels,
    )  # fmt: skip


def _attainable(learned: Learned, world: World, seed: int, tables: Tables) -> float:
    """Hit rate if everybody who can warms from the first possible minute, on a few winters."""
    few = min(PILOT_WINTERS_N, world.winters_n)
    cut = {
        name: getattr(world, name)[:few]
        for name in ("common_log_rate", "vehicle_log_rate", "dispersion", "weather_day",
                     "weather_shift_kelvin", "arrival", "residual_kelvin", "vehicle_kelvin")
    }  # fmt: skip
    pilot = World(**{**world.__dict__, **cut})
    everyone = Scenario(name="everyone", warming="everyone")
    rates = np.ones((few, len(world.vehicle_ids)), np.float32)
    course = _course(learned, everyone, rates, np.nan, tables)
    total = sum(
        sums.sum(axis=(0, 1, 2), dtype=np.float64) for sums in simulate(pilot, [course], seed)
    )
    figures = dict(zip(FIGURES, np.asarray(total).tolist(), strict=True))
    return figures["warmed_n"] / figures["needed_n"] if figures["needed_n"] else np.nan


def _scales(learned: Learned, winters_n: int, rng: np.random.Generator) -> tuple[F32, F32]:
    """(winters,) what physics is out by: one draw a winter, common to all vehicles of the fleet."""
    used: list[ModelFacts] = [
        learned.given.models[name] for name in learned.given.vehicles["model_id"].to_list()
    ]
    heat = float(np.mean([facts.heat_spread for facts in used]))
    cold = float(np.mean([facts.cold_spread for facts in used]))
    heat_scale = np.maximum(1 + heat * rng.standard_normal(winters_n), 0.1)
    # Right on average, not in the middle: means of quantities then are those of the model.
    cold_scale = np.exp(cold * rng.standard_normal(winters_n) - cold**2 / 2)
    return heat_scale.astype(np.float32), cold_scale.astype(np.float32)


def _described(
    scenarios: Sequence[Scenario], courses: list[Course], attainable: float, vehicles_n: int
) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "scenario": [scenario.name for scenario in scenarios],
            "volume_rate": [scenario.volume(vehicles_n) for scenario in scenarios],
            "start_rate": [float(np.minimum(course.start_rate, 1).mean()) for course in courses],
            "target_hit_rate": [scenario.target_hit_rate for scenario in scenarios],
            "attainable_hit_rate": [
                attainable if s.warming == "target" and np.isfinite(attainable) else None
                for s in scenarios
            ],
        },
        schema={
            "scenario": pl.String, "volume_rate": pl.Float64, "start_rate": pl.Float64,
            "target_hit_rate": pl.Float64, "attainable_hit_rate": pl.Float64,
        },
    )  # fmt: skip

"""Budgets ready to be printed, made from made-up tables without a warehouse."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from budget_lab import made_up_fleet
from fleets import FLEET_TOML, write_fleet

from pipeline.budget import Budget, Given, backtest, learn, run_budget
from pipeline.budget.backtest import scores
from pipeline.budget.blocks import season_means_by_year, shift_spread
from pipeline.budget.course import explained, forecast_rest, on_course
from pipeline.budget.drivers import start_rates, swings, winter_scenarios, without_winters
from pipeline.budget.scenario import Scenario, standard_scenarios
from pipeline.budget.season import parse_season
from pipeline.config import Fleet, load_fleet
from pipeline.report.budget.data import BudgetPaper, CourseFound, History, Tested, WeatherSource

SEASON = parse_season("2026-10..2027-04")
HOSTILE = "=1+1<script>x</script>{{ 7*7 }} \u202eحافلة"
TODAY = Scenario(name="as_today")
MODELS = """
[models.plover]
name = "Plover"
usable_kwh = 60
[models.bittern]
name = "Bittern"
usable_kwh = 77
"""


def fleet_of(given: Given, folder: Path, settings: str = "") -> Fleet:
    """The configuration that fits made-up tables."""
    vehicles = "".join(
        f'[vehicles.{row["vehicle_id"]}]\nmodel = "{row["model_id"]}"\n'
        for row in given.vehicles.iter_rows(named=True)
    )
    top = FLEET_TOML + "target_hit_rate = 0.3\ndriver_value_per_hour = 30\n" + settings
    return load_fleet(write_fleet(folder, top, models=MODELS, vehicles=vehicles, sites=""))


def budget_of(given: Given, winters_n: int = 200, more: tuple[Scenario, ...] = ()) -> Budget:
    """As the command makes it, the winters of its drivers included."""
    shift, _n = shift_spread(given.weather, SEASON)
    scenarios = [*standard_scenarios(0.3), *more, *winter_scenarios(shift)]
    return run_budget(learn(given), SEASON, scenarios, winters_n)


def daily(budget: Budget, scale: float = 1.0) -> pl.DataFrame:
    """Actuals that bring the mean of every month, scaled."""
    names = ("stops_n", "warming_kwh", "warming_cost", "cold_min", "cost")
    frames = []
    for at, first in enumerate(SEASON.edges[:-1]):
        days = int(SEASON.month_days[at])
        per_day = {
            name: scale * float(budget.draws("as_today", name)[:, at].mean()) / days
            for name in names
        }
        dates = [first + timedelta(days=k) for k in range(days)]
        frames.append(pl.DataFrame({"local_day": dates}).with_columns(**{
            name: pl.lit(value) for name, value in per_day.items()
        }))  # fmt: skip
    return pl.concat(frames)


def history_days(given: Given) -> pl.DataFrame:
    """Daily sums as the made-up history may have brought them: stops, and 2 kWh at each third."""
    return (
        given.stops.group_by("local_day")
        .agg(stops_n=pl.len().cast(pl.Float64))
        .with_columns(
            warming_kwh=pl.col("stops_n") * 0.7,
            warming_cost=pl.col("stops_n") * 0.28,
            cold_min=pl.col("stops_n") * 3.0,
        )
    )


def paper_of(
    given: Given,
    *,
    winters_n: int = 200,
    more: tuple[Scenario, ...] = (),
    course_scale: float | None = None,
    is_tested: bool = False,
    names: dict[str, str] | None = None,
) -> BudgetPaper:
    """A budget with all that was asked for, ready for its page."""
    learned, whole = learn(given), budget_of(given, winters_n, more)
    budget = without_winters(whole)
    rates = start_rates(learned, winters_n, 1)
    stops_n = given.stops.height
    days = given.stops["local_day"]
    ends = np.quantile(budget.draws("as_today", "cost").sum(axis=1), (0.1, 0.5, 0.9)).tolist()
    course = None
    if course_scale is not None:
        as_of = date(2027, 1, 10)
        actual = daily(budget, course_scale)
        usual = replace(given.weather, first_day=date(2015, 10, 1))
        course = CourseFound(
            "as_today", ("2026-10", "2026-11", "2026-12"), (), 1.0,
            on_course(budget, actual, as_of, forecast_rest(learned, SEASON, as_of, [TODAY], 60)),
            explained(budget, learned, actual, usual, as_of, winters_n=10),
            "", True, date(2026, 9, 1), tuple(given.vehicles["vehicle_id"]), ("van-x",), 3,
        )  # fmt: skip
    tested = None
    if is_tested:
        months = backtest(
            given, history_days(given), date(2026, 7, 1), date(2026, 8, 1), winters_n=40
        )
        tested = Tested(months, scores(months), ())
    return BudgetPaper(
        budget=budget,
        learned=learned,
        season_id="2026-10..2027-04",
        as_of=date(2026, 9, 1),
        winters_n=winters_n,
        seed=1,
        rates=rates,
        swings=swings(whole, learned, rates),
        widths=pl.DataFrame(
            {"history": ["now"], "days_n": [365 if stops_n else 0], "p10_value": [ends[0]],
             "p50_value": [ends[1]], "p90_value": [ends[2]]}
        ),
        history=History(
            days.min() if stops_n else None, days.max() if stops_n else None,  # type: ignore[arg-type]
            given.vehicles.height, stops_n, ("van-y",), 1,
        ),
        weather=WeatherSource(
            "weather.csv", False, False, given.weather.first_day, given.weather.days[-1],
            season_means_by_year(given.weather, SEASON),
        ),
        scenarios=more,
        names=names or {},
        course=course,
        is_kept=True,
        tested=tested,
    )  # fmt: skip


def made_up(vehicles_n: int = 6, months_n: int = 12) -> Given:
    """A fleet of the lab, of three depots."""
    return made_up_fleet(vehicles_n, months_n)

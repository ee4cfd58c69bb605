"""A budget from tables to P10, P50 and P90: scenarios, units, months, and what stays equal."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest
from budget_lab import made_up_fleet, made_up_weather

from pipeline.budget import Budget, Given, Learned, learn, run_budget
from pipeline.budget import given as tables
from pipeline.budget.scenario import Scenario, parse_scenario, standard_scenarios
from pipeline.budget.season import parse_season
from pipeline.budget.summary import QUANTITIES, SEASON_ID
from pipeline.problems import ColdMinutesError

SEASON = parse_season("2026-11..2027-02")
SCENARIOS = [
    *standard_scenarios(0.4),
    parse_scenario("dear: price_per_kwh=0.80"),
    parse_scenario("cold: winter_shift_kelvin=-4"),
    parse_scenario("more: fleet_size=12"),
    parse_scenario("less: mileage_growth_rate=-0.5"),
    parse_scenario("early: starts_earlier_min=20, warming=everyone"),
    parse_scenario("big: vehicle_model=bittern"),
]


@pytest.fixture(scope="module")
def given() -> Given:
    return made_up_fleet(vehicles_n=6, months_n=12)


@pytest.fixture(scope="module")
def learned(given: Given) -> Learned:
    return learn(given)


@pytest.fixture(scope="module")
def budget(learned: Learned) -> Budget:
    return run_budget(learned, SEASON, SCENARIOS, 400)


def value(
    budget: Budget, scenario: str, quantity: str, column: str = "mean_value",
    month: str = SEASON_ID, unit: str = "fleet",
) -> float:  # fmt: skip
    rows = budget.table.filter(
        (pl.col("scenario") == scenario) & (pl.col("quantity") == quantity)
        & (pl.col("month_id") == month) & (pl.col("unit_id") == unit)
    )  # fmt: skip
    return float(rows[column].item())


def test_the_table_is_whole(budget: Budget) -> None:
    units = 1 + 3 + 6
    assert budget.table.height == units * len(SCENARIOS) * 5 * len(QUANTITIES)
    assert budget.table.null_count().sum_horizontal().item() == 0
    ordered = budget.table.filter(
        (pl.col("p10_value") > pl.col("p50_value")) | (pl.col("p50_value") > pl.col("p90_value"))
    )
    assert ordered.is_empty()
    keys = budget.table.select("scenario", "month_id", "unit_kind", "unit_id", "quantity")
    assert keys.is_unique().all()


def test_means_add_up_over_units_and_months(budget: Budget) -> None:
    rows = budget.table.filter(pl.col("quantity") == "warming_kwh")
    season = rows.filter(pl.col("month_id") == SEASON_ID)
    by_kind = season.group_by("scenario", "unit_kind").agg(pl.col("mean_value").sum())
    spread = by_kind.group_by("scenario").agg(
        pl.col("mean_value").max() - pl.col("mean_value").min(), most=pl.col("mean_value").max()
    )
    assert (spread["mean_value"] <= 1e-4 * spread["most"] + 1e-9).all()
    months = rows.filter((pl.col("month_id") != SEASON_ID) & (pl.col("unit_kind") == "fleet"))
    per_month = months.group_by("scenario").agg(pl.col("mean_value").sum())
    for scenario, total in per_month.iter_rows():
        assert total == pytest.approx(value(budget, scenario, "warming_kwh"), rel=1e-4, abs=1e-6)


def test_the_seasons_interval_is_narrower_than_the_sum_of_the_months(budget: Budget) -> None:
    months = budget.table.filter(
        (pl.col("scenario") == "as_today") & (pl.col("quantity") == "cold_min")
        & (pl.col("unit_kind") == "fleet") & (pl.col("month_id") != SEASON_ID)
    )  # fmt: skip
    summed = months["p90_value"].sum() - months["p10_value"].sum()
    whole = value(budget, "as_today", "cold_min", "p90_value") - value(
        budget, "as_today", "cold_min", "p10_value"
    )
    assert whole < 0.98 * summed


def test_everyone_nobody_and_today(budget: Budget) -> None:
    assert value(budget, "nobody", "warming_kwh") == 0
    for more, less in (("everyone", "as_today"), ("as_today", "nobody")):
        assert value(budget, more, "warming_kwh") > value(budget, less, "warming_kwh")
        assert value(budget, more, "cold_min") < value(budget, less, "cold_min")
        assert value(budget, more, "stops_n") == value(budget, less, "stops_n")
        assert value(budget, more, "needed_n") == value(budget, less, "needed_n")
    # Half of them started in the history.
    share = value(budget, "as_today", "warming_kwh") / value(budget, "everyone", "warming_kwh")
    assert 0.35 < share < 0.6


def test_the_target_is_hit(budget: Budget) -> None:
    rate = value(budget, "target", "warmed_n") / value(budget, "target", "needed_n")
    assert rate == pytest.approx(0.4, abs=0.02)


def test_a_target_beyond_what_time_allows_is_said(learned: Learned) -> None:
    budget = run_budget(learned, SEASON, standard_scenarios(0.99)[1:], 60)
    row = budget.scenarios.filter(pl.col("scenario") == "target").row(0, named=True)
    assert row["attainable_hit_rate"] < 0.99
    assert value(budget, "target", "warmed_n") == value(budget, "everyone", "warmed_n")


def test_own_scenarios(budget: Budget) -> None:
    today = {name: value(budget, "as_today", name) for name in QUANTITIES}
    assert value(budget, "dear", "warming_cost") == pytest.approx(
        2 * today["warming_cost"], rel=1e-4
    )
    assert value(budget, "dear", "cold_min") == pytest.approx(today["cold_min"])
    assert value(budget, "cold", "cold_min") > 1.2 * today["cold_min"]
    assert value(budget, "cold", "stops_n") == today["stops_n"]
    assert value(budget, "more", "stops_n") == pytest.approx(2 * today["stops_n"], rel=0.01)
    assert value(budget, "less", "warming_kwh") == pytest.approx(
        0.5 * today["warming_kwh"], rel=0.03
    )
    assert value(budget, "early", "warmed_n") > 1.02 * value(budget, "everyone", "warmed_n")
    # Every second van already is of the bigger model, whose pack takes more to warm.
    assert value(budget, "big", "warming_kwh") > 1.02 * today["warming_kwh"]
    assert value(budget, "as_today", "range_given_up_km") == pytest.approx(
        4.8 * today["warming_kwh"], rel=1e-4
    )


def test_differences_are_sharper_than_two_budgets(budget: Budget) -> None:
    """Common random numbers: the spread of the difference, not the difference of the spreads."""
    row = budget.differences.filter(
        (pl.col("scenario") == "everyone") & (pl.col("quantity") == "warmed_n")
        & (pl.col("month_id") == SEASON_ID)
    )  # fmt: skip
    width = row["p90_value"].item() - row["p10_value"].item()
    draws = [budget.draws(name, "warmed_n").sum(axis=1) for name in ("as_today", "everyone")]
    apart = np.random.default_rng(1).permutation(draws[1]) - draws[0]
    independent = np.quantile(apart, 0.9) - np.quantile(apart, 0.1)
    assert width < 0.85 * independent
    assert row["than_scenario"].item() == "as_today"


def test_equal_seeds_give_equal_budgets_however_many_threads(learned: Learned) -> None:
    first = run_budget(learned, SEASON, SCENARIOS[:2], 50, seed=9, threads_n=1)
    again = run_budget(learned, SEASON, SCENARIOS[:2], 50, seed=9, threads_n=3)
    other = run_budget(learned, SEASON, SCENARIOS[:2], 50, seed=10)
    assert first.table.equals(again.table)
    assert not first.table.equals(other.table)


def test_a_further_scenario_changes_no_other(learned: Learned, budget: Budget) -> None:
    alone = run_budget(learned, SEASON, SCENARIOS[:3], 400)
    for name in ("as_today", "everyone", "nobody"):
        for quantity in ("stops_n", "cold_min"):
            assert value(alone, name, quantity) == value(budget, name, quantity)


def test_vehicles_that_cannot_warm_never_do(given: Given) -> None:
    vehicles = given.vehicles.with_columns(can_warm=pl.col("vehicle_id") != "van-000")
    budget = run_budget(learn(replace(given, vehicles=vehicles)), SEASON, SCENARIOS[:2], 40)
    assert value(budget, "everyone", "warming_kwh", unit="van-000") == 0
    assert value(budget, "everyone", "warming_kwh", unit="van-001") > 0


def test_intervals_shrink_as_data_arrive(given: Given) -> None:
    """No history, three weeks, a year: honest before, sharper after (cold start)."""
    schemas = {
        "exposure": tables.EXPOSURE, "stops": tables.STOPS, "arrivals": tables.ARRIVALS,
        "starts": tables.STARTS,
    }  # fmt: skip
    none = replace(given, **{name: tables.empty(schema) for name, schema in schemas.items()})
    late = date(2026, 8, 1)
    recent = pl.col("local_day").is_between(late, date(2026, 8, 21))
    weeks = replace(
        given,
        exposure=given.stops.filter(recent)
        .group_by("vehicle_id")
        .agg(stops_n=pl.len().cast(pl.Float64))
        .select("vehicle_id", month_date=pl.lit(late), days_n=pl.lit(21.0), stops_n="stops_n"),
        **{name: getattr(given, name).filter(recent) for name in ("stops", "arrivals", "starts")},
    )
    widths = {}
    for name, known in (("none", none), ("weeks", weeks), ("year", given)):
        made = learn(known)
        budget = run_budget(made, SEASON, SCENARIOS[:1], 400)
        draws = budget.draws("as_today", "warming_kwh").sum(axis=1)
        widths[name] = float(np.log(np.quantile(draws, 0.9) / np.quantile(draws, 0.1)))
        assumed = made.assumptions.filter(pl.col("is_assumed"))["part"].to_list()
        assert ("stops_per_month" in assumed) == (name == "none")
    assert widths["none"] > 1.5 * widths["weeks"]
    assert widths["weeks"] > 1.2 * widths["year"]
    assert widths["year"] > 0.2


def test_the_winters_own_weather(learned: Learned) -> None:
    """With the season observed, a colder one costs more, and the clock of the series counts."""
    usual = made_up_weather(first_day=date(2026, 10, 1), years_n=1, seed=5)
    costs = [
        value(run_budget(learned, SEASON, SCENARIOS[2:3], 60, observed=usual.with_shift(k)),
              "nobody", "cold_min")
        for k in (0.0, -3.0)
    ]  # fmt: skip
    assert costs[1] > 1.15 * costs[0]
    with pytest.raises(ColdMinutesError, match="BUDGET-03"):
        run_budget(learned, SEASON, SCENARIOS[:1], 10, observed=usual.before(date(2027, 1, 5)))


def test_what_physics_may_be_out_by_widens_the_interval(given: Given, learned: Learned) -> None:
    def spread(name: str, **known: float) -> float:
        sure = {
            key: replace(facts, heat_spread=0.0, cold_spread=0.0)
            for key, facts in given.models.items()
        }
        models = {key: replace(facts, **known) for key, facts in sure.items()}
        budget = run_budget(
            replace(learned, given=replace(given, models=models)), SEASON, SCENARIOS[1:2], 100
        )
        draws = budget.draws("everyone", name).sum(axis=1)
        return float(draws.std() / draws.mean())

    for name, known in (("warming_kwh", "heat_spread"), ("cold_min", "cold_spread")):
        assert spread(name, **{known: 0.5}) > spread(name) + 0.1


def test_vehicles_that_read_warmer_than_the_series(learned: Learned) -> None:
    """The series is moved to what the vehicles' own thermometers show."""
    costs = [
        value(
            run_budget(replace(learned, station_offset_kelvin=offset), SEASON, SCENARIOS[2:3], 60),
            "nobody", "cold_min",
        )
        for offset in (0.0, 3.0)
    ]  # fmt: skip
    assert costs[1] < 0.9 * costs[0]


def test_cold_minutes_are_held_to_those_of_the_report(given: Given, learned: Learned) -> None:
    def budget_of(minutes: pl.Expr) -> Budget:
        rows = given.arrivals.with_columns(unwarmed_cold_min=minutes)
        known = replace(learned, given=replace(given, arrivals=rows))
        return run_budget(known, SEASON, SCENARIOS[2:3], 40)

    cold = 8.0 - 0.4 * pl.col("unwarmed_degc").clip(-40, 20)
    silent = budget_of(pl.lit(None, pl.Float64))
    assert (silent.cold_scale, silent.cold_scale_stops_n) == (1.0, 0)
    one, double = budget_of(cold), budget_of(2 * cold)
    assert one.cold_scale_stops_n == given.arrivals.height
    assert double.cold_scale == pytest.approx(2 * one.cold_scale, rel=0.06)
    for budget in (one, double):
        assert value(budget, "nobody", "cold_min") == pytest.approx(
            budget.cold_scale * value(silent, "nobody", "cold_min"), rel=1e-4
        )
    # Three stops are not believed wholly.
    few = budget_of(pl.when(pl.int_range(pl.len()) < 3).then(0.0))
    assert few.cold_scale_stops_n == 3
    assert 0.8 < few.cold_scale < 1.0


def test_what_cannot_be_budgeted_is_refused(given: Given, learned: Learned) -> None:
    with pytest.raises(ColdMinutesError, match="no vehicle"):
        learn(replace(given, vehicles=given.vehicles.head(0)))
    with pytest.raises(ColdMinutesError, match="model 'bittern'"):
        learn(replace(given, models={"plover": given.models["plover"]}))
    with pytest.raises(ColdMinutesError, match="expected one of: bittern, plover"):
        run_budget(learned, SEASON, [Scenario(name="x", vehicle_model="swan")], 10)
    with pytest.raises(ColdMinutesError, match="BUDGET-06"):
        run_budget(learned, SEASON, SCENARIOS[:1], 1)

"""Budget against actual: on course, explained, back-tested."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from budget_lab import made_up_fleet, made_up_weather

from pipeline.budget import Budget, Given, Learned, backtest, learn, run_budget
from pipeline.budget.backtest import scores
from pipeline.budget.course import explained, forecast_rest, monthly, months_done, on_course
from pipeline.budget.cover import covered_rates
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import parse_season
from pipeline.budget.variance import CAUSES, factors, split, variance_table

SEASON = parse_season("2026-11..2027-02")
TODAY = [Scenario(name="as_today")]
AS_OF = date(2027, 1, 10)


@pytest.fixture(scope="module")
def given() -> Given:
    return made_up_fleet(vehicles_n=5, months_n=12)


@pytest.fixture(scope="module")
def learned(given: Given) -> Learned:
    return learn(given)


@pytest.fixture(scope="module")
def budget(learned: Learned) -> Budget:
    return run_budget(learned, SEASON, TODAY, 300)


def actual_like(
    budget: Budget, scale: float = 1.0, price: float = 0.40, stops: float = 1.0
) -> pl.DataFrame:
    """Daily actuals that bring the budget's mean, every day alike, scaled."""
    rows = []
    months = zip(SEASON.month_ids, SEASON.edges, SEASON.month_days, strict=False)
    for at, (_, first, days) in enumerate(months):
        for k in range(int(days)):
            kwh = scale * budget.draws("as_today", "warming_kwh")[:, at].mean() / days
            rows.append(
                {
                    "local_day": first + timedelta(days=k),
                    "stops_n": stops * budget.draws("as_today", "stops_n")[:, at].mean() / days,
                    "warming_kwh": kwh,
                    "warming_cost": kwh * price,
                    "cold_min": budget.draws("as_today", "cold_min")[:, at].mean() / days,
                }
            )
    return pl.DataFrame(rows)


def test_whole_months_count_only() -> None:
    assert months_done(SEASON, date(2026, 11, 30)) is None
    done = months_done(SEASON, AS_OF)
    assert done is not None and done.month_ids == ["2026-11", "2026-12"]


def test_a_month_without_rows_is_nothing_and_null_is_nothing() -> None:
    rows = pl.DataFrame(
        {"local_day": [date(2026, 11, 3), date(2026, 11, 3), date(2026, 10, 31)],
         "warming_kwh": [2.0, None, 5.0]}
    )  # fmt: skip
    sums = monthly(rows, SEASON)
    assert sums["month_id"].to_list() == SEASON.month_ids
    assert sums["warming_kwh"].to_list() == [2.0, 0.0, 0.0, 0.0]


def test_on_course_and_off_it(budget: Budget, learned: Learned) -> None:
    rest = forecast_rest(learned, SEASON, AS_OF, TODAY, 300)
    assert rest is not None and rest.season.month_ids == ["2027-01", "2027-02"]
    found = on_course(budget, actual_like(budget), AS_OF, rest)
    assert not found["is_outside"].any()
    row = found.filter(pl.col("quantity") == "warming_kwh").row(0, named=True)
    # What is past is no longer uncertain.
    forecast = row["forecast_p90_value"] - row["forecast_p10_value"]
    assert forecast < row["season_p90_value"] - row["season_p10_value"]
    assert row["forecast_p10_value"] < row["season_p50_value"] < row["forecast_p90_value"]
    double = on_course(budget, actual_like(budget, scale=2.5), AS_OF, rest)
    warned = double.filter(pl.col("is_outside"))["quantity"].to_list()
    assert warned == ["warming_kwh", "warming_cost"]
    more = double.filter(pl.col("quantity") == "warming_kwh").row(0, named=True)
    assert more["forecast_p50_value"] - row["forecast_p50_value"] == pytest.approx(
        more["actual_value"] - row["actual_value"]
    )


def test_at_the_end_the_forecast_is_the_actual(budget: Budget, learned: Learned) -> None:
    end = SEASON.end_day
    assert forecast_rest(learned, SEASON, end, TODAY) is None
    found = on_course(budget, actual_like(budget), end, None)
    assert found["forecast_p10_value"].to_list() == found["actual_value"].to_list()
    with pytest.raises(ValueError, match="rest"):
        on_course(budget, actual_like(budget), AS_OF, None)
    with pytest.raises(ValueError, match="no month"):
        on_course(budget, actual_like(budget), SEASON.first_day, None)


def test_what_nobody_saw_leaves_both_sides_and_is_forecast_as_budgeted(
    budget: Budget, learned: Learned
) -> None:
    rest = forecast_rest(learned, SEASON, AS_OF, TODAY, 70)
    covered = np.array([0.0, 0.9])
    seen = actual_like(budget).filter(
        pl.col("local_day").is_between(date(2026, 12, 4), date(2026, 12, 31))
    )
    stray = seen.head(1).with_columns(local_day=date(2026, 11, 30))  # of a month that is left out
    found = on_course(budget, pl.concat([seen, stray]), AS_OF, rest, covered=covered)
    assert not found["is_outside"].any()
    row = found.filter(pl.col("quantity") == "stops_n").row(0, named=True)
    drawn = budget.draws("as_today", "stops_n")
    assert row["actual_value"] == pytest.approx(seen["stops_n"].sum())
    assert row["budget_p50_value"] == pytest.approx(np.median(drawn[:, 1]) * 0.9)
    unseen = np.median(drawn[:, 0]) + 0.1 * np.median(drawn[:, 1])
    assert rest is not None
    coming = np.median(rest.draws("as_today", "stops_n").sum(axis=1))
    assert row["forecast_p50_value"] == pytest.approx(
        row["actual_value"] + unseen + coming, rel=0.05
    )
    usual = made_up_weather(first_day=date(2026, 10, 1), years_n=1, seed=5)
    table = explained(budget, learned, seen, usual, AS_OF, winters_n=10, covered=covered)
    assert table["month_id"].unique().to_list() == ["2026-12"]
    volume = table.filter(pl.col("quantity") == "warming_kwh").row(0, named=True)
    assert volume["budget_stops_n"] == pytest.approx(0.9 * drawn[:, 1].mean(), rel=1e-4)
    assert abs(volume["volume_part_value"]) < 0.01 * volume["budget_value"]


def test_how_much_of_a_month_is_covered_is_weighed_by_what_it_asks() -> None:
    exposure = pl.DataFrame(
        {"vehicle_id": ["a", "a", "b", "b", "c"],
         "month_date": [date(2026, m, 1) for m in (11, 12, 11, 12, 12)],
         "days_n": [30.0, 31.0, 15.0, 31.0, 31.0]},
        schema_overrides={"days_n": pl.Float64},
    )  # fmt: skip
    weights = pl.DataFrame(
        [("a", month, 9.0) for month in SEASON.month_ids]
        + [("b", month, 1.0) for month in SEASON.month_ids],
        schema=["vehicle_id", "month_id", "weight_value"], orient="row",
    )  # fmt: skip
    # c has no weight: it is not compared. January and February have no data.
    assert covered_rates(exposure, weights, SEASON) == pytest.approx([0.95, 1, 0, 0])
    even = weights.with_columns(weight_value=pl.lit(1.0))
    assert covered_rates(exposure, even, SEASON) == pytest.approx([0, 1, 0, 0])  # 0.75 is too few
    assert not covered_rates(exposure.clear(), weights, SEASON).any()
    assert not covered_rates(exposure, weights.clear(), SEASON).any()


def parts_of(table: pl.DataFrame, quantity: str, month: str = "2026-12") -> dict[str, float]:
    rows = table.filter((pl.col("quantity") == quantity) & (pl.col("month_id") == month))
    row = rows.row(0, named=True)
    return {cause: row[f"{cause}_part_value"] for cause in CAUSES} | {
        "difference": row["difference_value"]
    }


def test_each_cause_is_found_where_it_was_put(budget: Budget, learned: Learned) -> None:
    usual = made_up_weather(first_day=date(2026, 10, 1), years_n=1, seed=5)

    def table(actual: pl.DataFrame, shift: float = 0.0) -> pl.DataFrame:
        return explained(budget, learned, actual, usual.with_shift(shift), AS_OF, winters_n=25)

    dear = parts_of(table(actual_like(budget, price=0.60)), "warming_cost")
    assert dear["price"] == pytest.approx(dear["difference"], rel=0.2)
    busy = parts_of(table(actual_like(budget, scale=1.3, stops=1.3)), "warming_kwh")
    assert busy["volume"] == pytest.approx(busy["difference"], rel=0.05)
    table_kept = table(actual_like(budget, scale=1.3))
    assert parts_of(table_kept, "warming_cost")["price"] == pytest.approx(0, abs=1e-4)
    kept = parts_of(table_kept, "warming_kwh")
    assert kept["behaviour"] == pytest.approx(
        kept["difference"] - kept["weather"], abs=1e-3 * abs(kept["difference"])
    )
    assert kept["volume"] == pytest.approx(0, abs=1e-4)
    colder = parts_of(table(actual_like(budget), shift=-4.0), "cold_min")
    # The same minutes in a colder winter: the weather asked for more, behaviour saved it.
    assert colder["weather"] > 0 > colder["behaviour"]


def test_no_stops_and_mild_weather_need_no_behaviour() -> None:
    one = np.array([1.0])
    budget = factors(20 * one, 10 * one, 2.5 * one, one)
    assert budget["behaviour"][0] == pytest.approx(0.8)
    none = split(budget, factors(0 * one, 0 * one, 2.5 * one, one))
    assert none["volume"][0] == pytest.approx(-20) and none["behaviour"][0] == 0
    mild = split(budget, factors(0 * one, 10 * one, 0 * one, one))
    assert mild["weather"][0] == pytest.approx(-20) and mild["volume"][0] == 0


def test_the_table_of_variances() -> None:
    rows = pl.DataFrame(
        {
            "month_id": ["2026-11"], "quantity": ["warming_cost"],
            "budget_value": [40.0], "budget_stops_n": [50.0], "budget_weather_per_stop": [2.0],
            "budget_price": [0.4], "actual_value": [80.0], "actual_stops_n": [50.0],
            "actual_weather_per_stop": [2.0], "actual_price": [0.8],
        }
    )  # fmt: skip
    row = variance_table(rows).row(0, named=True)
    assert row["difference_value"] == 40
    assert row["price_part_value"] == pytest.approx(40)
    assert row["behaviour_part_value"] == pytest.approx(0, abs=1e-9)


@pytest.fixture(scope="module")
def long_history() -> tuple[Given, pl.DataFrame]:
    """Two years and its daily actuals, of the stops alone."""
    given = made_up_fleet(vehicles_n=4, months_n=16, until=date(2026, 9, 1), seed=3,
                          weather=made_up_weather(years_n=13))  # fmt: skip
    daily = given.stops.group_by("local_day").agg(stops_n=pl.len().cast(pl.Float64))
    return given, daily.sort("local_day")


def test_a_back_test_looks_at_nothing_of_the_month_or_later(
    long_history: tuple[Given, pl.DataFrame],
) -> None:
    given, daily = long_history
    origin = date(2026, 7, 1)
    honest = backtest(given, daily, origin, origin, ["stops_n"], 60)
    later = given.exposure.with_columns(
        stops_n=pl.when(pl.col("month_date") >= origin).then(999.0).otherwise("stops_n")
    )
    changed = replace(
        given,
        exposure=later,
        stops=given.stops.filter(pl.col("local_day") < origin),
        starts=given.starts.filter(pl.col("local_day") < origin),
        weather=given.weather.before(origin),
    )
    assert backtest(changed, daily, origin, origin, ["stops_n"], 60).equals(honest)
    known = given.as_of(date(2026, 7, 20))
    assert known.exposure["month_date"].max() == date(2026, 6, 1)
    assert known.stops["local_day"].max() < date(2026, 7, 20)
    assert known.weather.days[-1] == date(2026, 7, 19) or known.weather.days[-1] < origin


def test_a_back_test_and_its_scores(long_history: tuple[Given, pl.DataFrame]) -> None:
    given, daily = long_history
    found = backtest(given, daily, date(2026, 4, 1), date(2026, 6, 1), ["stops_n"], 60)
    assert found["month_id"].to_list() == [f"2026-{m:02d}" for m in (4, 5, 6)]
    assert (
        found["actual_value"][0]
        == given.stops.filter(
            pl.col("local_day").is_between(date(2026, 4, 1), date(2026, 4, 30))
        ).height
    )
    # History begins in May 2025: April has no year before.
    assert found["last_year_value"].is_null().to_list() == [True, False, False]
    may = given.stops.filter(
        pl.col("local_day").is_between(date(2025, 5, 1), date(2025, 5, 31))
    ).height
    assert found["last_year_value"][1] == may
    april = given.stops.filter(
        pl.col("local_day").is_between(date(2026, 4, 3), date(2026, 4, 30))
    ).height
    assert found["last_weeks_value"][1] == pytest.approx(april / 28 * 31)
    row = scores(found).row(0, named=True)
    assert row["months_n"] == 3 and row["compared_n"] == 2
    assert row["inside_n"] == int(found["is_inside"].sum())
    inner = found.tail(2)
    expected = (inner["p50_value"] - inner["actual_value"]).abs().sum() / inner[
        "actual_value"
    ].sum()
    assert row["budget_error_rate"] == pytest.approx(expected)
    assert row["coverage_rate"] == pytest.approx(row["inside_n"] / 3)


def test_a_month_that_cannot_be_forecast_says_why(
    long_history: tuple[Given, pl.DataFrame],
) -> None:
    given, daily = long_history
    short = replace(given, weather=given.weather.between(date(2026, 3, 1), date(2026, 5, 1)))
    found = backtest(short, daily, date(2026, 7, 1), date(2026, 7, 1), ["stops_n"], 20)
    assert found["is_inside"].to_list() == [None]
    assert "no 14 days on end" in found["why_null"][0]
    assert scores(found)["coverage_rate"].to_list() == [None]

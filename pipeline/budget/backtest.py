"""What earlier budgets would have said, month by month, held against two rivals."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import polars as pl

from pipeline.budget.course import monthly
from pipeline.budget.given import Given, learn
from pipeline.budget.run import run_budget
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import Season, month_of, whole_months
from pipeline.budget.weather import Array
from pipeline.problems import ColdMinutesError

AS_TODAY = Scenario(name="as_today")
RIVAL_DAYS_N = 28


def backtest(
    given: Given,
    actual: pl.DataFrame,
    first: date,
    last: date,
    quantities: Sequence[str] = ("stops_n", "warming_kwh", "warming_cost", "cold_min"),
    winters_n: int = 400,
    seed: int = 1,
    covered: Array | None = None,
) -> pl.DataFrame:
    """Each month from what was known before it (rolling origin), against what it brought.

    Every month is forecast from tables cut at its first day, weather included. Physics by model is
    the present one at every origin: what was learned since of curves is not taken back.

    Parameters
    ----------
    given
        Up to now.
    actual
        ``local_day`` and `quantities`, daily.
    first, last
        Any day of the first and of the last month.
    covered
        (months,) of `pipeline.budget.cover.covered_rates`; all of them by default. What was drawn
        is cut to that share, and a month without has no row: nobody knows what it brought.

    Returns
    -------
    DataFrame
        One row per month and quantity: ``month_id, quantity, actual_value, p10_value, p50_value,
        p90_value, is_inside``, ``last_year_value`` (the same month a year before) and
        ``last_weeks_value`` (the last four weeks, by days), both null where the history does not
        reach; and ``why_null`` where the month could not be forecast.
    """
    history_from: date | None = actual["local_day"].min()  # type: ignore[assignment]
    rows = []
    months = whole_months(first, last + timedelta(days=1))
    each = [month_of(day) for day in months.edges[:-1]]
    shares = np.ones(months.months_n) if covered is None else covered
    for month, share in zip(each, shares, strict=True):
        if share == 0:
            continue
        happened = monthly(actual, month)
        try:
            budget = run_budget(
                learn(given.as_of(month.first_day)), month, [AS_TODAY], winters_n, seed
            )
        except ColdMinutesError as error:
            rows += [
                _row(month, name, happened, why_null=error.problems[0].message)
                for name in quantities
            ]
            continue
        for name in quantities:
            ends = np.quantile(budget.draws("as_today", name)[:, 0] * share, (0.1, 0.5, 0.9))
            rivals = _rivals(actual, name, month, history_from)
            rows.append(_row(month, name, happened, ends.tolist(), rivals))
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def scores(tested: pl.DataFrame) -> pl.DataFrame:
    """Coverage and errors over the months of a back-test.

    Errors are compared on the months that have all three, as absolute error over the actual sum.

    Returns
    -------
    DataFrame
        By quantity: ``months_n``, ``inside_n``, ``coverage_rate`` (aim: 0.8), ``compared_n``,
        ``budget_error_rate``, ``last_year_error_rate``, ``last_weeks_error_rate``; null without
        months to compare.
    """
    told = pl.col("is_inside").is_not_null()
    both = told & pl.col("last_year_value").is_not_null() & pl.col("last_weeks_value").is_not_null()
    actual = pl.col("actual_value").filter(both).sum()

    def error(column: str) -> pl.Expr:
        apart = (pl.col(column) - pl.col("actual_value")).abs().filter(both).sum()
        return pl.when(actual > 0).then(apart / actual)

    return (
        tested.group_by("quantity", maintain_order=True)
        .agg(
            months_n=told.sum(),
            inside_n=pl.col("is_inside").sum(),
            coverage_rate=pl.col("is_inside").mean(),
            compared_n=both.sum(),
            budget_error_rate=error("p50_value"),
            last_year_error_rate=error("last_year_value"),
            last_weeks_error_rate=error("last_weeks_value"),
        )
        .sort("quantity")
    )


_SCHEMA = {
    "month_id": pl.String, "quantity": pl.String, "actual_value": pl.Float64,
    "p10_value": pl.Float64, "p50_value": pl.Float64, "p90_value": pl.Float64,
    "is_inside": pl.Boolean, "last_year_value": pl.Float64, "last_weeks_value": pl.Float64,
    "why_null": pl.String,
}  # fmt: skip

Rivals = tuple[float | None, float | None]


def _row(
    month: Season, name: str, happened: pl.DataFrame, ends: list[float] | None = None,
    rivals: Rivals = (None, None), why_null: str | None = None,
) -> tuple[object, ...]:  # fmt: skip
    actual = float(happened[name][0])
    low, middle, high = ends or (None, None, None)
    is_inside = None if low is None or high is None else low <= actual <= high
    return (month.month_ids[0], name, actual, low, middle, high, is_inside, *rivals, why_null)


def _rivals(actual: pl.DataFrame, name: str, month: Season, history_from: date | None) -> Rivals:
    """Last year's month; the last four weeks, stretched to the month's days."""
    start = month.first_day
    year_ago = month_of(start.replace(year=start.year - 1))
    weeks = Season((start - timedelta(days=RIVAL_DAYS_N), start))
    last_year = last_weeks = None
    if history_from is not None and history_from <= year_ago.first_day:
        last_year = _sum(actual, name, year_ago)
    if history_from is not None and history_from <= weeks.first_day:
        last_weeks = _sum(actual, name, weeks) / RIVAL_DAYS_N * month.days_n
    return last_year, last_weeks


def _sum(actual: pl.DataFrame, name: str, span: Season) -> float:
    inside = (pl.col("local_day") >= span.first_day) & (pl.col("local_day") < span.end_day)
    return float(actual.filter(inside)[name].fill_null(0.0).sum())

"""A running season against the budget that was issued for it, and earlier budgets against months.

Only vehicles whose stops tell their figures are compared, on both sides: a vehicle that exports
summaries only would look like one that never warms.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.budget import Budget, backtest, learn, run_budget
from pipeline.budget.backtest import scores
from pipeline.budget.course import explained, forecast_rest, months_done, on_course
from pipeline.budget.cover import covered_rates, only_covered
from pipeline.budget.given import Learned
from pipeline.budget.refusals import refuse
from pipeline.budget.scenario import Scenario
from pipeline.budget.season import Season, month_of, whole_months
from pipeline.budget.summary import SEASON_ID
from pipeline.budget.weather import Array, Weather
from pipeline.budget_given import (
    Series,
    gathered,
    history_params,
    local_midnight,
    only,
    own_weather,
)
from pipeline.budget_kept import Issued, of_vehicles, read_issued
from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError
from pipeline.report.budget.data import CourseFound, Tested
from pipeline.warehouse import query

LEAST_KNOWN_RATE = 0.5
"""A vehicle is compared where half its stops tell their cold minutes. Common practice, no source.
"""

_TEST_WINTERS_N = 200


@dataclass(frozen=True)
class BudgetWanted:
    """What is asked for.

    Attributes
    ----------
    scenarios
        Besides the standard ones and those of ``fleet.toml``.
    as_of
        Nothing of this day or later is used; by default the season's first day, or the day after
        the last data where that is earlier.
    is_issue
        Keep this budget as the season's own, in place of one kept before.
    against
        Scenario that the season is held against.
    """

    season: Season
    scenarios: tuple[Scenario, ...] = ()
    winters_n: int = 1000
    seed: int = 1
    weather_path: Path | None = None
    as_of: date | None = None
    has_course: bool = False
    has_backtest: bool = False
    is_issue: bool = False
    against: str = "as_today"


@dataclass(frozen=True)
class _Actual:
    """Daily sums of the vehicles that can be compared, which those are, and what data cover."""

    days: pl.DataFrame
    exposure: pl.DataFrame
    compared: list[str]
    left_out: list[str]


def season_course(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    wanted: BudgetWanted,
    series: Series,
    now: date,
    first_day: date | None,
) -> CourseFound | str:
    """The season's whole months so far against its budget; a reason where there is nothing yet.

    Parameters
    ----------
    now
        The day after the last data.
    first_day
        Of all data.

    Returns
    -------
    CourseFound or str
        ``no_month_ended``, ``no_vehicle_known`` or ``no_month_covered``.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-08`` where the budget that was issued has no such scenario.
    """
    season = wanted.season
    done = months_done(season, now)
    if done is None or first_day is None:
        return "no_month_ended"
    kept = read_issued(con, season)
    issued = kept or _as_before(con, fleet, wanted, series)
    names = issued.budget.scenarios["scenario"].to_list()
    if wanted.against not in names:
        raise refuse(
            "BUDGET-08", "--against", f"the season's budget has no scenario {wanted.against!r:.60}",
            f"It has: {', '.join(repr(name) for name in names)}.",
        )  # fmt: skip
    actual = _actual(con, fleet, done, issued.vehicles["vehicle_id"].unique().to_list())
    if not actual.compared:
        return "no_vehicle_known"
    weights = _weights(issued.vehicles, wanted.against).filter(
        pl.col("vehicle_id").is_in(actual.compared)
    )
    covered = covered_rates(actual.exposure, weights, done)
    if not covered.any():
        return "no_month_covered"
    budget = of_vehicles(issued, actual.compared)
    before, _ = gathered(con, fleet, issued.as_of, series.weather)
    known, _ = gathered(con, fleet, now, series.weather)
    rest = forecast_rest(
        learn(only(known, actual.compared)), season, now, _asked(fleet, wanted),
        wanted.winters_n, wanted.seed,
    )  # fmt: skip
    variance, why = _variance(
        con, fleet, learn(only(before, actual.compared)), budget, actual.days,
        series.weather, now, wanted, covered,
    )  # fmt: skip
    counted = only_covered(actual.days, done, covered)
    return CourseFound(
        scenario=wanted.against,
        months=tuple(month for month, rate in zip(done.month_ids, covered, strict=True) if rate),
        months_unseen=tuple(
            month for month, rate in zip(done.month_ids, covered, strict=True) if not rate
        ),
        least_covered_rate=float(covered[covered > 0].min()),
        on_course=on_course(budget, actual.days, now, rest, wanted.against, covered),
        variance=variance,
        why_no_variance=why,
        is_issued=kept is not None,
        issued_as_of=issued.as_of,
        compared=tuple(actual.compared),
        left_out=tuple(actual.left_out),
        unknown_n=int(counted["unknown_n"].sum()),
    )


def _weights(vehicles: pl.DataFrame, scenario: str) -> pl.DataFrame:
    """What each month asks of each vehicle: its budgeted stops."""
    return vehicles.filter(
        (pl.col("scenario") == scenario) & (pl.col("quantity") == "stops_n")
    ).select("vehicle_id", "month_id", weight_value="mean_value")


def back_tested(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    series: Series,
    first_day: date | None,
    now: date,
    seed: int,
) -> Tested:
    """Every whole month of the history, forecast from what was known before it."""
    nothing = Tested(pl.DataFrame(), pl.DataFrame(), ())
    if first_day is None:
        return nothing
    first = month_of(first_day)
    start = first.first_day if first_day.day == 1 else first.end_day
    end = now.replace(day=1)
    if start >= end:
        return nothing
    given, _ = gathered(con, fleet, now, series.weather)
    span = whole_months(start, end)
    actual = _actual(con, fleet, span, given.vehicles["vehicle_id"].to_list(), from_day=first_day)
    if not actual.compared:
        return nothing
    even = pl.DataFrame(
        [(vehicle, month, 1.0) for month in span.month_ids for vehicle in actual.compared],
        schema=["vehicle_id", "month_id", "weight_value"], orient="row",
    )  # fmt: skip
    months = backtest(
        only(given, actual.compared), actual.days, start, end - timedelta(days=1),
        covered=covered_rates(actual.exposure, even, span), winters_n=_TEST_WINTERS_N, seed=seed,
    )  # fmt: skip
    return Tested(months, scores(months), tuple(actual.left_out))


def _asked(fleet: Fleet, wanted: BudgetWanted) -> list[Scenario]:
    """The scenario that the season is held against, to forecast the rest with."""
    target = fleet.settings.target_hit_rate
    known = {
        "as_today": Scenario(name="as_today"),
        "everyone": Scenario(name="everyone", warming="everyone"),
        "nobody": Scenario(name="nobody", warming="nobody"),
    }
    if target is not None:
        known["target"] = Scenario(name="target", warming="target", target_hit_rate=target)
    known |= {one.name: one for one in (*fleet.settings.scenario, *wanted.scenarios)}
    if wanted.against not in known:
        raise refuse(
            "BUDGET-08", "--against", f"scenario {wanted.against!r:.60} is not described any more",
            "Give it again with --scenario, or hold the season against another.",
        )  # fmt: skip
    return [known[wanted.against]]


def _as_before(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, wanted: BudgetWanted, series: Series
) -> Issued:
    """No budget was kept: the one that could have been made on the season's first day."""
    as_of = wanted.season.first_day
    given, _ = gathered(con, fleet, as_of, series.weather)
    budget = run_budget(
        learn(given), wanted.season, _asked(fleet, wanted), wanted.winters_n, wanted.seed
    )
    vehicles = budget.table.filter(
        (pl.col("unit_kind") == "vehicle") & (pl.col("month_id") != SEASON_ID)
    ).rename({"unit_id": "vehicle_id"})
    return Issued(budget, as_of, wanted.winters_n, wanted.seed, vehicles)


def _actual(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    span: Season,
    vehicle_ids: list[str],
    from_day: date | None = None,
) -> _Actual:
    """What came in between the ends of a span, or from a day before it."""
    params = history_params(fleet, span.end_day)
    params["history_from_at"] = local_midnight(fleet, from_day or span.first_day)
    days = query(con, "budget/budget_actuals", params)
    exposure = query(con, "budget/budget_exposure", params)
    seen = exposure["vehicle_id"].unique()
    per_vehicle = days.group_by("vehicle_id").agg(
        pl.col("stops_n").sum(), pl.col("unknown_n").sum()
    )
    blind = per_vehicle.filter(
        pl.col("unknown_n") > (1 - LEAST_KNOWN_RATE) * pl.col("stops_n")
    )["vehicle_id"].to_list()  # fmt: skip
    wanted = set(vehicle_ids)
    compared = sorted((set(seen.to_list()) & wanted) - set(blind))
    mine = days.filter(pl.col("vehicle_id").is_in(compared))
    return _Actual(mine.drop("vehicle_id"), exposure, compared, sorted(wanted - set(compared)))


def _variance(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    learned: Learned,
    budget: Budget,
    actual: pl.DataFrame,
    observed: Weather,
    now: date,
    wanted: BudgetWanted,
    covered: Array,
) -> tuple[pl.DataFrame | None, str]:
    """By cause, over the series' own days of the season, else over those the fleet measured."""
    own = own_weather(con, fleet)
    candidates = [observed]
    if own is not None:
        # The fleet's thermometers against the series: told apart by what was learned.
        candidates.append(own.with_shift(-learned.station_offset_kelvin))
    for weather in candidates:
        try:
            found = explained(
                budget, learned, actual, weather, now, wanted.against, seed=wanted.seed,
                covered=covered,
            )  # fmt: skip
        except ColdMinutesError as error:
            if error.problems[0].code != "BUDGET-03":
                raise
            continue
        return found, ""
    return None, "no_weather_of_season"

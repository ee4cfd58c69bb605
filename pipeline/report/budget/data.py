"""What a budget's document is made from: everything computed, nothing worded."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.budget import Budget, Learned
from pipeline.budget.drivers import StartRates
from pipeline.budget.scenario import Scenario


@dataclass(frozen=True)
class History:
    """What a budget could learn from.

    Attributes
    ----------
    first_day, last_day
        Local days that data cover; None where there are none.
    vehicles_n
        Vehicles with data, of all that the budget is for or not.
    stops_n
        Fast-charge stops of the budget's vehicles.
    no_model
        Names of vehicles without a model: they cannot be budgeted.
    assumed_range_n
        Vehicles whose distance per energy is assumed.
    """

    first_day: date | None
    last_day: date | None
    vehicles_n: int
    stops_n: int
    no_model: tuple[str, ...] = ()
    assumed_range_n: int = 0


@dataclass(frozen=True)
class WeatherSource:
    """Where the temperatures come from.

    Attributes
    ----------
    name
        Of the file, as the user wrote it; empty for the fleet's own.
    season_degc
        Mean of each past season, by the year it began.
    """

    name: str
    is_own: bool
    is_daily: bool
    first_day: date
    last_day: date
    season_degc: tuple[tuple[int, float], ...]


@dataclass(frozen=True)
class CourseFound:
    """The season so far against its budget.

    Attributes
    ----------
    on_course, variance
        Of `pipeline.budget.course`; variance is None where the weather of the season is not known,
        and ``why_no_variance`` says it.
    months, months_unseen
        Months compared, and months of the season that ended without enough data.
    least_covered_rate
        Of the months compared, the smallest share that data cover; the budget's side is cut alike.
    is_issued
        False where no budget was kept and one was made from what was known before the season.
    compared, left_out
        Vehicles whose stops are known well enough, and those whose are not.
    unknown_n
        Stops of compared vehicles without cold minutes.
    """

    scenario: str
    months: tuple[str, ...]
    months_unseen: tuple[str, ...]
    least_covered_rate: float
    on_course: pl.DataFrame
    variance: pl.DataFrame | None
    why_no_variance: str
    is_issued: bool
    issued_as_of: date
    compared: tuple[str, ...]
    left_out: tuple[str, ...]
    unknown_n: int


@dataclass(frozen=True)
class Tested:
    """The back-test: months, scores, or why there are none."""

    months: pl.DataFrame
    scores: pl.DataFrame
    left_out: tuple[str, ...]


@dataclass(frozen=True)
class BudgetPaper:
    """One budget, ready to be worded.

    Attributes
    ----------
    swings
        Of `pipeline.budget.drivers.swings`.
    widths
        ``history, days_n, p10_value, p50_value, p90_value`` of the season's cost with less
        history: how the interval shrinks.
    scenarios
        The operator's own, as they were given.
    names
        Printed names of vehicles.
    """

    budget: Budget
    learned: Learned
    season_id: str
    as_of: date
    winters_n: int
    seed: int
    rates: StartRates
    swings: pl.DataFrame
    widths: pl.DataFrame
    history: History
    weather: WeatherSource
    scenarios: tuple[Scenario, ...]
    names: dict[str, str]
    course: CourseFound | None = None
    why_no_course: str = ""
    tested: Tested | None = None
    is_kept: bool = False

"""The winter budget of a fleet: from its warehouse to documents and tables, in this order.

The maths is `pipeline.budget`; this module feeds it, keeps what was issued, and has it printed.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.budget import Budget, Given, learn, run_budget
from pipeline.budget.blocks import season_means_by_year, shift_spread
from pipeline.budget.drivers import start_rates, swings, winter_scenarios, without_winters
from pipeline.budget.refusals import refuse
from pipeline.budget.scenario import Scenario, load_scenarios, standard_scenarios
from pipeline.budget.season import Season
from pipeline.budget.weather import Weather
from pipeline.budget_compared import BudgetWanted, back_tested, season_course
from pipeline.budget_given import (
    WHERE_TO_GET_ONE,
    Series,
    chosen_series,
    data_days,
    gathered,
    local_midnight,
)
from pipeline.budget_kept import is_issued, keep, season_id_of
from pipeline.config import Fleet
from pipeline.edition import Progress, compute, newest_week, program_version, warehouse_of
from pipeline.method import METHOD_VERSION
from pipeline.problems import ColdMinutesError
from pipeline.report import check_look, check_pdf_support
from pipeline.report.budget.checks import FOLLOWED
from pipeline.report.budget.data import BudgetPaper, CourseFound, History, WeatherSource
from pipeline.report.budget.edition import write_budget

AS_TODAY = Scenario(name="as_today")
_LESS_HISTORY_DAYS_N = 21
_WIDTH_WINTERS_N = 200


@dataclass(frozen=True)
class BudgetMade:
    """A budget and the files it was written to."""

    paper: BudgetPaper
    paths: list[Path]
    currency: str

    @property
    def lines(self) -> list[str]:
        """What it says, for a terminal: the number, and whether the season is on course."""
        season = self.paper.budget.draws("as_today", "cost").sum(axis=1)
        low, middle, high = np.quantile(season, (0.1, 0.5, 0.9))
        said = [
            f"Season {self.paper.season_id}, as today: {middle:,.0f} {self.currency}, in "
            f"eight winters of ten {low:,.0f} to {high:,.0f}; known on {self.paper.as_of}."
        ]
        if self.paper.course is not None:
            is_watched = pl.col("is_outside") & pl.col("quantity").is_in(FOLLOWED)
            rows = self.paper.course.on_course.filter(is_watched)
            outside = rows["quantity"].to_list()
            said.append(
                f"Off course, outside the interval: {', '.join(outside)}." if outside
                else "On course: what is watched lies inside its interval."
            )  # fmt: skip
        elif self.paper.why_no_course:
            said.append("Nothing to hold the season against yet: see the document.")
        return said


def make_budget(
    fleet: Fleet,
    wanted: BudgetWanted,
    out_dir: Path | None = None,
    pdf: bool = True,
    progress: Progress | None = None,
    wait_s: float = 0.0,
) -> BudgetMade:
    """Make a budget and write it to ``out_dir/<first month>_<last month>/``.

    Uses what was taken in already. The first budget of a season is kept in the warehouse; a later
    one takes its place only where asked.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-01`` to ``BUDGET-08``, ``ENV-01`` without PDF support, ``REPORT-03`` where the
        folder cannot be written.
    """
    if pdf and (problem := check_pdf_support()):
        raise ColdMinutesError([problem], exit_code=4)
    check_look(fleet)
    scenarios = _scenarios(fleet, wanted)
    with warehouse_of(fleet, wait_s=wait_s) as con:
        if progress:
            progress("read", 0, 4)
        _ready(con, fleet, progress)
        paper = _paper(con, fleet, wanted, scenarios, progress)
        paths = write_budget(
            paper, fleet, out_dir or fleet.folder / "budgets", pdf=pdf,
            instant=_instant(fleet, paper.as_of), version=program_version(),
            method_version=METHOD_VERSION,
        )  # fmt: skip
        # Only a budget that was written is kept.
        if paper.is_kept:
            keep(con, paper.budget, paper.as_of, wanted.seed, paper.weather.name)
    return BudgetMade(paper, paths, fleet.settings.currency)


def _scenarios(fleet: Fleet, wanted: BudgetWanted) -> list[Scenario]:
    own = [*fleet.settings.scenario, *wanted.scenarios]
    standard = standard_scenarios(fleet.settings.target_hit_rate)
    taken = {scenario.name for scenario in standard} | {"target"}
    for scenario in own:
        if scenario.name in taken:
            raise refuse("BUDGET-04", f"scenario {scenario.name!r:.60}", "this name is taken",
                         "Give each scenario its own name; as_today, everyone, nobody and target "
                         "are there already.")  # fmt: skip
    # Counted, and told apart, as one list: what of it came from where does not matter.
    load_scenarios([scenario.model_dump() for scenario in own], "fleet.toml and --scenario")
    return [*standard, *own]


def _ready(con: duckdb.DuckDBPyConnection, fleet: Fleet, progress: Progress | None) -> None:
    """Facts and fits up to date with the configuration, as for a sheet; no data is no mistake."""
    from pipeline.minutes import minutes

    weeks = compute(con, fleet, progress)
    stops_n = con.execute("select count(*) from stops").fetchall()[0][0]
    fits_n = con.execute("select count(*) from fitted_models").fetchall()[0][0]
    if stops_n and (weeks or not fits_n):
        minutes(con, fleet, newest_week(con, fleet, datetime.now(UTC)))


def _instant(fleet: Fleet, as_of: date) -> datetime:
    """Date of the documents: ``SOURCE_DATE_EPOCH`` if set, else the day up to which is known."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    if epoch and epoch.isdigit():
        return datetime.fromtimestamp(int(epoch), UTC)
    return local_midnight(fleet, as_of)


def _paper(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    wanted: BudgetWanted,
    scenarios: list[Scenario],
    progress: Progress | None,
) -> BudgetPaper:
    season = wanted.season
    series = chosen_series(con, fleet, wanted.weather_path)
    if series is None:
        raise refuse("BUDGET-07", f"{fleet.folder.name}, outside temperature",
                     "no weather series is configured, and no sensor of the fleet told any",
                     WHERE_TO_GET_ONE, 3)  # fmt: skip
    first_day, last_day = data_days(con, fleet)
    now = season.first_day if last_day is None else last_day + timedelta(days=1)
    as_of = wanted.as_of or min(now, season.first_day)
    given, history = gathered(con, fleet, as_of, series.weather)
    learned = learn(given)
    if progress:
        progress("simulate", 1, 4)
    shift_kelvin, _seasons_n = shift_spread(given.weather, season)
    try:
        whole = run_budget(
            learned, season, [*scenarios, *winter_scenarios(shift_kelvin)], wanted.winters_n,
            wanted.seed,
        )  # fmt: skip
    except ColdMinutesError as error:
        if error.problems[0].code != "BUDGET-03":
            raise
        raise _too_little_weather(series, season, as_of, error) from error
    rates = start_rates(learned, wanted.winters_n, wanted.seed)
    if progress:
        progress("compare", 2, 4)
    course: CourseFound | str = ""
    if wanted.has_course:
        course = season_course(con, fleet, wanted, series, now, first_day)
    tested = None
    if wanted.has_backtest:
        tested = back_tested(con, fleet, series, first_day, now, wanted.seed)
    names = con.execute("select vehicle_id, vehicle_name from vehicle_settings").fetchall()
    if progress:
        progress("print", 3, 4)
    return BudgetPaper(
        budget=without_winters(whole),
        learned=learned,
        season_id=season_id_of(season),
        as_of=as_of,
        winters_n=wanted.winters_n,
        seed=wanted.seed,
        rates=rates,
        swings=swings(whole, learned, rates),
        widths=_widths(con, fleet, wanted, given, history, whole),
        history=history,
        weather=_source(series, given.weather, season),
        scenarios=(*fleet.settings.scenario, *wanted.scenarios),
        names={str(vehicle): str(name) for vehicle, name in names},
        course=None if isinstance(course, str) else course,
        why_no_course=course if isinstance(course, str) else "",
        tested=tested,
        is_kept=wanted.is_issue or not is_issued(con, season),
    )


def _widths(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    wanted: BudgetWanted,
    given: Given,
    history: History,
    budget: Budget,
) -> pl.DataFrame:
    """The season's cost as it would have been told with less history, and as it is told now."""
    cuts: list[tuple[str, int, Given]] = []
    days_n = 0
    if history.first_day is not None and history.last_day is not None:
        days_n = (history.last_day - history.first_day).days + 1
        for code, days in (("none", 0), ("weeks", _LESS_HISTORY_DAYS_N)):
            if days < days_n:
                until = history.first_day + timedelta(days=days)
                less, _ = gathered(con, fleet, until, given.weather)
                cuts.append((code, days, replace(less, weather=given.weather)))
    told = [
        (
            code,
            days,
            run_budget(learn(known), wanted.season, [AS_TODAY], _WIDTH_WINTERS_N, wanted.seed),
        )
        for code, days, known in cuts
    ]
    rows = []
    for code, days, made in [*told, ("now", days_n, budget)]:
        ends = np.quantile(made.draws("as_today", "cost").sum(axis=1), (0.1, 0.5, 0.9))
        rows.append((code, days, *(float(end) for end in ends)))
    return pl.DataFrame(
        rows,
        schema={
            "history": pl.String, "days_n": pl.Int64, "p10_value": pl.Float64,
            "p50_value": pl.Float64, "p90_value": pl.Float64,
        },
        orient="row",
    )  # fmt: skip


def _source(series: Series, used: Weather, season: Season) -> WeatherSource:
    first, last = used.first_day, used.first_day + timedelta(days=max(used.days_n - 1, 0))
    means = season_means_by_year(used, season)
    return WeatherSource(series.name, not series.name, used.is_daily, first, last, means)


def _too_little_weather(
    series: Series, season: Season, as_of: date, error: ColdMinutesError
) -> ColdMinutesError:
    """The refusal with what the series has and where to get a longer one."""
    weather = series.weather.before(as_of)
    days = [day for day, known in zip(weather.days, weather.is_complete, strict=True) if known]
    has = f"{days[0]} to {days[-1]}" if days else "no whole day"
    who = f"the series {series.name!r:.80}" if series.name else "what the fleet itself measured"
    return refuse(
        "BUDGET-07", "outside temperature",
        f"{who} holds {has} of what was known on {as_of}; the season {season_id_of(season)} needs "
        f"all its calendar days ({error.problems[0].message})",
        WHERE_TO_GET_ONE, 3,
    )  # fmt: skip

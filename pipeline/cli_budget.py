"""The command that makes a winter budget, and holds a season against it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_parts import (
    DAILY,
    FleetArgument,
    NoPdfOption,
    WaitOption,
    printable,
    problems_told,
    progress_bar,
)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(rich_help_panel=DAILY)(budget)


def budget(
    fleet: FleetArgument,
    season: Annotated[
        str, typer.Option("--season", metavar="FIRST..LAST", help="Months, like 2026-10..2027-04.")
    ],
    scenario: Annotated[
        list[str] | None,
        typer.Option(
            "--scenario",
            metavar="'NAME: KEY=VALUE, ...'",
            help="One more, with keys as in [[scenario]] of fleet.toml.",
        ),
    ] = None,
    winters: Annotated[int, typer.Option("--winters", help="Winters to simulate.")] = 1000,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Equal seeds, equal budgets.")] = 1,
    weather: Annotated[
        Path | None,
        typer.Option("--weather", metavar="FILE", help="Past temperatures: CSV or EPW."),
    ] = None,
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", metavar="DAY", help="Use only what was known before this day."),
    ] = None,
    course: Annotated[
        bool, typer.Option("--course", help="Hold the season so far against its budget.")
    ] = False,
    against: Annotated[
        str, typer.Option("--against", metavar="NAME", help="Scenario for --course.")
    ] = "as_today",
    backtest: Annotated[
        bool, typer.Option("--backtest", help="Test on every month of the history.")
    ] = False,
    issue: Annotated[
        bool, typer.Option("--issue", help="Let this budget be the one that the season is held to.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Receives <season>/; default FLEET/budgets."),
    ] = None,
    no_pdf: NoPdfOption = False,
    wait: WaitOption = 0.0,
) -> None:
    """Budget a winter: energy, money, minutes, each with its interval and in scenarios.

    Works from what was taken in so far, be it nothing. The first budget of a season is kept for
    --course; a later one takes its place with --issue.

    Examples:

        coldminutes budget my_fleet --season 2026-10..2027-04

        coldminutes budget my_fleet --season 2026-10..2027-04 --scenario 'Dear: price_per_kwh=0.60'

        coldminutes budget my_fleet --season 2026-10..2027-04 --course
    """
    with problems_told():
        from pipeline.budget.scenario import parse_scenario
        from pipeline.budget.season import parse_season
        from pipeline.budget_compared import BudgetWanted
        from pipeline.budget_made import make_budget
        from pipeline.config import load_fleet

        wanted = BudgetWanted(
            season=parse_season(season),
            scenarios=tuple(parse_scenario(each) for each in scenario or ()),
            winters_n=winters,
            seed=seed,
            weather_path=weather,
            as_of=None if as_of is None else _day(as_of),
            has_course=course,
            has_backtest=backtest,
            is_issue=issue,
            against=against,
        )
        loaded = load_fleet(fleet)
        with progress_bar() as progress:
            made = make_budget(loaded, wanted, out, pdf=not no_pdf, progress=progress, wait_s=wait)
        for line in made.lines:
            typer.echo(printable(line))
        for path in made.paths:
            typer.echo(f"Wrote {printable(str(path))}")


def _day(text: str) -> date:
    from pipeline.budget.refusals import refuse

    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise refuse("BUDGET-01", "--as-of", f"got {text!r:.60}, expected a day",
                     "Write it like 2026-09-30.") from error  # fmt: skip

"""The command line: thin, and quick to start (heavy imports happen inside the commands)."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline import (
    cli_budget,
    cli_data,
    cli_deliver,
    cli_first_hour,
    cli_group,
    cli_health,
    cli_people,
    cli_reconcile,
    cli_rounds,
    cli_schedule,
    cli_sheets,
)
from pipeline.cli_parts import (
    DAILY,
    MORE,
    CsvOption,
    FittedWeekOption,
    FleetArgument,
    ModelOption,
    NoPdfOption,
    OutOption,
    WaitOption,
    echo_lines,
    printable,
    problems_told,
    progress_bar,
    status,
    tell_edition,
    tell_intake,
    write,
    write_csv,
)
from pipeline.people.log import log_command
from pipeline.problems import ColdMinutesError, Problem

app = typer.Typer(
    name="coldminutes",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode="markdown",
    pretty_exceptions_enable=False,
    help=(
        "Weekly report of the charging minutes an electric fleet loses to cold batteries.\n\n"
        "Exit status: 0 done; 1 done, but something was left out; 2 configuration or usage; "
        "3 no usable input; 4 something is missing on this machine; 5 the warehouse."
    ),
)


@app.command(rich_help_panel=DAILY)
def run(
    fleet: FleetArgument,
    week: Annotated[
        str | None,
        typer.Option(help="ISO week like 2026-W03; default: the last complete one with data."),
    ] = None,
    out: OutOption = None,
    no_pdf: NoPdfOption = False,
    wait: WaitOption = 0.0,
) -> None:
    """Take in what is new, compute, and write the week's report and tables.

    Examples:

        coldminutes run my_fleet

        coldminutes run my_fleet --week 2026-W03 --out /srv/reports
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.edition import make_edition

        loaded = load_fleet(fleet)
        with progress_bar() as progress:
            edition = make_edition(
                loaded, week, out, pdf=not no_pdf, progress=progress, wait_s=wait
            )
        tell_edition(edition)
    raise typer.Exit(status(edition.intake))


@app.command(rich_help_panel=DAILY)
def check(
    fleet: Annotated[
        Path, typer.Argument(metavar="FLEET|FILE", help="A fleet folder, or one export.")
    ],
) -> None:
    """Say what is well, what would be left out and why, and what would improve the figures most.

    Of a single file: which questions it can answer, and which signal is missing for the others.
    Reads everything and changes nothing.

    Examples:

        coldminutes check my_fleet

        coldminutes check van_03.csv
    """
    with problems_told():
        if fleet.is_file():
            cli_first_hour.check_one_file(fleet)
            raise typer.Exit
        from pipeline.checkup import checkup
        from pipeline.config import load_fleet

        loaded = load_fleet(fleet)
        with progress_bar() as progress:
            findings = checkup(loaded, progress=progress)
        for line in findings.lines:
            typer.echo(printable(line))
    raise typer.Exit(1 if findings.left_out else 0)


@app.command(rich_help_panel=DAILY)
def explain(
    fleet: FleetArgument,
    stop_id: Annotated[str, typer.Argument(help="As the stop list prints it.", show_default=False)],
    pdf: Annotated[
        Path | None,
        typer.Option("--pdf", metavar="FILE.pdf", help="Write the stop on one page, drawn."),
    ] = None,
) -> None:
    """Show the samples, the rule and the figures behind one stop.

    Examples:

        coldminutes explain my_fleet van-03.2026-01-14.1

        coldminutes explain my_fleet van-03.2026-01-14.1 --pdf stop.pdf
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.explain import explanation

        loaded = load_fleet(fleet)
        for line in explanation(loaded, stop_id):
            typer.echo(printable(line))
        if pdf is not None:
            from pipeline.sheets_made import write_stop_sheet

            write_stop_sheet(loaded, stop_id, pdf)
            typer.echo(f"Wrote {printable(str(pdf))}")


@app.command(rich_help_panel=DAILY)
def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where the copy and its report go.")
    ] = Path("coldminutes-demo"),
    no_pdf: NoPdfOption = False,
) -> None:
    """Copy the made-up sample fleet, run the main job on it, say where the report is.

    Example:

        coldminutes demo --out /tmp/demo
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.demo import copy_sample_fleet
        from pipeline.edition import make_edition

        loaded = load_fleet(copy_sample_fleet(out))
        with progress_bar() as progress:
            edition = make_edition(loaded, pdf=not no_pdf, progress=progress)
        tell_edition(edition)


@app.command(rich_help_panel=MORE)
def ingest(fleet: FleetArgument, wait: WaitOption = 0.0) -> None:
    """Only take in what is new in the inbox.

    Example:

        coldminutes ingest my_fleet
    """
    with problems_told():
        from datetime import UTC, datetime

        from pipeline.config import load_fleet
        from pipeline.edition import take_in, warehouse_of

        loaded = load_fleet(fleet)
        with warehouse_of(loaded, wait_s=wait) as con, progress_bar() as progress:
            intake = take_in(con, loaded, datetime.now(UTC), progress)
        tell_intake(intake)
    raise typer.Exit(status(intake))


@app.command(rich_help_panel=MORE)
def curves(
    fleet: FleetArgument,
    week: FittedWeekOption = None,
    model: ModelOption = None,
    csv: CsvOption = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", metavar="FILE.svg", help="Write the curves as a picture."),
    ] = None,
) -> None:
    """Show the warm curves, cold limits, heat and habits learned for each vehicle model.

    Reads what the last run learned and computes nothing.

    Examples:

        coldminutes curves my_fleet

        coldminutes curves my_fleet --model van-60 --plot van-60.svg
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.curve_view import CSV_COLUMNS, chosen, curve_lines, curve_rows
        from pipeline.edition import check_week, warehouse_of
        from pipeline.fits import load_fits

        if week is not None:
            check_week(week)
        loaded = load_fleet(fleet)
        with warehouse_of(loaded) as con:
            fits = chosen(load_fits(con, loaded, week), model)
        for number, fit in enumerate(fits):
            echo_lines(["", *curve_lines(fit)] if number else curve_lines(fit))
        if csv is not None:
            write_csv(csv, curve_rows(fits), CSV_COLUMNS)
        if plot is not None:
            from pipeline.curve_plot import curves_svg

            write(plot, curves_svg(fits))


@app.command(rich_help_panel=MORE)
def leadtime(
    fleet: FleetArgument,
    week: FittedWeekOption = None,
    model: ModelOption = None,
    csv: CsvOption = None,
) -> None:
    """Say when to set the charger as destination, by site, pack and outside temperature.

    Examples:

        coldminutes leadtime my_fleet

        coldminutes leadtime my_fleet --model van-60 --csv leadtime.csv
    """
    with problems_told():
        import polars as pl

        from pipeline.advice import advice, advice_tables
        from pipeline.config import load_fleet
        from pipeline.curve_view import chosen
        from pipeline.edition import check_week, warehouse_of
        from pipeline.fits import fitted_week, load_fits
        from pipeline.fleet_tables import write_fleet_tables
        from pipeline.leadtime_view import leadtime_lines

        if week is not None:
            check_week(week)
        loaded = load_fleet(fleet)
        with warehouse_of(loaded) as con:
            week_id = fitted_week(con, loaded, week)
            fits = {fit.model_id: fit for fit in chosen(load_fits(con, loaded, week_id), model)}
            write_fleet_tables(con, loaded)
            advice(con, loaded, week_id)
            tables = advice_tables(con)
        if model is not None:
            tables = {
                name: frame.filter(pl.col("model_id") == model) for name, frame in tables.items()
            }
        echo_lines(leadtime_lines(tables, fits, loaded.settings, week_id))
        if csv is not None:
            write_csv(csv, tables["leadtime"].to_dicts(), tables["leadtime"].columns)


@app.command(rich_help_panel=MORE)
def schema(
    name: Annotated[str, typer.Argument(help="fleet, models, vehicles, sites, drivers or source.")],
) -> None:
    """Print the JSON Schema of one kind of configuration file.

    Example:

        coldminutes schema source
    """
    with problems_told():
        from pipeline.config import SCHEMAS

        if name not in SCHEMAS:
            raise ColdMinutesError(
                [
                    Problem(
                        "RUN-03",
                        "stop",
                        "schema",
                        f"got '{name}', expected one of: {', '.join(SCHEMAS)}",
                        "Name one of these.",
                    )
                ]
            )
        typer.echo(json.dumps(SCHEMAS[name].model_json_schema(), indent=2))


cli_data.register(app)
cli_first_hour.register(app)
cli_reconcile.register(app)
cli_sheets.register(app)
cli_group.register(app)
cli_budget.register(app)
cli_people.register(app)
cli_health.register(app)
cli_rounds.register(app)
cli_schedule.register(app)
cli_deliver.register(app)


def _version(wanted: bool) -> None:
    if wanted:
        from pipeline.edition import program_version
        from pipeline.method import METHOD_VERSION

        typer.echo(f"coldminutes {program_version()}, method {METHOD_VERSION}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the versions."),
    ] = False,
) -> None:
    """Options before the command."""


def main(arguments: list[str] | None = None) -> Any:
    """Entry point of the console script; what runs on a fleet folder is logged there first."""
    told = sys.argv[1:] if arguments is None else arguments
    try:
        log_command(told, datetime.now(UTC))
    except ColdMinutesError as error:
        typer.echo(printable(str(error)), err=True)
        sys.exit(error.exit_code)
    return app(arguments)


if __name__ == "__main__":
    main()

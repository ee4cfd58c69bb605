"""The command line: thin, and quick to start (heavy imports happen inside the commands)."""

from __future__ import annotations

import json
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipeline.problems import ColdMinutesError, Problem

if TYPE_CHECKING:
    from pipeline.edition import Edition, Progress
    from pipeline.ingest import IngestReport

DAILY = "Daily use"
MORE = "Looking closer"

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

FleetArgument = Annotated[
    Path, typer.Argument(metavar="FLEET", help="Folder that holds fleet.toml.", show_default=False)
]
OutOption = Annotated[
    Path | None,
    typer.Option("--out", metavar="DIR", help="Receives <week>/; default FLEET/reports."),
]
NoPdfOption = Annotated[
    bool, typer.Option("--no-pdf", help="HTML and tables only; needs no Pango.")
]
FittedWeekOption = Annotated[
    str | None,
    typer.Option("--week", help="ISO week of the fit, like 2026-W03; default: the newest."),
]
ModelOption = Annotated[
    str | None, typer.Option("--model", metavar="MODEL", help="Only this vehicle model.")
]
CsvOption = Annotated[
    Path | None, typer.Option("--csv", metavar="FILE", help="Write the figures as CSV too.")
]


@app.command(rich_help_panel=DAILY)
def run(
    fleet: FleetArgument,
    week: Annotated[
        str | None,
        typer.Option(help="ISO week like 2026-W03; default: the last complete one with data."),
    ] = None,
    out: OutOption = None,
    no_pdf: NoPdfOption = False,
) -> None:
    """Take in what is new, compute, and write the week's report and tables.

    Examples:

        coldminutes run my_fleet

        coldminutes run my_fleet --week 2026-W03 --out /srv/reports
    """
    with _problems_told():
        from pipeline.config import load_fleet
        from pipeline.edition import make_edition

        loaded = load_fleet(fleet)
        with _progress() as progress:
            edition = make_edition(loaded, week, out, pdf=not no_pdf, progress=progress)
        _tell_edition(edition)
    raise typer.Exit(_status(edition.intake))


@app.command(rich_help_panel=DAILY)
def check(fleet: FleetArgument) -> None:
    """Say what is well, what would be left out and why, and what would improve the figures most.

    Reads everything and changes nothing.

    Example:

        coldminutes check my_fleet
    """
    with _problems_told():
        from pipeline.checkup import checkup
        from pipeline.config import load_fleet

        loaded = load_fleet(fleet)
        with _progress() as progress:
            findings = checkup(loaded, progress=progress)
        for line in findings.lines:
            typer.echo(_printable(line))
    raise typer.Exit(1 if findings.left_out else 0)


@app.command(rich_help_panel=DAILY)
def explain(
    fleet: FleetArgument,
    stop_id: Annotated[str, typer.Argument(help="As the stop list prints it.", show_default=False)],
) -> None:
    """Show the samples, the rule and the figures behind one stop.

    Example:

        coldminutes explain my_fleet van-03.2026-01-14.1
    """
    with _problems_told():
        from pipeline.config import load_fleet
        from pipeline.explain import explanation

        for line in explanation(load_fleet(fleet), stop_id):
            typer.echo(_printable(line))


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
    with _problems_told():
        from pipeline.config import load_fleet
        from pipeline.demo import copy_sample_fleet
        from pipeline.edition import make_edition

        loaded = load_fleet(copy_sample_fleet(out))
        with _progress() as progress:
            edition = make_edition(loaded, pdf=not no_pdf, progress=progress)
        _tell_edition(edition)


@app.command(rich_help_panel=MORE)
def ingest(fleet: FleetArgument) -> None:
    """Only take in what is new in the inbox.

    Example:

        coldminutes ingest my_fleet
    """
    with _problems_told():
        from datetime import UTC, datetime

        from pipeline.config import load_fleet
        from pipeline.edition import take_in, warehouse_of

        loaded = load_fleet(fleet)
        with warehouse_of(loaded) as con, _progress() as progress:
            intake = take_in(con, loaded, datetime.now(UTC), progress)
        _tell_intake(intake)
    raise typer.Exit(_status(intake))


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
    with _problems_told():
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
            _echo_lines(["", *curve_lines(fit)] if number else curve_lines(fit))
        if csv is not None:
            _write_csv(csv, curve_rows(fits), CSV_COLUMNS)
        if plot is not None:
            from pipeline.curve_plot import curves_svg

            _write(plot, curves_svg(fits))


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
    with _problems_told():
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
        _echo_lines(leadtime_lines(tables, fits, loaded.settings, week_id))
        if csv is not None:
            _write_csv(csv, tables["leadtime"].to_dicts(), tables["leadtime"].columns)


@app.command(rich_help_panel=MORE)
def schema(
    name: Annotated[str, typer.Argument(help="fleet, models, vehicles, sites, drivers or source.")],
) -> None:
    """Print the JSON Schema of one kind of configuration file.

    Example:

        coldminutes schema source
    """
    with _problems_told():
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


@contextmanager
def _problems_told() -> Iterator[None]:
    """Print what stops a run, without a traceback, and exit with its status."""
    try:
        yield
    except ColdMinutesError as error:
        for problem in error.problems:
            typer.echo(_printable(str(problem)), err=True)
        raise typer.Exit(error.exit_code) from error
    except Exception as error:
        # Imported only now: most commands end well, and some never need a database.
        import duckdb

        if not isinstance(error, duckdb.OutOfMemoryException | duckdb.IOException):
            raise
        problem = Problem(
            "ENV-02",
            "stop",
            "this machine",
            f"the database could not go on ({str(error).splitlines()[0]})",
            "Free some disk, or raise [limits] memory_gb or temp_gb in fleet.toml; then run again. "
            "What was taken in before is kept, and no week is half-written.",
        )
        typer.echo(str(problem), err=True)
        raise typer.Exit(4) from error


@contextmanager
def _progress() -> Iterator[Progress | None]:
    """A progress bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        task = bars.add_task("starting", total=None)

        def tell(step: str, done: int, total: int) -> None:
            # File names are hostile: brackets in them must not be read as markup.
            from rich.markup import escape

            bars.update(task, description=escape(step), completed=done, total=total)

        yield tell


_MOST_OF_A_KIND = 3


def _tell_intake(intake: IngestReport) -> None:
    """Print what came in; of findings that are alike, the first few."""
    told: Counter[str] = Counter()
    for problem in intake.problems:
        told[problem.code] += 1
        if told[problem.code] <= _MOST_OF_A_KIND:
            typer.echo(_printable(str(problem)), err=True)
    for code, count in sorted(told.items()):
        if count > _MOST_OF_A_KIND:
            more = count - _MOST_OF_A_KIND
            typer.echo(f"{code}: {more} more like these; `coldminutes check` lists all.", err=True)
    typer.echo(
        f"Files: {intake.files_new_n} taken in, {intake.files_known_n} known already, "
        f"{intake.files_failed_n} left out."
    )
    typer.echo(
        f"Rows: {intake.rows_read_n:,} read, {intake.rows_used_n:,} used, "
        f"{intake.rows_repeated_n:,} seen before, {intake.rows_set_aside_n:,} set aside."
    )


def _tell_edition(edition: Edition) -> None:
    _tell_intake(edition.intake)
    typer.echo(f"Week {edition.week_id}:")
    for path in edition.paths:
        typer.echo(f"  {_printable(str(path))}")


def _echo_lines(lines: Iterable[str]) -> None:
    """Print lines of which each stays one, whatever a name in them holds."""
    for line in lines:
        typer.echo(_printable(line).replace("\n", "\\n"))


def _write_csv(path: Path, rows: list[dict[str, Any]], columns: Sequence[str]) -> None:
    from pipeline.report.tables import csv_text

    _write(path, csv_text(rows, {column: column for column in columns}), newline="")


def _write(path: Path, text: str, newline: str | None = None) -> None:
    """Write a file the user named, and say so."""
    try:
        path.write_text(text, encoding="utf-8", newline=newline)
    except OSError as error:
        problem = Problem(
            "CURVES-03",
            "stop",
            str(path),
            f"cannot be written ({error.strerror or error})",
            "Name a file in a folder that exists and may be written to.",
        )
        raise ColdMinutesError([problem]) from error
    typer.echo(f"Wrote {_printable(str(path))}")


def _printable(text: str) -> str:
    """Text that any terminal can take: control characters and bytes that are not UTF-8 are
    shown as escapes, so that a cell of an export cannot steer the terminal."""
    safe = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(
        letter if letter == "\n" or letter.isprintable() else repr(letter)[1:-1] for letter in safe
    )


def _status(intake: IngestReport) -> int:
    return 1 if intake.files_failed_n else 0


def main(arguments: list[str] | None = None) -> Any:
    """Entry point of the console script."""
    return app(arguments)


if __name__ == "__main__":
    main()

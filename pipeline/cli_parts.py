"""What the commands share: their arguments and options, and how they tell what happened."""

from __future__ import annotations

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
UNATTENDED = "Running by itself"

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
WaitOption = Annotated[
    float,
    typer.Option("--wait", metavar="SECONDS", min=0, help="Wait so long for another run to end."),
]


@contextmanager
def problems_told() -> Iterator[None]:
    """Print what stops a run, without a traceback, and exit with its status."""
    try:
        yield
    except ColdMinutesError as error:
        for problem in error.problems:
            typer.echo(printable(str(problem)), err=True)
        raise typer.Exit(error.exit_code) from error
    except Exception as error:
        # Imported only now: most commands end well, and some never need a database.
        import duckdb

        from pipeline.disk import disk_problem, is_disk_full

        is_database = isinstance(error, duckdb.OutOfMemoryException | duckdb.IOException)
        if not (is_database or is_disk_full(error)):
            raise
        problem = disk_problem(error)
        typer.echo(printable(str(problem)), err=True)
        raise typer.Exit(4) from error


@contextmanager
def progress_bar() -> Iterator[Progress | None]:
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


def tell_intake(intake: IngestReport) -> None:
    """Print what came in; of findings that are alike, the first few."""
    told: Counter[str] = Counter()
    for problem in intake.problems:
        told[problem.code] += 1
        if told[problem.code] <= _MOST_OF_A_KIND:
            typer.echo(printable(str(problem)), err=True)
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
    replaced_n = intake.rows_superseded_n + intake.rows_withdrawn_n
    if replaced_n:
        typer.echo(f"Corrections: {replaced_n:,} rows replaced; they are kept for audit.")


def tell_edition(edition: Edition) -> None:
    tell_intake(edition.intake)
    typer.echo(f"Week {edition.week_id}:")
    tables = [path for path in edition.paths if path.parent.name == "tables"]
    for path in edition.paths:
        if path not in tables:
            typer.echo(f"  {printable(str(path))}")
    if tables:
        typer.echo(f"  {printable(str(tables[0].parent))}: {len(tables)} files")


def echo_lines(lines: Iterable[str]) -> None:
    """Print lines of which each stays one, whatever a name in them holds."""
    for line in lines:
        typer.echo(printable(line).replace("\n", "\\n"))


def write_csv(path: Path, rows: list[dict[str, Any]], columns: Sequence[str]) -> None:
    from pipeline.report.tables import csv_text

    write(path, csv_text(rows, {column: column for column in columns}), newline="")


def write(path: Path, text: str, newline: str | None = None, code: str = "CURVES-03") -> None:
    """Write a file the user named, and say so; `code` is the finding where it cannot be."""
    try:
        path.write_text(text, encoding="utf-8", newline=newline)
    except OSError as error:
        problem = Problem(
            code,
            "stop",
            str(path),
            f"cannot be written ({error.strerror or error})",
            "Name a file in a folder that exists and may be written to.",
        )
        raise ColdMinutesError([problem]) from error
    typer.echo(f"Wrote {printable(str(path))}")


def printable(text: str) -> str:
    """Text that any terminal can take: control characters and bytes that are not UTF-8 are
    shown as escapes, so that a cell of an export cannot steer the terminal."""
    safe = text.encode("utf-8", "backslashreplace").decode("utf-8")
    return "".join(
        letter if letter == "\n" or letter.isprintable() else repr(letter)[1:-1] for letter in safe
    )


def status(intake: IngestReport) -> int:
    return 1 if intake.files_failed_n else 0

"""Commands of the first hour: draft a mapping, start a fleet, ask for data, check one file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_parts import (
    CsvOption,
    NoPdfOption,
    echo_lines,
    printable,
    problems_told,
    progress_bar,
    status,
    tell_edition,
    write,
    write_csv,
)
from pipeline.problems import ColdMinutesError, Problem

FIRST = "First hour"
ZoneOption = Annotated[
    str | None,
    typer.Option("--zone", metavar="ZONE", help="IANA zone of stamps without an offset."),
]


def draft(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="An export.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="TOML", help="Such as sources/logger.toml.")
    ] = None,
    zone: ZoneOption = None,
) -> None:
    """Write a source mapping for an unknown export, with the evidence for each guess.

    Exit status 1: something in it is marked UNSURE.

    Examples:

        coldminutes draft van_03.csv

        coldminutes draft van_03.csv --zone Europe/Stockholm --out my_fleet/sources/logger.toml
    """
    with problems_told():
        from pipeline.draft.make import draft_file

        if zone is not None:
            _check_zone(zone)
        if out is not None and out.exists():
            raise _usage("DRAFT-03", str(out), "something lies here already", "Name a new file.")
        made = draft_file(file, zone)
        if out is None:
            typer.echo(printable(made.text), nl=False)
        else:
            write(out, made.text, code="DRAFT-03")
        doubted = sorted(made.unsure)
        if doubted:
            shown = ", ".join(doubted[:12]) + (" ..." if len(doubted) > 12 else "")
            typer.echo(printable(f"UNSURE: {shown}"), err=True)
    raise typer.Exit(1 if doubted else 0)


def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Made new.", show_default=False)],
    files: Annotated[
        list[Path], typer.Argument(metavar="FILES...", help="Your exports.", show_default=False)
    ],
    zone: ZoneOption = None,
    currency: Annotated[str | None, typer.Option(help="ISO 4217 code, such as EUR.")] = None,
    price: Annotated[
        float | None, typer.Option(min=0, help="Price of a kWh where no tariff is known.")
    ] = None,
    drivers: Annotated[
        str | None, typer.Option(help="What is said of drivers: off, totals or pseudonyms.")
    ] = None,
    operator: Annotated[str | None, typer.Option(help="Name printed on the report.")] = None,
    no_pdf: NoPdfOption = False,
) -> None:
    """Make a fleet folder from your own exports and write a first report.

    What is not told is asked for on a terminal. Nothing is left behind on failure.

    Example:

        coldminutes start my_fleet exports/*.csv --zone Europe/Stockholm --currency EUR
        --price 0.42 --drivers off
    """
    with problems_told():
        given = {"zone": zone, "currency": currency, "price": price, "drivers": drivers}
        told = _asked(dict(given))
        from pipeline.start import StartOptions
        from pipeline.start import start as begin

        options = StartOptions(
            str(told["zone"]),
            str(told["currency"]),
            float(str(told["price"])),
            str(told["drivers"]),
            operator,
        )
        with progress_bar() as progress:
            made = begin(folder, files, options, pdf=not no_pdf, progress=progress)
        for problem in made.left_out:
            typer.echo(printable(str(problem)), err=True)
        echo_lines(made.lines)
        tell_edition(made.edition)
    raise typer.Exit(1 if made.left_out else status(made.edition.intake))


def signals(csv: CsvOption = None) -> None:
    """Print a one-page request for data, for whoever provides the exports.

    Example:

        coldminutes signals --csv request.csv
    """
    with problems_told():
        from pipeline.data_request import REQUEST_COLUMNS, request_lines, request_rows

        echo_lines(request_lines())
        if csv is not None:
            write_csv(csv, request_rows(), REQUEST_COLUMNS)


def check_one_file(path: Path) -> None:
    """What `check` says of a single file."""
    from pipeline.file_check import file_lines

    echo_lines(file_lines(path))


_QUESTIONS = {
    "zone": "Time zone of the fleet (IANA name, such as Europe/Stockholm)",
    "currency": "Currency (ISO code, such as EUR)",
    "price": "Price of a kWh where no tariff is known",
    "drivers": "What may be said of drivers (off, totals, pseudonyms)",
}


def _asked(given: dict[str, str | float | None]) -> dict[str, str | float]:
    """What was not given is asked for on a terminal; elsewhere it stops the run."""
    missing = [key for key, value in given.items() if value is None]
    if missing and not sys.stdin.isatty():
        raise _usage(
            "START-04",
            "start",
            f"missing: {', '.join('--' + key for key in missing)}",
            "Give them, or run this on a terminal to be asked. Nothing was written.",
        )
    told = {
        key: value if value is not None else str(typer.prompt(_QUESTIONS[key]))
        for key, value in given.items()
    }
    problems: list[Problem] = []
    _check_zone(str(told["zone"]))
    currency = str(told["currency"])
    if not (len(currency) == 3 and currency.isascii() and currency.isupper()):
        problems.append(_problem("--currency", currency, "an ISO 4217 code such as EUR"))
    if told["drivers"] not in ("off", "totals", "pseudonyms"):
        problems.append(_problem("--drivers", str(told["drivers"]), "off, totals or pseudonyms"))
    try:
        if not 0 <= float(told["price"]) < 1e6:
            raise ValueError
    except ValueError:
        problems.append(_problem("--price", str(told["price"]), "a number, 0 or more"))
    if problems:
        raise ColdMinutesError(problems)
    return told


def _check_zone(zone: str) -> None:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise ColdMinutesError(
            [_problem("--zone", zone, "an IANA time zone such as Europe/Stockholm or UTC")]
        ) from error


def _problem(option: str, got: str, expected: str) -> Problem:
    return Problem("START-04", "stop", option, f"got {got!r}, expected {expected}", "Mend it.")


def _usage(code: str, where: str, message: str, remedy: str) -> ColdMinutesError:
    return ColdMinutesError([Problem(code, "stop", where, message, remedy)])


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    app.command(rich_help_panel=FIRST)(start)
    app.command(rich_help_panel=FIRST)(draft)
    app.command(rich_help_panel=FIRST)(signals)

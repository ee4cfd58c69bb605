"""Commands about what was taken in: the rows set aside, and which export replaces which."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_parts import (
    MORE,
    FleetArgument,
    WaitOption,
    echo_lines,
    problems_told,
    status,
    tell_intake,
    write,
)


def quarantine(
    fleet: FleetArgument,
    file: Annotated[
        str | None, typer.Option("--file", metavar="F", help="Only this file, as printed here.")
    ] = None,
    rule: Annotated[
        str | None, typer.Option("--rule", metavar="R", help="Only rows that broke this rule.")
    ] = None,
    export: Annotated[
        Path | None,
        typer.Option("--export", metavar="OUT.csv", help="Write the rows to be mended."),
    ] = None,
) -> None:
    """Show the rows set aside, by file and rule, and write them out to be mended.

    Mend the values in the exported file and drop it into inbox/: its rows count at the next run.

    Examples:

        coldminutes quarantine my_fleet

        coldminutes quarantine my_fleet --rule out_of_range --export mend.csv
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.edition import warehouse_of
        from pipeline.quarantine_view import exports, quarantine_lines

        bare = None if file is None else file.removeprefix("inbox/")
        with warehouse_of(load_fleet(fleet)) as con:
            echo_lines(quarantine_lines(con, bare, rule))
            made, left_n = exports(con, bare, rule, export) if export is not None else ([], 0)
        for one in made:
            # A byte order mark: without it spreadsheets take UTF-8 for something else.
            write(one.path, "\ufeff" + one.text, newline="", code="QUARANTINE-02")
            typer.echo(f"  {one.rows_n} rows; mend them and drop the file into inbox/.")
        if left_n:
            typer.echo(
                f"{left_n} rows are not in it: of them too little was kept, or they are records "
                "to be mended where they come from.",
                err=True,
            )


def supersede(
    fleet: FleetArgument,
    old_file: Annotated[str, typer.Argument(metavar="OLD_FILE", help="The export replaced.")],
    new_file: Annotated[str, typer.Argument(metavar="NEW_FILE", help="Its correction.")],
    whole: Annotated[
        bool,
        typer.Option("--whole", help="Every row of the old file, whatever time the new covers."),
    ] = False,
    wait: WaitOption = 0.0,
) -> None:
    """Say that one export replaces another, and take it in so.

    The rows of the old file within the time of the new one, vehicle by vehicle, are kept for
    audit and count no more. To have names say it, set supersedes = "name" in the source.

    Example:

        coldminutes supersede my_fleet van_03_week2.csv van_03_week2_new.csv
    """
    with problems_told():
        from datetime import UTC, datetime

        from pipeline.config import load_fleet
        from pipeline.edition import take_in, warehouse_of
        from pipeline.ingest.replace import replace_file

        loaded, now = load_fleet(fleet), datetime.now(UTC)
        with warehouse_of(loaded, wait_s=wait) as con:
            old, new = replace_file(con, loaded, old_file, new_file, whole, now)
            intake = take_in(con, loaded, now)
        echo_lines([f"{new} replaces {old}."])
        tell_intake(intake)
    raise typer.Exit(status(intake))


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    app.command(rich_help_panel=MORE)(quarantine)
    app.command(rich_help_panel=MORE)(supersede)

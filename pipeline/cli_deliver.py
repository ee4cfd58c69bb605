"""The command that sends what waits, shows it, and takes a person's word about it."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from pipeline.cli_parts import (
    UNATTENDED,
    FleetArgument,
    WaitOption,
    echo_lines,
    printable,
    problems_told,
)
from pipeline.problems import Problem


def deliver(
    fleet: FleetArgument,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only list what waits and what became of the rest.")
    ] = False,
    again: Annotated[
        str | None,
        typer.Option("--again", metavar="ID", help="Send an item once more: it did not arrive."),
    ] = None,
    settled: Annotated[
        str | None,
        typer.Option("--settled", metavar="ID", help="Close an item: it did arrive, or need not."),
    ] = None,
    wait: WaitOption = 0.0,
) -> None:
    """Send what waits, by mail and into folders, and list what became of it.

    What goes to whom stands in fleet.toml, under [mail] and [[deliver]]. Ends with 1 where
    something did not go or waits for a person's word.

    Examples:

        coldminutes deliver my_fleet

        coldminutes deliver my_fleet --settled d12
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.deliver import delivery_rows, send_waiting
        from pipeline.deliver.view import decide, delivery_lines
        from pipeline.edition import warehouse_of

        loaded, now = load_fleet(fleet), datetime.now(UTC)
        problems: list[Problem] = []
        with warehouse_of(loaded, wait_s=wait) as con:
            if settled is not None:
                echo_lines([decide(con, loaded, settled, "settled", now)])
            if again is not None:
                echo_lines([decide(con, loaded, again, "again", now)])
            if not (dry_run or settled is not None):
                problems = send_waiting(con, loaded, now, has_pauses=False)
            for problem in problems:
                typer.echo(printable(str(problem)), err=True)
            echo_lines(delivery_lines(con))
            is_open = any(delivery_rows(con)["is_for_a_person"])
    raise typer.Exit(1 if problems or is_open else 0)


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(rich_help_panel=UNATTENDED)(deliver)

"""The command that lays vehicle, charger and bill side by side."""

from __future__ import annotations

from typing import Annotated

import typer

from pipeline.cli_parts import MORE, CsvOption, FleetArgument, echo_lines, problems_told, write_csv


def reconcile(
    fleet: FleetArgument,
    week: Annotated[
        str | None,
        typer.Option(help="ISO week like 2026-W03; default: the last complete one with data."),
    ] = None,
    csv: CsvOption = None,
) -> None:
    """Lay each charge of a week as vehicle, charger and bill show it side by side.

    Shows what was billed and never seen, seen and never billed, and where energy or cost differ.
    Works on what was taken in before; `coldminutes ingest` takes in what is new.

    Examples:

        coldminutes reconcile my_fleet

        coldminutes reconcile my_fleet --week 2026-W03 --csv charges.csv
    """
    with problems_told():
        from datetime import UTC, datetime

        from pipeline import reconcile as sides
        from pipeline.config import load_fleet
        from pipeline.edition import check_week, compute, newest_week, warehouse_of
        from pipeline.reconcile_view import CSV_COLUMNS, reconciled_lines, told_rows

        if week is not None:
            check_week(week)
        loaded = load_fleet(fleet)
        with warehouse_of(loaded) as con:
            compute(con, loaded)
            week_id = week or newest_week(con, loaded, datetime.now(UTC))
            sides.reconcile(con, loaded, week_id)
            rows = sides.reconciled(con, week_id)
            second_n = sides.second_reports_n(con, loaded, week_id)
        echo_lines(reconciled_lines(rows, loaded, week_id, second_n))
        if csv is not None:
            write_csv(csv, told_rows(rows, loaded.zone), CSV_COLUMNS)


def register(app: typer.Typer) -> None:
    """Add the command of this module to the program."""
    app.command(rich_help_panel=MORE)(reconcile)

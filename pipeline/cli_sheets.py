"""The command that writes one-page documents on request."""

from __future__ import annotations

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
    app.command(rich_help_panel=DAILY)(sheets)


def sheets(
    fleet: FleetArgument,
    week: Annotated[
        str | None,
        typer.Option("--week", help="ISO week like 2026-W03; default: the last one with data."),
    ] = None,
    vehicle: Annotated[
        list[str] | None, typer.Option("--vehicle", metavar="ID", help="The page of this vehicle.")
    ] = None,
    stop: Annotated[
        list[str] | None,
        typer.Option(
            "--stop", metavar="STOP_ID", help="The page of this stop, as the list prints it."
        ),
    ] = None,
    drivers: Annotated[
        bool, typer.Option("--drivers", help="A page for each driver, where that is allowed.")
    ] = False,
    models: Annotated[
        bool, typer.Option("--models", help="When to begin warming, a card for each model.")
    ] = False,
    accounts: Annotated[
        bool, typer.Option("--accounts", help="The month that ends in the week, for the books.")
    ] = False,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the pages go.")] = Path(
        "sheets"
    ),
    no_pdf: NoPdfOption = False,
    wait: WaitOption = 0.0,
) -> None:
    """Write one-page documents: of a vehicle, a stop, the drivers, the models, the month.

    Every edition has those of vehicles with a finding, of models and of the month already.

    Examples:

        coldminutes sheets my_fleet --vehicle van-03 --vehicle van-07

        coldminutes sheets my_fleet --stop van-03.2026-01-14.1 --out /tmp/stop
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.report.sheets.of_edition import SheetsWanted
        from pipeline.sheets_made import make_sheets

        wanted = SheetsWanted(tuple(vehicle or ()), tuple(stop or ()), drivers, models, accounts)
        if wanted == SheetsWanted():
            raise typer.BadParameter(
                "say which: --vehicle ID, --stop STOP_ID, --drivers, --models or --accounts"
            )
        loaded = load_fleet(fleet)
        with progress_bar() as progress:
            paths = make_sheets(
                loaded, week, wanted, out, pdf=not no_pdf, progress=progress, wait_s=wait
            )
        for path in paths:
            typer.echo(f"Wrote {printable(str(path))}")

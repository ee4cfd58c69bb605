"""The command that lays a week of many fleets side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_parts import MORE, NoPdfOption, WaitOption, printable, problems_told


def register(app: typer.Typer) -> None:
    """Add the command to the program."""
    app.command(rich_help_panel=MORE)(group)


def group(
    fleets: Annotated[
        list[Path],
        typer.Argument(metavar="FLEET...", help="Folders of fleets or depots.", show_default=False),
    ],
    week: Annotated[
        str | None,
        typer.Option(
            "--week", help="ISO week like 2026-W03; default: the newest that any fleet has."
        ),
    ] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Receives <week>/.")] = Path(
        "group"
    ),
    no_pdf: NoPdfOption = False,
    wait: WaitOption = 0.0,
) -> None:
    """Write one report over many fleets or depots, from what each has taken in already.

    Minutes and energy are added up, currencies never; people are not in it.

    Examples:

        coldminutes group depots/* --out /srv/group

        coldminutes group north south --week 2026-W03
    """
    with problems_told():
        from pipeline.group.make import make_group, missing_problem

        made = make_group(fleets, week, out, pdf=not no_pdf, wait_s=wait)
        for each in made.missing:
            typer.echo(printable(str(missing_problem(each, made.week_id))), err=True)
        for path in made.paths:
            typer.echo(f"Wrote {printable(str(path))}")
    raise typer.Exit(1 if made.missing else 0)

"""The command of an unattended round: `due`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.cli_parts import (
    UNATTENDED,
    FleetArgument,
    NoPdfOption,
    WaitOption,
    printable,
    problems_told,
    progress_bar,
    status,
    tell_intake,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.rounds import Round
    from pipeline.rounds.due import Due


def due(
    fleet: FleetArgument,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what is due; take in and make nothing.")
    ] = False,
    wait: WaitOption = 0.0,
    no_pdf: NoPdfOption = False,
    after_silence: Annotated[
        bool,
        typer.Option("--after-silence", help="Close many weeks without data; the clock is right."),
    ] = False,
) -> None:
    """Do all that is due, once: take in what has arrived, make every week that is missing, hand on.

    What a timer calls. Weeks missed while the machine was off are made in order; a week whose late
    data change what its edition says is issued again as revised; a week without data has an edition
    that says so. Where another round is under way this one does nothing and ends with status 0.

    Examples:

        coldminutes due my_fleet

        coldminutes due my_fleet --dry-run
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.rounds import look_ahead, make_round

        loaded = load_fleet(fleet)
        if dry_run:
            tell_due(look_ahead(loaded, wait_s=wait))
            raise typer.Exit
        with progress_bar() as progress:
            done = make_round(
                loaded,
                pdf=not no_pdf,
                progress=progress,
                wait_s=wait,
                after_silence=after_silence,
            )
        tell_round(done)
    raise typer.Exit(status(done.intake) if done.intake else 0)


def tell_due(items: Sequence[Due]) -> None:
    """Print what is due, a week a line."""
    why = {"first": "no edition yet", "late_data": "its data have changed since its edition"}
    for item in items:
        silent = "" if item.has_data else "; no data came in for it"
        typer.echo(f"{item.week_id}: {why[item.reason]}{silent}")
    if not items:
        typer.echo("Nothing is due on the data taken in so far.")


def tell_round(done: Round) -> None:
    """Print what a round did."""
    told = {id(problem) for problem in done.intake.problems} if done.intake else set()
    for problem in done.problems:
        if id(problem) not in told:
            typer.echo(printable(str(problem)), err=True)
    if done.intake is not None:
        tell_intake(done.intake)
    for note in done.editions:
        revised = "" if note.edition_no == 1 else f", revised (edition {note.edition_no})"
        typer.echo(f"Week {note.week_id}{revised}: {printable(str(_folder(done, note.week_id)))}")
    for week_id in done.same:
        typer.echo(f"Week {week_id}: late data, and its edition says the same as before.")
    if not done.editions and not done.is_skipped:
        typer.echo("No edition was due.")


def _folder(done: Round, week_id: str) -> str:
    paths = done.paths[week_id]
    return str(next(path.parent for path in paths if path.name == "fleet.html"))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(rich_help_panel=UNATTENDED)(due)

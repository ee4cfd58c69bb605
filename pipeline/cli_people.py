"""Commands about people's data: notice, approval, access, forgetting, retention and the log."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_parts import (
    FleetArgument,
    WaitOption,
    echo_lines,
    printable,
    problems_told,
    progress_bar,
    write,
)

PEOPLE = "People's data"
DriverArgument = Annotated[
    str, typer.Argument(metavar="DRIVER", help="Id, name or alias of the driver.")
]


def notice(
    fleet: FleetArgument,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write it there.")
    ] = None,
) -> None:
    """Print what is processed about people, why, how long, and who sees it.

    A text for staff and works council to start from, made from the fleet's settings; no legal
    advice.

    Example:

        coldminutes notice my_fleet --out notice.txt
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.people.notice import notice_text

        text = notice_text(load_fleet(fleet))
        if out is None:
            echo_lines(text.splitlines())
        else:
            write(out, text, code="PEOPLE-07")


def approve(
    fleet: FleetArgument,
    finding: Annotated[
        str | None, typer.Argument(metavar="[FINDING]", help="As the list prints it; none lists.")
    ] = None,
    withdraw: Annotated[
        bool, typer.Option("--withdraw", help="Take the finding out of documents to come.")
    ] = False,
    wait: WaitOption = 0.0,
) -> None:
    """List findings about single drivers, and let one into the documents.

    None stands in a document before somebody approved it here.

    Examples:

        coldminutes approve my_fleet

        coldminutes approve my_fleet p3
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.edition import warehouse_of
        from pipeline.people.findings import State, decide, finding_lines
        from pipeline.people.log import user

        loaded = load_fleet(fleet)
        with warehouse_of(loaded, wait_s=wait) as con:
            if finding is None:
                echo_lines(finding_lines(con, loaded))
                return
            state: State = "withdrawn" if withdraw else "approved"
            decide(con, loaded, finding, state, user(), datetime.now(UTC))
        echo_lines([f"{finding} is {state}; documents made from now on follow."])


def access(
    fleet: FleetArgument,
    driver: DriverArgument,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE.zip", help="The file to write.")
    ] = Path("access.zip"),
    wait: WaitOption = 0.0,
) -> None:
    """Write all that is held about a driver into one file, to hand over to that driver.

    Example:

        coldminutes access my_fleet driver-nine --out /tmp/driver-nine.zip
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.edition import warehouse_of
        from pipeline.people.access import write_access

        loaded = load_fleet(fleet)
        with warehouse_of(loaded, wait_s=wait) as con:
            rows = write_access(con, loaded, driver, out, datetime.now(UTC))
        for table, rows_n in rows.items():
            typer.echo(f"  {table}: {rows_n:,} rows")
        typer.echo(f"Wrote {printable(str(out))}; hand it to that driver and to nobody else.")


def forget(
    fleet: FleetArgument,
    driver: DriverArgument,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask; it cannot be undone.")] = False,
) -> None:
    """Forget a driver: warehouse, exports in the inbox, rows set aside, editions, configuration.

    Sums stay as they are. A new export does not bring the driver back. If it is broken off, say
    it again.

    Example:

        coldminutes forget my_fleet driver-nine
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.people.forget import forget as forget_person
        from pipeline.people.forget import forgotten_lines
        from pipeline.people.log import user

        loaded = load_fleet(fleet)
        if not yes:
            typer.confirm("This cannot be undone. Forget this driver?", abort=True)
        done = forget_person(loaded, driver, user())
        echo_lines(forgotten_lines(done))
    raise typer.Exit(1 if done.remains else 0)


def retain(
    fleet: FleetArgument,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Only say what would go; change nothing.")
    ] = False,
    wait: WaitOption = 0.0,
) -> None:
    """Delete what is past its time by [retention] in fleet.toml; no total changes.

    Examples:

        coldminutes retain my_fleet --dry-run

        coldminutes retain my_fleet
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.people.retention import retained_lines
        from pipeline.people.upkeep import keep_to_retention

        loaded, now = load_fleet(fleet), datetime.now(UTC)
        with progress_bar() as progress:
            done, left_n = keep_to_retention(
                loaded, now, dry_run=dry_run, progress=progress, wait_s=wait
            )
        echo_lines(retained_lines(done, dry_run=dry_run))
        if left_n:
            typer.echo(f"{left_n} forgettings were broken off: say them again.", err=True)
    raise typer.Exit(1 if left_n else 0)


def log(fleet: FleetArgument) -> None:
    """Show who ran what on a fleet folder, and whether the log is whole.

    Example:

        coldminutes log my_fleet
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.people.log import entries

        found, wrong = entries(load_fleet(fleet).state)
        echo_lines(
            f"{entry.get('no', '?'):>6}  {entry.get('at', '?')}  {entry.get('user', '?')}  "
            f"{entry.get('command', '?')} {entry.get('options', '')}"
            for entry in found
        )
        for each in wrong:
            typer.echo(f"PEOPLE-08 commands.log: {each}", err=True)
    raise typer.Exit(1 if wrong else 0)


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    for command in (notice, approve, access, forget, retain, log):
        app.command(rich_help_panel=PEOPLE)(command)

"""Commands for whoever looks after the machine: status, backup and restore."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from pipeline.cli_parts import (
    UNATTENDED,
    FleetArgument,
    WaitOption,
    echo_lines,
    printable,
    problems_told,
)
from pipeline.problems import ColdMinutesError


def status(
    fleets: Annotated[
        list[Path],
        typer.Argument(
            metavar="FLEET...", help="Folders that hold fleet.toml.", show_default=False
        ),
    ],
    as_json: Annotated[bool, typer.Option("--json", help="For a machine to read.")] = False,
) -> None:
    """Say how fleets stand: last run, coverage, queue, deliveries, disk, backups; warnings first.

    Changes nothing and waits for nobody. Exit status 1 when a person has to do something.

    Examples:

        coldminutes status my_fleet

        coldminutes status depots/* --json
    """
    from pipeline.config import load_fleet
    from pipeline.health.status import status_of
    from pipeline.health.status_words import status_json, status_lines

    told: list[dict[str, Any]] = []
    wants_a_person = False
    for number, folder in enumerate(fleets):
        with problems_told():
            try:
                loaded = load_fleet(folder)
                found = status_of(loaded, datetime.now(UTC))
            except ColdMinutesError as error:
                # One fleet that cannot be read must not hide how the others stand.
                wants_a_person = True
                told.append({"folder": str(folder), "wants_a_person": True,
                             "problems": [_as_json(each) for each in error.problems]})  # fmt: skip
                if not as_json:
                    echo_lines([f"{folder}: cannot be looked at"])
                    echo_lines(f"  ! {line}" for each in error.problems
                               for line in str(each).splitlines())  # fmt: skip
                continue
        wants_a_person |= found.wants_a_person
        if as_json:
            told.append(status_json(found))
        else:
            echo_lines([""] if number else [])
            echo_lines(status_lines(found, loaded.zone))
    if as_json:
        typer.echo(json.dumps(told, indent=2))
    raise typer.Exit(1 if wants_a_person else 0)


def backup(
    fleet: FleetArgument,
    to: Annotated[
        Path | None,
        typer.Option("--to", metavar="DIR", help="Another folder; such a copy is yours to delete."),
    ] = None,
    wait: WaitOption = 60.0,
) -> None:
    """Copy warehouse, configuration and log, look through the copy, remove old ones.

    Keys and exports are not in it. Waits for a run that is at work.

    Examples:

        coldminutes backup my_fleet

        coldminutes backup my_fleet --to /mnt/disk/cold
    """
    with problems_told():
        from pipeline.backup import make_backup, rotate
        from pipeline.backup.store import read_manifest, tree_bytes
        from pipeline.config import load_fleet
        from pipeline.health.status_words import mb

        loaded, now = load_fleet(fleet), datetime.now(UTC)
        path = make_backup(loaded, now, to=to, wait_s=wait)
        manifest = read_manifest(path)
        typer.echo(f"Wrote {printable(str(path))}")
        typer.echo(
            f"  {sum(manifest.rows.values()):,} rows in {len(manifest.rows)} tables, "
            f"{len(manifest.files) - 1} other files, {mb(tree_bytes(path))}; looked through."
        )
        typer.echo(
            "  Keys of pseudonyms and passwords are not in it, nor the exports: keep those too."
        )
        if to is None:
            for gone in rotate(loaded, now):
                typer.echo(f"  removed {printable(str(gone))}, past its number or time")


def restore(
    fleet: Annotated[Path, typer.Argument(metavar="FLEET", help="A fleet folder, or a new one.")],
    backup: Annotated[
        str, typer.Argument(metavar="BACKUP", help="Its folder or name, or 'newest'.")
    ],
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    wait: WaitOption = 0.0,
) -> None:
    """Bring back a backup; what is there now is laid aside.

    Exports in the inbox and reports stay as they are. After a new version of the program, this
    leads back: restore, then install the earlier version.

    Examples:

        coldminutes restore my_fleet newest

        coldminutes restore new_machine/my_fleet /mnt/disk/cold/2026-03-02T060012Z-round --yes
    """
    with problems_told():
        from pipeline.backup.choose import chosen
        from pipeline.backup.restoring import restore as bring_back

        found = chosen(fleet, backup)
        if not yes:
            typer.confirm(
                f"Put {printable(str(found))} in the place of what is in {printable(str(fleet))}?",
                abort=True,
            )
        done = bring_back(fleet, found, datetime.now(UTC), wait_s=wait)
        manifest = done.manifest
        typer.echo(
            f"Restored the state of {manifest.made_at:%Y-%m-%d %H:%M} UTC: "
            f"{sum(manifest.rows.values()):,} rows, schema {manifest.schema_no}, "
            f"method {manifest.method_version or 'none'}."
        )
        if done.aside is not None:
            typer.echo(f"  What was there lies in {printable(str(done.aside))}")
        for name in done.config_aside:
            typer.echo(f"  laid aside too, since the backup has no such file: {printable(name)}")
        if done.forgotten_n:
            typer.echo(f"  {done.forgotten_n} people forgotten since were taken out again.")
        typer.echo(
            "  Exports taken in since are taken in again by the next run, from the inbox. Keys of "
            "pseudonyms come from where you keep them."
        )


def _as_json(problem: Any) -> dict[str, Any]:
    return {
        "code": problem.code,
        "wants_a_person": True,
        "where": problem.where,
        "message": problem.message,
        "remedy": problem.remedy,
    }


def register(app: typer.Typer) -> None:
    """Add the commands of this module to the program."""
    for command in (status, backup, restore):
        app.command(rich_help_panel=UNATTENDED)(command)

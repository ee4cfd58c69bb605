"""Commands that let the program run by itself: `serve`, `deploy` and `service`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pipeline.cli_parts import UNATTENDED, FleetArgument, printable, problems_told, write

FleetsArgument = Annotated[
    list[Path], typer.Argument(metavar="FLEET...", help="Fleet folders.", show_default=False)
]


def service(
    fleets: FleetsArgument,
    user: Annotated[
        str, typer.Option("--user", metavar="NAME", help="Account that runs the program.")
    ] = "coldminutes",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Write the files there.")
    ] = None,
) -> None:
    """Print a systemd service and timer that run `coldminutes due` by [schedule] in fleet.toml.

    The way for one small box: no server, and what was missed while it was off is made up for.

    Examples:

        coldminutes service my_fleet

        coldminutes service my_fleet --user fleet --out /etc/systemd/system
    """
    with problems_told():
        from pipeline.config import load_fleet
        from pipeline.service_unit import how_to_start, program_path, unit_files

        files: dict[str, str] = {}
        for fleet in fleets:
            files |= unit_files(load_fleet(fleet), user, program_path())
        if out is not None:
            for name, text in files.items():
                write(out / name, text, code="SERVE-03")
        else:
            for name, text in files.items():
                typer.echo(f"# ---- {name}\n{printable(text)}")
        for line in how_to_start(list(files), user):
            typer.echo(printable(line), err=True)


def serve(
    fleets: FleetsArgument,
    port: Annotated[
        int, typer.Option("--port", min=1024, max=65535, help="On this machine only.")
    ] = 4200,
    home: Annotated[
        Path | None,
        typer.Option("--home", metavar="DIR", help="Server's folder; default: in the first fleet."),
    ] = None,
) -> None:
    """Run the fleets by [schedule] in their fleet.toml, on a Prefect server of our own.

    The server listens on this machine only and tells nobody that it runs; it and the process that
    runs the plan are started again when they end. Ctrl-C stops all.

    Examples:

        coldminutes serve my_fleet

        coldminutes serve depot_north depot_south --port 4300
    """
    with problems_told():
        import signal
        from threading import Event

        from pipeline.config import load_fleet
        from pipeline.flows.environment import AUTH_NAME
        from pipeline.flows.serving import serve_fleets

        loaded = [load_fleet(fleet) for fleet in fleets]
        place = (home or loaded[0].state / "prefect").resolve()
        stop = Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: stop.set())
        typer.echo(f"Name and password of the server's pages: {printable(str(place / AUTH_NAME))}")
        serve_fleets(
            [fleet.folder for fleet in loaded],
            place,
            port,
            max(fleet.settings.schedule.history_days for fleet in loaded),
            lambda line: typer.echo(printable(line)),
            stop,
        )


def deploy(
    fleet: FleetArgument,
    pool: Annotated[str, typer.Option("--pool", metavar="NAME", help="Work pool of the server.")],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="FILE", help="Write them there for `prefect deploy` instead."
        ),
    ] = None,
) -> None:
    """Write the fleet's schedule as deployments to an existing Prefect server (PREFECT_API_URL).

    The machines that work for the pool need this program and the fleet folder at the same place.

    Examples:

        coldminutes deploy my_fleet --pool depot

        coldminutes deploy my_fleet --pool depot --out prefect.yaml
    """
    with problems_told():
        from pipeline.config import load_fleet

        loaded = load_fleet(fleet)
        from pipeline.flows.deployments import apply, as_yaml

        if out is not None:
            write(out, as_yaml(loaded, pool), code="SERVE-03")
            return
        for name in apply(loaded, pool):
            typer.echo(f"Wrote deployment {printable(name)}")


def register(app: typer.Typer) -> None:
    """Add the commands to the program."""
    for command in (service, serve, deploy):
        app.command(rich_help_panel=UNATTENDED)(command)

"""Text of a systemd service and timer that make a fleet's rounds by themselves.

References
----------
systemd.unit(5) on ``%`` and quoting, systemd.exec(5), systemd.timer(5), systemd.time(7).
"""

from __future__ import annotations

import os
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from pipeline.config import Fleet
from pipeline.flows.plan import key_of
from pipeline.problems import ColdMinutesError, Problem

_DAYS = ("Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_USER = re.compile(r"[a-z_][a-z0-9_-]{0,30}")
STOP_AFTER_H = 12


def unit_files(fleet: Fleet, user: str, program: str) -> dict[str, str]:
    """Name -> text of the service and its timer.

    Parameters
    ----------
    user
        Account that runs the program; it needs to read and write the fleet folder only.
    program
        Path of the ``coldminutes`` command.

    Raises
    ------
    ColdMinutesError
        ``SERVE-04``, where systemd could not take the account or the folder's name.
    """
    if not _USER.fullmatch(user):
        raise _refused(user, "is no name of an account", "Name one with --user, like coldminutes.")
    folder = str(fleet.folder)
    for path in (folder, program):
        if any(not letter.isprintable() for letter in path):
            raise _refused(path, "holds letters that no unit file can carry", "Rename the folder.")
    name = f"coldminutes-{key_of(fleet.folder)}"
    return {
        f"{name}.service": _service(fleet, user, program),
        f"{name}.timer": _timer(fleet),
    }


def program_path() -> str:
    """Where the ``coldminutes`` command of this installation is."""
    beside = Path(sys.executable).with_name("coldminutes")
    return str(beside) if beside.exists() else shutil.which("coldminutes") or str(beside)


def on_calendar(cron: str, zone: str) -> str:
    """A cron line, as `pipeline.arrival_config` lets it through, for ``OnCalendar=``.

    >>> on_calendar("*/15 6-8,20 * * 1-5", "Europe/Oslo")
    'Mon..Fri *-*-* 6..8,20:0/15:00 Europe/Oslo'
    >>> on_calendar("30 6 2 */3 *", "UTC")
    '*-1/3-2 6:30:00 UTC'
    """
    minute, hour, day, month, weekday = cron.split()
    days = "" if weekday == "*" else f"{_weekdays(weekday)} "
    date = f"*-{_field(month, 1)}-{_field(day, 1)}"
    return f"{days}{date} {_field(hour, 0)}:{_field(minute, 0)}:00 {zone}"


def quoted(text: str) -> str:
    """One word of a command in a unit file: quotes, ``%`` and ``$`` mean themselves.

    >>> quoted('/srv/my fleet/50 % $x')
    '"/srv/my fleet/50 %% $$x"'
    """
    return '"' + _escaped(text).replace("$", "$$") + '"'


def how_to_start(names: list[str], user: str) -> Iterator[str]:
    """What a person does with the files."""
    timers = [name for name in names if name.endswith(".timer")]
    yield "As root: put the files into /etc/systemd/system, then"
    yield f"  useradd --system --home-dir /var/empty {user}     # once; it needs the fleet folder"
    yield "  systemctl daemon-reload"
    for timer in timers:
        yield f"  systemctl enable --now {timer}"
    yield "Secrets for mail or fetching go into /etc/coldminutes/<unit name>.env, mode 600."


def _service(fleet: Fleet, user: str, program: str) -> str:
    name = key_of(fleet.folder)
    folder = str(fleet.folder)
    lines = [
        "[Unit]",
        f"Description=Cold Minutes, rounds of {_escaped(fleet.folder.name)}",
        "Documentation=man:systemd.service(5)",
        "Wants=network-online.target",
        "After=network-online.target time-sync.target",
        "",
        "[Service]",
        "Type=oneshot",
        f"User={user}",
        f"ExecStart={quoted(program)} due {quoted(folder)}",
        # 1: done, but something was left out, and the documents say what.
        "SuccessExitStatus=1",
        f"TimeoutStartSec={STOP_AFTER_H}h",
        f"EnvironmentFile=-/etc/coldminutes/coldminutes-{name}.env",
        "Environment=HOME=%S/coldminutes XDG_CACHE_HOME=%C/coldminutes "
        "XDG_CONFIG_HOME=%S/coldminutes MPLCONFIGDIR=%C/coldminutes",
        "StateDirectory=coldminutes",
        "StateDirectoryMode=0700",
        "CacheDirectory=coldminutes",
        "UMask=0027",
        "Nice=5",
        "IOSchedulingClass=idle",
        "",
        "ProtectSystem=strict",
        f'ReadWritePaths="{_escaped(folder)}"',
        # What lies under /home can be read where the fleet or the program does, and nowhere else.
        *_home(folder, program),
        "PrivateTmp=yes",
        "PrivateDevices=yes",
        "NoNewPrivileges=yes",
        "CapabilityBoundingSet=",
        "AmbientCapabilities=",
        "ProtectKernelTunables=yes",
        "ProtectKernelModules=yes",
        "ProtectKernelLogs=yes",
        "ProtectControlGroups=yes",
        "ProtectClock=yes",
        "ProtectHostname=yes",
        "ProtectProc=invisible",
        "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6",
        "RestrictNamespaces=yes",
        "RestrictRealtime=yes",
        "RestrictSUIDSGID=yes",
        "LockPersonality=yes",
        "RemoveIPC=yes",
        "SystemCallArchitectures=native",
        "SystemCallFilter=@system-service",
        "SystemCallErrorNumber=EPERM",
        "",
    ]
    return "\n".join(lines)


def _home(folder: str, program: str) -> list[str]:
    homes = ("/home", "/root", "/run/user")
    inside = [
        path
        for path in (folder, sys.prefix, sys.base_prefix, os.path.dirname(program))  # noqa: PTH120
        if any(Path(path).is_relative_to(home) for home in homes)
    ]
    return ["ProtectHome=read-only"] if inside else ["ProtectHome=yes"]


def _timer(fleet: Fleet) -> str:
    schedule = fleet.settings.schedule
    zone = schedule.time_zone or fleet.settings.time_zone
    lines = [
        "[Unit]",
        f"Description=When Cold Minutes makes the rounds of {_escaped(fleet.folder.name)}",
        "",
        "[Timer]",
        "# A round does all that is due, whichever line began it.",
        *dict.fromkeys(
            f"OnCalendar={on_calendar(cron, zone)}" for cron in (schedule.arrivals, schedule.report)
        ),
        "# What was missed while the machine was off is made up for at the next start.",
        "Persistent=true",
        "AccuracySec=1min",
        "RandomizedDelaySec=30s",
        "",
        "[Install]",
        "WantedBy=timers.target",
        "",
    ]
    return "\n".join(lines)


def _field(text: str, first: int) -> str:
    """One field of cron as one of a calendar event; `first` is its least number."""
    made = []
    for part in text.split(","):
        span, _, step = part.partition("/")
        span = span.replace("-", "..")
        if step:
            span = f"{first}/{step}" if span == "*" else f"{span}/{step}"
        made.append(span)
    return ",".join(made)


def _weekdays(text: str) -> str:
    """Weekdays by name; Sunday is 0 and 7, and a range with a step is a list."""
    made = []
    for part in text.split(","):
        span, _, step = part.partition("/")
        first, _, last = ("0-6" if span == "*" else span).partition("-")
        numbers = range(int(first), int(last or first) + 1, int(step or 1))
        if step or int(first) == 0:  # a week of systemd begins on Monday
            made += [_DAYS[number] for number in numbers]
        else:
            made.append(f"{_DAYS[int(first)]}..{_DAYS[int(last)]}" if last else _DAYS[int(first)])
    return ",".join(dict.fromkeys(made))


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")


def _refused(where: str, message: str, remedy: str) -> ColdMinutesError:
    return ColdMinutesError([Problem("SERVE-04", "stop", where, message, remedy)])

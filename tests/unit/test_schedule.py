"""What runs by itself: the plan of a fleet, the unit files of systemd, the processes of `serve`."""

from __future__ import annotations

import os
import re
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from conftest import ROOT
from small_fleet import write_fleet
from typer.testing import CliRunner

from pipeline import cli
from pipeline.config import load_fleet
from pipeline.flows import serving
from pipeline.flows.environment import AUTH_NAME, environment
from pipeline.flows.plan import key_of, planned, running_or_coming
from pipeline.flows.serving import serve_fleets
from pipeline.problems import ColdMinutesError
from pipeline.service_unit import on_calendar, unit_files

SCHEDULE = """
[schedule]
time_zone = "America/St_Johns"
arrivals = "*/10 5-22 * * 1-6"
report = "0 6 * * 0,1"
budget = "0 4 1 * *"
"""
HOSTILE = 'my 50% "fleet" $HOME \\n é'


def test_the_plan_follows_the_settings(tmp_path: Path) -> None:
    plain = planned(load_fleet(write_fleet(tmp_path / "a" / "Depot Nord")))
    assert [(item.job, item.cron, item.time_zone) for item in plain] == [
        ("arrivals", "*/15 * * * *", "Europe/Stockholm"),
        ("report", "0 6 * * 1", "Europe/Stockholm"),
        ("accounts", "30 6 2 * *", "Europe/Stockholm"),
        ("retention", "0 3 * * 0", "Europe/Stockholm"),
    ]
    told = planned(load_fleet(write_fleet(tmp_path / "b" / "Depot Nord", settings=SCHEDULE)))
    assert [item.job for item in told if item.time_zone == "America/St_Johns"] == [
        "arrivals", "report", "accounts", "budget", "retention"]  # fmt: skip
    # Two folders of one name are two fleets, and a name fits where Prefect and systemd want it.
    assert plain[0].name != told[0].name
    assert re.fullmatch(r"depot-nord-[0-9a-f]{6}-arrivals", plain[0].name)
    assert re.fullmatch(r"[a-z0-9-]+", key_of(tmp_path / HOSTILE))


@pytest.mark.parametrize(
    ("today", "months", "season"),
    [
        (date(2026, 9, 30), (10, 4), "2026-10..2027-04"),
        (date(2027, 4, 30), (10, 4), "2026-10..2027-04"),
        (date(2027, 5, 1), (10, 4), "2027-10..2028-04"),
        (date(2026, 12, 1), (1, 3), "2027-01..2027-03"),
        (date(2026, 2, 1), (1, 3), "2026-01..2026-03"),
    ],
)
def test_the_season_is_the_one_that_runs_or_comes(
    today: date, months: tuple[int, int], season: str
) -> None:
    assert running_or_coming(today, *months) == season


CRONS = [
    ("0 6 * * 1", ["2026-12-07 06:00", "2026-12-14 06:00"]),
    ("*/25 8 * * *", ["2026-12-01 08:00", "2026-12-01 08:25", "2026-12-01 08:50"]),
    ("30 6 2 * *", ["2026-12-02 06:30", "2027-01-02 06:30"]),
    ("0 5-7/2,20 1 */6 *", ["2027-01-01 05:00", "2027-01-01 07:00", "2027-01-01 20:00"]),
    ("15 3 * * 0,6", ["2026-12-05 03:15", "2026-12-06 03:15", "2026-12-12 03:15"]),
    ("0 12 * * 5-7", ["2026-12-04 12:00", "2026-12-05 12:00", "2026-12-06 12:00"]),
    ("0 12 * * 0-1", ["2026-12-06 12:00", "2026-12-07 12:00"]),
    ("0 12 * * */3", ["2026-12-02 12:00", "2026-12-05 12:00", "2026-12-06 12:00"]),
]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze")
@pytest.mark.parametrize(("cron", "expected"), CRONS)
def test_systemd_reads_a_cron_line_as_it_was_meant(cron: str, expected: list[str]) -> None:
    """Against systemd's own reading (systemd-analyze calendar); the days worked out by hand."""
    command = ["systemd-analyze", "calendar", f"--iterations={len(expected)}",
               "--base-time=2026-12-01 00:00:00 UTC", on_calendar(cron, "UTC")]  # fmt: skip
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    found = re.findall(r"(?:elapse|Iteration #\d+|Iter\. #\d+): \w+ (\S+ \d\d:\d\d):00 UTC", said)
    assert found == expected


def test_unit_files_carry_any_folder_and_are_closed_all_around(tmp_path: Path) -> None:
    """Names and signs as systemd.unit(5) and systemd.exec(5) have them."""
    folder = write_fleet(tmp_path / HOSTILE, settings=SCHEDULE)
    files = unit_files(load_fleet(folder), "fleet", "/opt/cold minutes/bin/coldminutes")
    service = next(text for name, text in files.items() if name.endswith(".service"))
    timer = next(text for name, text in files.items() if name.endswith(".timer"))
    quoted = r"my 50%% \"fleet\" $$HOME \\n é"
    assert f'ExecStart="/opt/cold minutes/bin/coldminutes" due "{tmp_path}/{quoted}"' in service
    for line in ("User=fleet", "ProtectSystem=strict", "NoNewPrivileges=yes", "PrivateTmp=yes",
                 "CapabilityBoundingSet=", "SystemCallFilter=@system-service"):  # fmt: skip
        assert line in service.splitlines()
    assert "Persistent=true" in timer
    assert "OnCalendar=Mon..Sat *-*-* 5..22:0/10:00 America/St_Johns" in timer
    assert "OnCalendar=Sun,Mon *-*-* 6:0:00 America/St_Johns" in timer
    for wrong in ("root; rm", "a b", "-x", ""):
        with pytest.raises(ColdMinutesError, match="SERVE-04"):
            unit_files(load_fleet(folder), wrong, "/x")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="no systemd-analyze")
def test_systemd_takes_the_unit_files(tmp_path: Path) -> None:
    """`systemd-analyze verify` finds nothing to say of them."""
    folder = write_fleet(tmp_path / HOSTILE, settings=SCHEDULE)
    (tmp_path / "units").mkdir()
    command = ["service", str(folder), "--user", "root", "--out", str(tmp_path / "units")]
    made = CliRunner().invoke(cli.app, command)
    assert made.exit_code == 0, made.output
    paths = sorted((tmp_path / "units").iterdir())
    assert [path.suffix for path in paths] == [".service", ".timer"]
    done = subprocess.run(
        ["systemd-analyze", "verify", *map(str, paths)], capture_output=True, text=True, check=False
    )
    about_ours = [line for line in done.stderr.splitlines() if "coldminutes-" in line]
    assert (done.returncode, about_ours) == (0, [])


def test_the_processes_are_told_loopback_and_silence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Settings by the names that the installed Prefect has (its `prefect.settings`)."""
    monkeypatch.setenv("PREFECT_API_URL", "https://somewhere.else/api")
    monkeypatch.setenv("PREFECT_API_KEY", "x")
    env = environment(tmp_path / "home", 4205, 7)
    assert env["PREFECT_API_URL"] == "http://127.0.0.1:4205/api"
    assert "PREFECT_API_KEY" not in env
    assert env["PREFECT_SERVER_API_HOST"] == "127.0.0.1"
    assert env["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert env["DO_NOT_TRACK"] == "1"
    assert (tmp_path / "home" / AUTH_NAME).stat().st_mode & 0o777 == 0o600
    assert environment(tmp_path / "home", 4205, 7) == env  # the word is kept


FAKE_SERVER = """
import http.server, sys
class Answer(http.server.BaseHTTPRequestHandler):
    def do_GET(self):
        self.send_response(200); self.end_headers()
    def log_message(self, *_): pass
http.server.HTTPServer(("127.0.0.1", int(sys.argv[1])), Answer).serve_forever()
"""


@pytest.fixture
def port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


@pytest.fixture
def fakes(monkeypatch: pytest.MonkeyPatch, port: int) -> Iterator[list[subprocess.Popen[bytes]]]:
    """A server and a runner that cost nothing to start; those started, in order."""
    started: list[subprocess.Popen[bytes]] = []
    true_popen = subprocess.Popen

    def popen(command: list[str], **options: Any) -> subprocess.Popen[bytes]:
        is_server = "prefect" in command
        code = FAKE_SERVER if is_server else "import time; time.sleep(600)"
        made = true_popen([sys.executable, "-S", "-c", code, str(port)], **options)
        started.append(made)
        return made

    monkeypatch.setattr(serving.subprocess, "Popen", popen)
    monkeypatch.setattr(serving, "FIRST_PAUSE_S", 0.01)
    yield started
    assert all(process.poll() is not None for process in started), "a process was left behind"


def test_a_killed_server_is_started_again_with_the_runner(
    tmp_path: Path, port: int, fakes: list[subprocess.Popen[bytes]]
) -> None:
    said: list[str] = []
    stop = Event()

    def say(line: str) -> None:
        said.append(line)
        listening = [line for line in said if "listens" in line]
        if "listens" in line and len(listening) == 1:
            fakes[0].send_signal(signal.SIGKILL)
        elif "listens" in line and len(listening) == 2:
            fakes[3].send_signal(signal.SIGKILL)  # the second runner
        elif "listens" in line:
            stop.set()

    serve_fleets([tmp_path], tmp_path / "home", port, 7, say, stop)
    assert len(fakes) == 6
    assert "server ended (killed by signal 9)" in said[1]
    assert "Nothing is lost" in said[1]
    assert "process that runs the plan ended (killed by signal 9)" in said[3]
    assert said[-1] == "Stopped."


def test_two_at_once_and_a_port_that_is_taken(
    tmp_path: Path, port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = tmp_path / "home"
    home.mkdir()
    with serving._only_one(home), pytest.raises(ColdMinutesError, match="SERVE-01"):
        serve_fleets([], home, port, 7, print, Event())
    true_popen = subprocess.Popen
    monkeypatch.setattr(
        serving.subprocess,
        "Popen",
        lambda _, **options: true_popen(
            [sys.executable, "-S", "-c", "raise SystemExit(1)"], **options
        ),
    )
    with pytest.raises(ColdMinutesError, match="SERVE-02"):
        serve_fleets([], home, port, 7, print, Event())


def test_the_command_line_and_the_plan_need_no_prefect() -> None:
    code = (
        "import sys, pipeline.cli, pipeline.edition, pipeline.flows.serving, pipeline.flows.plan;"
        "import pipeline.arrivals, pipeline.service_unit;"
        "sys.exit(bool({'prefect', 'fsspec', 'paramiko'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False, env=os.environ)
    assert done.returncode == 0

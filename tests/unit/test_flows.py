"""One test runs a flow; all others call the stages (the first flow of a process costs seconds)."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

from conftest import ROOT
from fleets import MONDAY, drive_and_charge, drop, write_fleet


def test_the_weekly_flow_writes_the_week(tmp_path: Path) -> None:
    """In a process of its own, so that Prefect's temporary server and warnings stay there."""
    fleet = write_fleet(tmp_path / "fleet")
    drop(fleet, drive_and_charge(plug_in=MONDAY + timedelta(hours=2)))
    code = (
        "import sys; from pipeline.flows import weekly_report; "
        "print(weekly_report(sys.argv[1], week_id='2026-W03', pdf=False))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(fleet)],
        cwd=ROOT,
        env=os.environ
        | {
            "PREFECT_HOME": str(tmp_path / "prefect"),
            "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
            "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "150",
            "DO_NOT_TRACK": "1",
        },
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert "summary.json" in done.stdout
    assert (fleet / "reports" / "2026-W03" / "summary.json").exists()


def test_the_command_line_needs_no_prefect() -> None:
    code = "import sys, pipeline.cli, pipeline.edition; sys.exit('prefect' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False)
    assert done.returncode == 0

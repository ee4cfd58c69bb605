"""One test runs a flow; all others call the stages (the first flow of a process costs seconds)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

from conftest import ROOT
from fleets import MONDAY, drive_and_charge, drop, write_fleet

from pipeline.arrivals import settled
from pipeline.config import load_fleet
from pipeline.flows.plan import key_of
from pipeline.flows.waiting import waiting_helps
from pipeline.ingest.inbox import list_inbox
from pipeline.problems import ColdMinutesError, Problem

FLOW = """
import json, sys
from pathlib import Path
from prefect.client.orchestration import get_client
from pipeline.flows.jobs import arrivals
from pipeline.rounds.lock import round_lock

state = arrivals(sys.argv[1], pdf=False, return_state=True)
with get_client(sync_client=True) as client:
    artifacts = {a.key: a.type for a in client.read_artifacts()}
    kept = client.read_artifacts()
with round_lock(Path(sys.argv[1]) / ".coldminutes"):
    skipped = arrivals(sys.argv[1], pdf=False, return_state=True)
(Path(sys.argv[1]) / "fleet.toml").write_text("operator = 3")
broken = arrivals(sys.argv[1], pdf=False, return_state=True)
print(json.dumps({
    "name": state.name, "message": state.message, "artifacts": artifacts,
    "data": [str(a.data) for a in kept], "skipped": [skipped.name, skipped.message],
    "broken": [broken.name, broken.message]}))
"""


def test_a_flow_makes_the_week_skips_beside_another_and_fails_in_our_words(tmp_path: Path) -> None:
    """In a process of its own, so that Prefect's temporary server and warnings stay there."""
    fleet = write_fleet(tmp_path / "fleet")
    drop(fleet, drive_and_charge(plug_in=MONDAY + timedelta(hours=2)))
    # Seen by an earlier look, and still since then.
    before = datetime.now(UTC) - timedelta(minutes=2)
    seen = settled(list_inbox(fleet / "inbox")[0], before, load_fleet(fleet))
    assert len(seen[1]) == 1
    done = subprocess.run(
        [sys.executable, "-c", FLOW, str(fleet)],
        cwd=ROOT,
        env=os.environ
        | {
            "PREFECT_HOME": str(tmp_path / "prefect"),
            "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
            "PREFECT_SERVER_EPHEMERAL_ENABLED": "true",
            "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "150",
            "DO_NOT_TRACK": "1",
        },
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    said = json.loads(done.stdout.splitlines()[-1])
    assert said["name"] == "Completed", said
    assert said["message"].startswith("1 files taken in, 0 left out;")
    assert (fleet / "reports").is_dir()
    assert sorted(said["artifacts"].values()) == ["markdown", "table"]
    assert all(key.startswith(key_of(fleet)) for key in said["artifacts"])
    assert any("fleet.html](file://" in told for told in said["data"])
    assert any("lost_cold_min" in told for told in said["data"])
    assert said["skipped"] == ["Skipped", "Another round is under way; it does this one's."]
    # A user's mistake: once, in the sentences of the command line, without a traceback.
    assert said["broken"][0] == "Failed"
    assert "CONFIG-03 fleet.toml, key operator" in said["broken"][1]
    assert "CONFIG-03 fleet.toml, key operator" in done.stderr
    assert "Retry 1/" not in done.stderr
    assert "Traceback" not in done.stderr, done.stderr[-3000:]


def test_only_waiting_for_somebody_else_is_tried_again() -> None:
    def error(*codes: str) -> ColdMinutesError:
        return ColdMinutesError([Problem(code, "stop", "x", "y") for code in codes])

    assert waiting_helps(error("WAREHOUSE-01"))
    assert waiting_helps(ConnectionResetError())
    assert waiting_helps(TimeoutError())
    for mistake in (error("CONFIG-03"), error("WAREHOUSE-01", "CONFIG-03"), error(), ValueError()):
        assert not waiting_helps(mistake)
    assert not waiting_helps(None)

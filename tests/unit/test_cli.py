"""The command line as a user meets it: messages, exit status, nothing half-written."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from conftest import ROOT
from fleets import FLEET_TOML, MONDAY, drive_and_charge, drop, nav, write_fleet

from pipeline.cli import app, main
from pipeline.config import FleetSettings

PLUG_IN = MONDAY + timedelta(hours=2)
STOP = "v1.2026-01-12.1"


def call(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit status, standard output, standard error of one command."""
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return int(left.value.code or 0), out, err


@pytest.fixture
def fleet(tmp_path: Path) -> Path:
    folder = write_fleet(tmp_path / "fleet")
    drop(folder, drive_and_charge(plug_in=PLUG_IN, heater=(-30, 0), cell_arrival_degc=22))
    nav(folder, (PLUG_IN - timedelta(minutes=50), "set", True))
    return folder


def test_run_writes_the_week(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = call(capsys, "run", str(fleet), "--no-pdf")
    assert status == 0
    assert "2026-W03" in out
    week = fleet / "reports" / "2026-W03"
    made = ["fleet.html", "summary.json", "tables", "tables.xlsx"]
    assert sorted(path.name for path in week.iterdir()) == made
    summary = json.loads((week / "summary.json").read_text())
    assert (summary["stops"], summary["warmed"], summary["hit_rate"]) == (1, 1, 1.0)
    assert summary["warming_kwh"] == pytest.approx(2.5, abs=0.05)


def test_a_second_run_changes_nothing(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call(capsys, "run", str(fleet), "--no-pdf")
    week = fleet / "reports" / "2026-W03"
    first = {path: path.read_bytes() for path in sorted(week.rglob("*")) if path.is_file()}
    status, out, _ = call(capsys, "run", str(fleet), "--no-pdf")
    assert status == 0
    assert "0 taken in, 2 known already" in out
    second = {path: path.read_bytes() for path in sorted(week.rglob("*")) if path.is_file()}
    assert first == second


def test_out_and_week(fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out_dir = tmp_path / "else where"
    arguments = ("run", str(fleet), "--no-pdf", "--out", str(out_dir), "--week", "2026-W02")
    status, _, _ = call(capsys, *arguments)
    assert status == 0
    assert json.loads((out_dir / "2026-W02" / "summary.json").read_text())["stops"] == 0


@pytest.mark.parametrize(
    ("arguments", "status", "expected"),
    [
        (("--week", "2026-W60"), 2, "there is no week '2026-W60'"),
        (("--week", "last"), 2, "write it like 2026-W03"),
    ],
)
def test_a_week_that_is_none(
    fleet: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    status: int,
    expected: str,
) -> None:
    got, _, err = call(capsys, "run", str(fleet), "--no-pdf", *arguments)
    assert got == status
    assert expected in err
    assert not (fleet / "reports").exists()


def test_an_empty_inbox(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = call(capsys, "run", str(write_fleet(tmp_path / "fleet")), "--no-pdf")
    assert status == 3
    assert "nothing to report on" in err
    assert "coldminutes check" in err


def test_a_file_left_out_shows_in_the_status(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (fleet / "inbox" / "log_broken.csv").write_bytes(b"\x00\x01binary\xff" * 50)
    status, out, err = call(capsys, "run", str(fleet), "--no-pdf")
    assert status == 1
    assert "log_broken.csv" in err
    assert "1 left out" in out
    assert (fleet / "reports" / "2026-W03" / "summary.json").exists()


def test_explain_leads_back_to_rows(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call(capsys, "run", str(fleet), "--no-pdf")
    status, out, _ = call(capsys, "explain", str(fleet), STOP)
    assert status == 0
    for part in ("Outcome: warmed", "inbox" if "inbox/" in out else "log_1.csv", "2.5",
                 "set to a charging place", "Lost = active"):  # fmt: skip
        assert part in out


def test_explain_an_unknown_stop_names_its_neighbours(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call(capsys, "run", str(fleet), "--no-pdf")
    status, _, err = call(capsys, "explain", str(fleet), "v1.2026-01-12.9")
    assert status == 2
    assert STOP in err


def test_explain_tells_no_time_of_a_rental(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_fleet(
        tmp_path / "fleet", vehicles='[vehicles.v1]\nmodel = "flat-60"\nuse = "rental"'
    )
    drop(folder, drive_and_charge(plug_in=PLUG_IN))
    call(capsys, "run", str(folder), "--no-pdf")
    _, out, _ = call(capsys, "explain", str(folder), STOP)
    assert "2026-01-12" in out
    assert "09:00" not in out and "08:00" not in out
    html = (folder / "reports" / "2026-W03" / "fleet.html").read_text()
    table = (folder / "reports" / "2026-W03" / "tables" / "stops.csv").read_text()
    assert "09:00" not in html + table and "08:00" not in html + table


def test_check_changes_nothing_and_says_what_would_help(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write_fleet(tmp_path / "fleet", models="[models.flat-60]\nusable_kwh = 60\n")
    frame = drive_and_charge(plug_in=PLUG_IN)
    drop(folder, frame.with_columns(soc=pl.when(pl.int_range(pl.len()) == 5)
                                    .then(140.0).otherwise(pl.col("soc"))))  # fmt: skip
    before = sorted(folder.rglob("*"))
    status, out, _ = call(capsys, "check", str(folder))
    assert status == 1
    assert sorted(folder.rglob("*")) == before
    assert "out_of_range" in out
    assert "models.flat-60.warm_curve" in out
    assert "1 stops" in out


def test_ingest_alone(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = call(capsys, "ingest", str(fleet))
    assert status == 0
    assert "2 taken in" in out
    assert not (fleet / "reports").exists()


def test_a_changed_configuration_recomputes(
    fleet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    call(capsys, "run", str(fleet), "--no-pdf")
    (fleet / "fleet.toml").write_text(FLEET_TOML.replace("0.40", "0.80"))
    call(capsys, "run", str(fleet), "--no-pdf")
    summary = json.loads((fleet / "reports" / "2026-W03" / "summary.json").read_text())
    assert summary["warming_cost"] == pytest.approx(2.0, abs=0.05)


def test_a_warehouse_in_use_is_named(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    call(capsys, "ingest", str(fleet))
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('held', flush=True); "
            "sys.stdin.read()",
            str(fleet / ".coldminutes" / "warehouse.duckdb"),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline().strip() == "held"
        status, _, err = call(capsys, "run", str(fleet), "--no-pdf")
    finally:
        holder.communicate()
    assert status == 5
    assert "another run holds this warehouse" in err


def test_what_is_no_warehouse_is_refused(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (fleet / ".coldminutes").mkdir()
    (fleet / ".coldminutes" / "warehouse.duckdb").write_bytes(b"not a database" * 1000)
    status, _, err = call(capsys, "run", str(fleet), "--no-pdf")
    assert status == 5
    assert "WAREHOUSE-04" in err and "restore" in err and "rebuilt from the exports" in err


def test_a_newer_warehouse_is_refused(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import duckdb

    call(capsys, "ingest", str(fleet))
    with duckdb.connect(str(fleet / ".coldminutes" / "warehouse.duckdb")) as con:
        con.execute("insert into schema_versions values (9999, 'from the future')")
    status, _, err = call(capsys, "run", str(fleet), "--no-pdf")
    assert status == 5
    assert "schema 9999" in err


def commands() -> list[str]:
    return sorted(
        str(command.name or command.callback.__name__)  # type: ignore[union-attr]
        for command in app.registered_commands
    )


def test_every_command_has_help_with_an_example(capsys: pytest.CaptureFixture[str]) -> None:
    for command in commands():
        status, out, _ = call(capsys, command, "--help")
        assert status == 0
        assert f"coldminutes {command}" in out, command
    _, out, _ = call(capsys, "--help")
    assert out.index("run") < out.index("schema")


def test_the_readme_names_every_command_and_option() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in commands():
        assert re.search(rf"`(coldminutes )?{command}\b", readme), command


def test_the_settings_that_the_readme_shows_are_settings() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", readme, flags=re.DOTALL)
    shown = [block for block in blocks if "[schedule]" in block or block.startswith("# fleet.toml")]
    assert len(shown) == 2
    for block in shown:
        told = {"operator": "x", "time_zone": "Europe/Stockholm"} | tomllib.loads(block)
        FleetSettings.model_validate(told)


def test_missing_pango_is_told_before_work_begins(
    fleet: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.problems import Problem

    monkeypatch.setattr(
        "pipeline.report.check_pdf_support",
        lambda: Problem("ENV-01", "stop", "this machine", "no Pango", "apt-get install ..."),
    )
    status, _, err = call(capsys, "run", str(fleet))
    assert status == 4
    assert "apt-get install" in err
    assert not (fleet / ".coldminutes" / "warehouse.duckdb").exists()


def test_no_cell_can_steer_the_terminal(fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    drop(fleet, drive_and_charge(plug_in=PLUG_IN, vehicle="v2", site="\x1b[31mred"), "log_2.csv")
    call(capsys, "run", str(fleet), "--no-pdf")
    _, out, _ = call(capsys, "explain", str(fleet), "v2.2026-01-12.1")
    assert "red" in out
    assert "\x1b" not in out

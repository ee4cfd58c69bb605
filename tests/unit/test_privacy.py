"""What is said about drivers, at each level, and where the key lies."""

from __future__ import annotations

import csv
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from fleets import FLEET_TOML, MONDAY, NOW, drive_and_charge, drop, write_fleet

from pipeline.config import load_fleet
from pipeline.edition import make_edition
from pipeline.people.keys import default_key_path

NAME = "Ylva Fjord"

RECORD = 'purpose = "coaching"\nagreed_on = 2026-01-05\nagreement = "with staff, invented"'


def made(tmp_path: Path, privacy: str) -> Path:
    """A week with one driven stop and one nobody is known for; folder of the edition."""
    folder = write_fleet(
        tmp_path / "fleet",
        FLEET_TOML + f"[privacy]\n{privacy}\n",
        drivers=f'[drivers.driver-nine]\nname = "{NAME}"\n',
    )
    pl.DataFrame(
        {"vehicle": ["v1"], "from": ["2026-01-12T05:00:00Z"], "to": ["2026-01-12T12:00:00Z"],
         "driver": ["driver-nine"]}
    ).write_csv(folder / "inbox" / "roster_1.csv")  # fmt: skip
    for day in (0, 1):
        plug_in = MONDAY + timedelta(hours=2, days=day)
        drop(folder, drive_and_charge(plug_in=plug_in), f"log_{day}.csv")
    make_edition(load_fleet(folder), pdf=False, now=NOW, week_id="2026-W03")
    return folder / "reports" / "2026-W03"


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def everything(week: Path) -> str:
    files = [path for path in week.rglob("*") if path.is_file()]
    return "".join(path.read_text(encoding="utf-8", errors="replace") for path in files)


def test_off_says_nothing(tmp_path: Path) -> None:
    week = made(tmp_path, 'driver_analysis = "off"')
    assert rows(week / "tables" / "drivers.csv") == []
    assert {row["driver_id"] for row in rows(week / "tables" / "stops.csv")} == {""}
    assert NAME not in everything(week) and "driver-nine" not in everything(week)


def test_totals_name_nobody(tmp_path: Path) -> None:
    week = made(tmp_path, 'driver_analysis = "totals"')
    assert {row["driver_id"] for row in rows(week / "tables" / "stops.csv")} == {""}
    labels = {next(iter(row.values())) for row in rows(week / "tables" / "drivers.csv")}
    assert labels == {"all drivers", "unassigned"}
    assert NAME not in everything(week)


def test_pseudonyms_are_keyed_and_stable(tmp_path: Path) -> None:
    week = made(tmp_path, f'driver_analysis = "pseudonyms"\n{RECORD}')
    text = everything(week)
    assert NAME not in text
    labels = {row["driver_id"] for row in rows(week / "tables" / "stops.csv")} - {"", "unassigned"}
    assert len(labels) == 1
    key = default_key_path(load_fleet(week.parent.parent))
    assert not key.is_relative_to(week.parent.parent)
    assert key.stat().st_mode & 0o077 == 0
    assert len(key.read_text().strip()) == 64
    other = made(tmp_path / "other", f'driver_analysis = "pseudonyms"\n{RECORD}')
    assert labels.isdisjoint({row["driver_id"] for row in rows(other / "tables" / "stops.csv")})


@pytest.mark.parametrize("missing", ["purpose", "agreed_on", "agreement"])
def test_without_a_full_record_nobody_is_told_apart(tmp_path: Path, missing: str) -> None:
    record = "\n".join(line for line in RECORD.splitlines() if not line.startswith(missing))
    week = made(tmp_path, f'driver_analysis = "pseudonyms"\n{record}')
    assert {row["driver_id"] for row in rows(week / "tables" / "stops.csv")} == {""}
    drivers = [row["driver_label"] for row in rows(week / "tables" / "drivers.csv")]
    assert set(drivers) <= {"all drivers", "unassigned"} and drivers
    assert NAME not in everything(week)


def test_names_where_a_purpose_is_recorded(tmp_path: Path) -> None:
    week = made(tmp_path, f'driver_analysis = "names"\n{RECORD}')
    assert NAME in {row["driver_id"] for row in rows(week / "tables" / "stops.csv")}


def test_the_unassigned_share_is_printed(tmp_path: Path) -> None:
    import json

    week = made(tmp_path, 'driver_analysis = "pseudonyms"')
    summary = json.loads((week / "summary.json").read_text())
    assert summary["unassigned_driver_rate"] == pytest.approx(0.5)

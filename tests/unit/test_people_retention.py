"""Retention: what is past its time goes, and no total changes, whatever is computed again."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from fleets import FLEET_TOML, MONDAY, SAMPLES_TOML, drive_and_charge, drop, write_fleet

from pipeline.config import Fleet, load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.people.retention import Retained, cut_offs, retain, retained_lines

LATER = MONDAY + timedelta(days=60)
MUCH_LATER = MONDAY + timedelta(days=460)
SITES = """
[sites.fast]
power_kw = 150
mode = "dc"
latitude_deg = 59.0
longitude_deg = 18.0
[sites.far]
power_kw = 50
mode = "dc"
latitude_deg = 60.0
longitude_deg = 18.0
"""
POSITIONS = """
latitude_deg = { column = "lat" }
longitude_deg = { column = "lon" }
"""
VEHICLES = '[vehicles.v1]\nmodel = "flat-60"\ndefault_site = "far"\n'
ROSTER = """
kind = "driver_spans"
files = ["roster_*.csv"]
[vehicle]
column = "vehicle"
[columns]
from_at = { column = "from" }
to_at = { column = "to" }
driver_id = { column = "driver" }
use = { column = "use" }
"""
SPANS = """vehicle,from,to,driver,use
v1,2026-01-12T05:00:00Z,2026-01-12T12:00:00Z,drv-ylva,
v1,2026-01-12T08:05:00Z,2026-01-12T08:15:00Z,drv-ylva,break
v1,2026-01-13T03:17:00Z,2026-01-13T19:43:00Z,,rental
"""


def export(day: int) -> pl.DataFrame:
    """A drive of a degree of latitude to the charger at 59 N, and the charge."""
    plug_in = MONDAY + timedelta(hours=2, days=day)
    rows = drive_and_charge(plug_in=plug_in).drop("site")
    is_driving = rows["speed"] > 0
    away = pl.Series([0.3] * rows.height).set(~is_driving, 0.0)
    return rows.with_columns(lat=59.0 + away, lon=pl.lit(18.0))


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("retention") / "fleet"
    write_fleet(folder, FLEET_TOML, sites=SITES, vehicles=VEHICLES)
    source = SAMPLES_TOML.replace('site_id = { column = "site" }\n', "") + POSITIONS
    (folder / "sources" / "log.toml").write_text(source)
    (folder / "sources" / "roster.toml").write_text(ROSTER)
    (folder / "inbox" / "roster_1.csv").write_text(SPANS)
    for day in range(2):
        drop(folder, export(day), f"log_{day}.csv")
    with opened(folder):
        pass
    return folder


@pytest.fixture
def folder(template: Path, tmp_path: Path) -> Path:
    return shutil.copytree(template, tmp_path / "fleet")


@contextmanager
def opened(folder: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, Fleet]]:
    """The fleet's warehouse with everything taken in and computed."""
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, LATER)
        compute(con, fleet)
        yield con, fleet


def settings(folder: Path, text: str) -> None:
    (folder / "fleet.toml").write_text(FLEET_TOML + text)


def stops(con: duckdb.DuckDBPyConnection) -> list[Any]:
    """All facts of the stops but who drove."""
    return con.sql("select * exclude (driver_id) from stops order by plug_in_at").fetchall()


def count(con: duckdb.DuckDBPyConnection, what: str) -> int:
    return int(con.execute(f"select count(*) from {what}").fetchall()[0][0])


def gone(done: Retained, word: str) -> int:
    return next(n for rule, n in done.rows.items() if word in rule)


def everything(con: duckdb.DuckDBPyConnection) -> dict[str, list[Any]]:
    tables = con.execute("select table_name from duckdb_tables() where not temporary").fetchall()
    return {t: con.execute(f'select * from "{t}" order by all').fetchall() for (t,) in tables}


def test_a_dry_run_changes_nothing(folder: Path) -> None:
    with opened(folder) as (con, fleet):
        before = everything(con)
        done = retain(con, fleet, MUCH_LATER, dry_run=True)
        assert everything(con) == before
        assert gone(done, "positions") > 100
        assert gone(done, "spans without their driver") == 2
        assert gone(done, "rental") == 1
        assert "nothing was changed" in "\n".join(retained_lines(done, dry_run=True))


def test_positions_and_rentals_go_and_a_week_computed_again_is_the_same(folder: Path) -> None:
    with opened(folder) as (con, fleet):
        before = stops(con)
        sites = con.sql("select site_id, vehicle_use from stops order by plug_in_at").fetchall()
        assert sites == [("fast", "delivery"), ("fast", "rental")]
        done = retain(con, fleet, LATER)
        assert gone(done, "positions") > 100
        # What is left of positions lies at the charger, of the rental that there was one.
        assert count(con, "samples where latitude_deg is not null") > 100
        assert count(con, "samples where latitude_deg > 59.01") == 0
        spans = con.sql(
            "select from_at, to_at - from_at from driver_spans where use = 'rental'"
        ).fetchall()
        assert spans == [(MONDAY + timedelta(hours=2, days=1), timedelta(seconds=1))]
    settings(folder, "expected_saving_min = 4\n")  # has every week computed again
    with opened(folder) as (con, fleet):
        assert stops(con) == before
        again = retain(con, fleet, LATER)
        assert set(again.rows.values()) == {0}


def test_an_export_repeated_after_its_positions_went_is_a_repeat(folder: Path) -> None:
    with opened(folder) as (con, fleet):
        retain(con, fleet, LATER)
        drop(folder, export(0).head(-1), "log_0_again.csv")
        report = take_in(con, fleet, LATER)
        assert report.rows_repeated_n == export(0).height - 1
        assert count(con, "quarantine") == 0


def test_positions_stay_where_they_are_asked_for(folder: Path) -> None:
    settings(folder, "[privacy]\nkeep_positions = true\n")
    with opened(folder) as (con, fleet):
        retain(con, fleet, LATER)
        assert count(con, "samples where latitude_deg > 59.01") > 100


def test_samples_go_and_their_weeks_are_closed(folder: Path) -> None:
    settings(folder, "[retention]\nsamples_months = 3\npeople_months = 24\n")
    with opened(folder) as (con, fleet):
        before = stops(con)
        charges = count(con, "charge_sessions")
        assert set(con.sql("select driver_id from stops").fetchall()) == {("drv-ylva",), (None,)}
        done = retain(con, fleet, MUCH_LATER)
        assert gone(done, "samples") > 500
        assert count(con, "samples") == 0
        assert stops(con) == before
    settings(folder, "expected_saving_min = 4\n")
    # Late rows of a closed week must not take its place.
    drop(folder, export(0).tail(30).with_columns(soc=pl.lit(99.0)), "log_late.csv")
    with opened(folder) as (con, fleet):
        assert count(con, "samples") == 30
        assert stops(con) == before
        assert count(con, "charge_sessions") == charges


def test_drivers_leave_and_their_breaks_stay(folder: Path) -> None:
    settings(folder, "[retention]\npeople_months = 1\n")
    minutes = "(select sum(epoch(to_at - from_at)) from driver_spans where use = 'break')"
    with opened(folder) as (con, fleet):
        con.execute(
            "insert into people_findings values ('p1', 'drv-ylva', 'x', '2026-W03', '2026-W03', "
            "'approved', now(), null, null), ('p2', 'drv-ylva', 'y', '2026-W03', '2026-W09', "
            "'approved', now(), null, null)"
        )
        retain(con, fleet, LATER)
        assert count(con, "stops where driver_id is not null") == 0
        assert {row[0] for row in con.sql("select driver_id from driver_spans").fetchall()} == {
            "forgotten",
            None,
        }
        assert con.sql(f"select {minutes}").fetchall() == [(600.0,)]
        assert con.sql("select finding_id from people_findings").fetchall() == [("p2",)]
    settings(folder, "[retention]\npeople_months = 1\n")
    with opened(folder) as (con, fleet):
        con.execute("delete from computed_with")
        compute(con, fleet)
        assert count(con, "stops where driver_id is not null") == 0


def test_rows_set_aside_go(folder: Path) -> None:
    with opened(folder) as (con, fleet):
        con.execute(
            "insert into quarantine select file_id, file_path, 1, 'rule', 'c', 'v', 'e', '{}' "
            "from files"
        )
        assert gone(retain(con, fleet, LATER + timedelta(days=170)), "set aside") == 0
        assert gone(retain(con, fleet, LATER + timedelta(days=190)), "set aside") == 3


def test_exports_and_editions_past_their_time(folder: Path) -> None:
    for week_id in ("2022-W40", "2025-W50", "2026-W40"):
        (folder / "reports" / week_id / "drivers").mkdir(parents=True)
        (folder / "reports" / week_id / "drivers" / "x.pdf").write_text("x")
        (folder / "reports" / week_id / "fleet.pdf").write_text("x")
    (folder / "reports" / "2022-W40" / "note.txt").write_text("the operator's own")
    limits = "samples_months = 3\npeople_months = 3\n"
    settings(folder, f"[retention]\n{limits}")
    exports = ["log_0.csv", "log_1.csv", "roster_1.csv"]
    with opened(folder) as (con, fleet):
        done = retain(con, fleet, MUCH_LATER)
    assert [path.name for path in done.inbox_left] == exports
    assert "delete_inbox_files" in "\n".join(retained_lines(done, dry_run=False))
    left = {p.relative_to(folder / "reports").as_posix() for p in folder.rglob("reports/*/*")}
    assert left == {
        "2022-W40/note.txt",
        "2025-W50/fleet.pdf",
        "2026-W40/fleet.pdf",
    }
    settings(folder, f"[retention]\n{limits}delete_inbox_files = true\n")
    with opened(folder) as (con, fleet):
        done = retain(con, fleet, MUCH_LATER)
    assert [path.name for path in done.inbox_files] == exports
    assert list((folder / "inbox").iterdir()) == []


def test_cut_offs_lie_on_week_borders(folder: Path) -> None:
    limits = cut_offs(load_fleet(folder), datetime(2026, 11, 25, 12, tzinfo=UTC))
    # 24 months before is Monday 25 November 2024, whose midnight in Stockholm is 23:00 UTC.
    assert limits["samples_from_at"] == datetime(2024, 11, 24, 23, tzinfo=UTC)
    assert limits["samples_before_at"] == datetime(2024, 11, 22, 23, tzinfo=UTC)
    # 13 months before is Saturday 25 October 2025, in summer time.
    assert limits["people_before_at"] == datetime(2025, 10, 19, 22, tzinfo=UTC)

"""A fleet folder with one or two sources, made in a temporary folder, for tests of the ingest."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline.config import Fleet, Limits, load_fleet
from pipeline.ingest import IngestReport, ingest
from pipeline.warehouse import open_warehouse

NOW = datetime(2026, 2, 1, tzinfo=UTC)

SAMPLES = """
kind = "samples"
files = ["van_*.csv", "van_*.csv.gz", "van_*.zip", "van_*.xlsx", "van_*.parquet"]
[vehicle]
column = "van"
[columns]
sampled_at = { column = "time" }
soc_pct = { column = "soc" }
pack_power_kw = { column = "power", unit = "kW" }
cell_temp_min_degc = { column = "t_min" }
is_connected = { column = "plugged" }
"""

HEADER = "van,time,soc,power,t_min,plugged"


def row(minute: int, soc: object = 50, van: str = "a", **other: object) -> str:
    """One line of a file that fits `SAMPLES`: 5 January 2026, 10:00 UTC and `minute` minutes."""
    time = f"2026-01-05T{10 + minute // 60:02d}:{minute % 60:02d}:00Z"
    cells = {"van": van, "time": time, "soc": soc, "power": 1.5, "t_min": 4, "plugged": 0, **other}
    return ",".join(str(cell) for cell in cells.values())


def text(*rows: str) -> str:
    """A file that fits `SAMPLES`."""
    return "\n".join([HEADER, *rows]) + "\n"


def write_fleet(
    folder: Path, sources: dict[str, str] | None = None, settings: str = "", **files: str
) -> Path:
    """A fleet folder with sources by id (`SAMPLES` by default); other TOML files by stem."""
    (folder / "sources").mkdir(parents=True, exist_ok=True)
    (folder / "inbox").mkdir(exist_ok=True)
    (folder / "fleet.toml").write_text(
        f'operator = "Test Vans"\ntime_zone = "Europe/Stockholm"\n{settings}', encoding="utf-8"
    )
    for source_id, content in (sources or {"logger": SAMPLES}).items():
        (folder / "sources" / f"{source_id}.toml").write_text(content, encoding="utf-8")
    for stem, content in files.items():
        (folder / f"{stem}.toml").write_text(content, encoding="utf-8")
    return folder


def drop(folder: Path, name: str, content: str | bytes) -> Path:
    """Put a file into the inbox."""
    path = folder / "inbox" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return path


@contextmanager
def opened(folder: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, Fleet]]:
    """A warehouse in memory, and the fleet."""
    fleet = load_fleet(folder)
    con = open_warehouse(None, Limits())
    try:
        yield con, fleet
    finally:
        con.close()


def take_in(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime = NOW,
    rows_per_batch: int = 250_000,
) -> IngestReport:
    """Run the stage and hold its result to the law of rows, file by file and in all."""
    report = ingest(con, fleet, now=now, rows_per_batch=rows_per_batch)
    assert_law(con)
    assert report.rows_read_n == (
        report.rows_used_n
        + report.rows_repeated_n
        + report.rows_set_aside_n
        + report.rows_superseded_n
    )
    assert not (fleet.state / "temp" / "ingest").exists(), "unpacked files were left behind"
    return report


def assert_law(con: duckdb.DuckDBPyConnection) -> None:
    """Every row read is used, repeated or set aside, and the tables hold what the ledger says."""
    wrong = con.sql(
        """
        with stored as (
            select file_id, count(*) as n from samples group by all
            union all select file_id, count(*) from nav_events group by all
            union all select file_id, count(*) from reported_sessions group by all
            union all select file_id, count(*) from driver_spans group by all
        ),
        aside as (select file_id, count(*) as n from quarantine group by all),
        spans as (select file_id, sum(rows_n) as n from file_spans group by all),
        replaced as (select file_id, count(*) as n from superseded_rows group by all)
        select * from files
        left join stored using (file_id) left join aside using (file_id)
        left join spans using (file_id) left join replaced using (file_id)
        where rows_read_n
            <> rows_used_n + rows_repeated_n + rows_set_aside_n + rows_superseded_n
            or coalesce(replaced.n, 0) <> rows_superseded_n
            or coalesce(stored.n, 0) <> rows_used_n
            or coalesce(spans.n, 0) <> rows_used_n
            or coalesce(aside.n, 0) <> rows_set_aside_n
        """
    ).pl()
    assert wrong.is_empty(), wrong
    homeless = con.sql(
        """
        select file_id from (
            select file_id from samples union select file_id from quarantine
            union select file_id from file_spans union select file_id from nav_events
            union select file_id from reported_sessions union select file_id from driver_spans
        ) anti join files using (file_id)
        """
    ).fetchall()
    assert homeless == [], "rows of a file that is not in the ledger"
    twice = con.sql(
        "select vehicle_id, sampled_at from samples group by all having count(*) > 1"
    ).fetchall()
    assert twice == []


def samples(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """All samples, without what says where they came from."""
    return con.sql(
        "select * exclude (file_id, file_row) from samples order by vehicle_id, sampled_at"
    ).pl()


def quarantined(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str, str | None, str | None]]:
    """Row, rule, column and value of all rows set aside, in order."""
    return con.sql(
        "select file_row, rule, column_name, value from quarantine order by file_id, file_row"
    ).fetchall()


def codes(report: IngestReport) -> list[str]:
    """Codes of the findings, in order."""
    return [problem.code for problem in report.problems]

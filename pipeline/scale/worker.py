"""What a worker does: a piece of the ingest, or of the stops, in a little warehouse of its own.

Nothing here decides anything: the stages are those of a run on one machine.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import duckdb
import polars as pl

from pipeline.config import Fleet, load_fleet
from pipeline.fleet_tables import write_fleet_tables
from pipeline.ingest import IngestReport, ingest
from pipeline.ingest.inbox import InboxFile
from pipeline.ingest.returned import returned_source
from pipeline.method import parameters
from pipeline.problems import ColdMinutesError, Problem
from pipeline.scale.storage import Storage, partition
from pipeline.stops import FOUND, find_stops
from pipeline.warehouse import open_warehouse, query
from pipeline.weeks import span_of, week_of

LEDGER = ("files", "file_spans", "quarantine", "mended_rows", "dirty_weeks", "inbox_files")
"""Tables of an ingest of samples, beside the samples; all but two hold the file's id."""

SEED = ("files", "file_spans", "nav_events", "reported_sessions", "driver_spans", "dirty_weeks")
"""Tables that the stops stage reads beside the samples."""


@dataclass(frozen=True)
class IntakeJob:
    """Files of some vehicles.

    Parameters
    ----------
    folder
        The fleet's, which the worker sees under the same path.
    files
        In the order of the inbox.
    file_ids
        Name of a file -> the id that the ledger keeps for it.
    """

    folder: Path
    files: tuple[InboxFile, ...]
    file_ids: Mapping[str, int]
    now: datetime
    storage: Storage


@dataclass(frozen=True)
class Partition:
    """A vehicle's week of samples on the storage."""

    vehicle_id: str
    week_id: str
    rows_n: int
    path: str


@dataclass(frozen=True)
class IntakeAnswer:
    """What a worker took in, by the addresses at which it lies."""

    tables: Mapping[str, str]
    partitions: tuple[Partition, ...]
    report: IngestReport


@dataclass(frozen=True)
class StopsJob:
    """Weeks of some vehicles.

    Parameters
    ----------
    seed
        Table -> address of its rows of these vehicles.
    samples
        Addresses of the samples of these weeks and of those beside them.
    """

    folder: Path
    weeks: tuple[str, ...]
    seed: Mapping[str, str]
    samples: tuple[str, ...]
    storage: Storage


@dataclass(frozen=True)
class StopsAnswer:
    """Week -> table -> address of the rows found."""

    found: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def take_in_part(job: IntakeJob) -> IntakeAnswer:
    """Take the files into a little warehouse, and leave its rows on the storage.

    Raises
    ------
    ColdMinutesError
        SCALE-04, where the worker does not see the fleet's folder.
    """
    with _little_warehouse(job.folder) as (con, fleet):
        # Rows that come back belong to a file taken in before, which only the writer knows.
        files = [file for file in job.files if returned_source(file.path, fleet) is None]
        report = ingest(con, fleet, now=job.now, files=files)
        ids = dict(con.execute("select file_id, file_path from files").fetchall())
        renumbered = {file_id: job.file_ids[path] for file_id, path in ids.items()}
        tables = {
            name: job.storage.write(f"ledger/{name}", _owned(con.table(name).pl(), renumbered))
            for name in LEDGER
        }
        return IntakeAnswer(tables, tuple(_partitions(con, fleet, job, renumbered)), report)


def find_part(job: StopsJob) -> StopsAnswer:
    """Find the stops of some vehicles week by week, and leave the rows on the storage."""
    found: dict[str, dict[str, str]] = {}
    with _little_warehouse(job.folder) as (con, fleet):
        for table, path in job.seed.items():
            put_rows(con, table, job.storage.read(path))
        for path in job.samples:
            put_rows(con, "samples", job.storage.read(path))
        write_fleet_tables(con, fleet)
        params = parameters(fleet)
        for week_id in job.weeks:
            find_stops(con, params | {"scope_week_id": week_id})
            found[week_id] = {
                table: job.storage.write(f"found/{week_id}/{table}", con.table(table).pl())
                for table in FOUND
            }
    return StopsAnswer(found)


def put_rows(con: duckdb.DuckDBPyConnection, table: str, rows: pl.DataFrame) -> None:
    """Append rows to one of our tables, column by name."""
    if rows.height:
        arrow = rows.select(con.table(table).columns).to_arrow()
        con.from_arrow(arrow).insert_into(table)


@contextmanager
def _little_warehouse(folder: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, Fleet]]:
    if not (folder / "fleet.toml").is_file():
        problem = Problem(
            "SCALE-04",
            "stop",
            str(folder),
            "a worker does not see this folder",
            "Mount it on every worker under the same path. What was taken in before was kept.",
        )
        raise ColdMinutesError([problem], exit_code=4)
    fleet = load_fleet(folder)
    with tempfile.TemporaryDirectory(prefix="coldminutes-part-") as temp:
        # Temporary files of the ingest go below the folder of the fleet, so that it is the
        # worker's own here; one core each, because every core has a worker.
        limits = fleet.settings.limits.model_copy(update={"threads": 1})
        own = fleet.model_copy(
            update={
                "folder": Path(temp),
                "settings": fleet.settings.model_copy(update={"limits": limits}),
            }
        )
        with closing(open_warehouse(own.state / "warehouse.duckdb", limits)) as con:
            yield con, own


def _owned(rows: pl.DataFrame, renumbered: Mapping[int, int]) -> pl.DataFrame:
    """Rows by the ids that the fleet's ledger keeps for their files."""
    if "file_id" not in rows.columns:
        return rows
    kept = pl.col("file_id").replace_strict(renumbered, return_dtype=rows.schema["file_id"])
    return rows.with_columns(kept)


def _partitions(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, job: IntakeJob, renumbered: Mapping[int, int]
) -> Iterator[Partition]:
    known = con.execute(
        "select list(distinct vehicle_id), min(first_at), max(last_at) from file_spans"
    ).fetchall()[0]
    for vehicle_id, week_id, path, rows_n in kept_weeks(
        con, fleet, known[0] or [], (known[1], known[2]), job.storage, renumbered
    ):
        yield Partition(vehicle_id, week_id, rows_n, path)


def kept_weeks(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    vehicle_ids: list[str],
    reach: tuple[datetime | None, datetime | None],
    storage: Storage,
    renumbered: Mapping[int, int] | None = None,
    skipped: frozenset[tuple[str, str]] = frozenset(),
) -> Iterator[tuple[str, str, str, int]]:
    """Keep the samples of vehicles, week by week, on the storage.

    Yields
    ------
    tuple
        Vehicle, week, address, rows. Weeks in `skipped` are passed over.
    """
    if not vehicle_ids or reach[0] is None or reach[1] is None:
        return
    first = span_of(_week(reach[0], fleet), fleet.zone).from_at
    last = span_of(_week(reach[1], fleet), fleet.zone).to_at
    counted = query(
        con,
        "scale/sample_weeks",
        {
            "zone": fleet.settings.time_zone,
            "vehicle_ids": vehicle_ids,
            "from_at": first,
            "to_at": last,
        },
    )
    for vehicle_id, week_id, rows_n in counted.iter_rows():
        if (vehicle_id, week_id) in skipped:
            continue
        span = span_of(week_id, fleet.zone)
        rows = query(
            con,
            "scale/week_samples",
            {"vehicle_id": vehicle_id, "from_at": span.from_at, "to_at": span.to_at},
        )
        if renumbered is not None:
            rows = _owned(rows, renumbered)
        yield vehicle_id, week_id, storage.write(partition(vehicle_id, week_id), rows), rows_n


def _week(instant: datetime, fleet: Fleet) -> str:
    return week_of(instant, fleet.zone)

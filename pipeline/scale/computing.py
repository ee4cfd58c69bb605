"""The stops stage shared out by vehicles and weeks, recorded by one writer week by week."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import timedelta

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.scale.cluster import cluster_of
from pipeline.scale.storage import Storage, run_storage
from pipeline.scale.worker import SEED, StopsAnswer, StopsJob, find_part, kept_weeks
from pipeline.stops import FOUND, record_stops
from pipeline.warehouse import query, register
from pipeline.weeks import span_of, week_of

Progress = Callable[[str, int, int], None]
Addresses = dict[tuple[str, str], str]

WEEKS_N = 4
"""Weeks in one piece of work: the weeks beside it are read too, so few pieces read less."""
REACH = timedelta(hours=36)
"""As ``stops/scope``: how far beyond its week the stage reads."""


def compute_parts(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    weeks: list[str],
    progress: Progress | None = None,
) -> None:
    """Find and record the stops of the dirty vehicles in `weeks` with the help of a cluster.

    Reads ``scale_partitions`` where the ingest of this run left it; what is not there, or is no
    longer all of a vehicle's week, is copied to the storage first; `clear_storage` removes all.
    """
    scale = fleet.settings.scale
    if scale is None:
        raise AssertionError("a run without [scale] is not shared out")
    storage, addresses = _left_by_ingest(con, fleet)
    jobs = _jobs(con, fleet, weeks, storage, addresses)

    def told(done_n: int) -> None:
        if progress is not None:
            progress("compute on workers", done_n, len(jobs))

    with cluster_of(scale) as cluster:
        answers = cluster.done(find_part, jobs, told)
    for week_id in weeks:
        _record(con, week_id, answers, storage)


def _left_by_ingest(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> tuple[Storage, Addresses]:
    """The run's storage, and the vehicle-weeks on it that are all the warehouse has of them."""
    try:
        left = con.table("scale_partitions").pl()
    except duckdb.CatalogException:
        return run_storage(fleet), {}
    if left.is_empty():
        return run_storage(fleet), {}
    stored = _stored_weeks(con, fleet, left["vehicle_id"].unique().sort().to_list())
    whole = (
        left.group_by("vehicle_id", "week_id", "url")
        .agg(pl.col("rows_n").sum(), pl.col("path").first(), parts_n=pl.len())
        .join(stored, on=["vehicle_id", "week_id", "rows_n"], how="semi")
        .filter(pl.col("parts_n") == 1)
    )
    addresses = {
        (vehicle_id, week_id): path
        for vehicle_id, week_id, path in whole.select("vehicle_id", "week_id", "path").iter_rows()
    }
    return Storage(str(left["url"][0])), addresses


def _stored_weeks(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, vehicle_ids: list[str]
) -> pl.DataFrame:
    reach = con.execute("select min(first_at), max(last_at) from file_spans").fetchall()[0]
    params = {
        "zone": fleet.settings.time_zone,
        "vehicle_ids": vehicle_ids,
        "from_at": reach[0],
        "to_at": reach[1] + timedelta(seconds=1),
    }
    return query(con, "scale/sample_weeks", params)


def _jobs(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    weeks: list[str],
    storage: Storage,
    addresses: Addresses,
) -> list[StopsJob]:
    """Pieces of work in the order of vehicles and weeks, with all they read on the storage."""
    scale = fleet.settings.scale
    vehicles_n = scale.vehicles_n if scale else 1
    dirty = con.table("dirty_weeks").pl().filter(pl.col("week_id").is_in(weeks)).unique()
    vehicle_ids = dirty["vehicle_id"].unique().sort().to_list()
    tables = {name: con.table(name).pl() for name in SEED if name != "files"}
    files = con.table("files").pl()
    jobs = []
    for start in range(0, len(vehicle_ids), vehicles_n):
        group = vehicle_ids[start : start + vehicles_n]
        of_group = {
            name: rows.filter(pl.col("vehicle_id").is_in(group)) for name, rows in tables.items()
        }
        of_group["files"] = files.join(of_group["file_spans"], on="file_id", how="semi")
        mine = of_group["dirty_weeks"].filter(pl.col("week_id").is_in(weeks))
        of_group["dirty_weeks"] = mine
        seed = {name: storage.write(f"seed/{name}", rows) for name, rows in of_group.items()}
        wanted = sorted(set(mine["week_id"]))
        for first in range(0, len(wanted), WEEKS_N):
            chunk = wanted[first : first + WEEKS_N]
            near = _weeks_near(chunk, fleet)
            _keep_missing(con, fleet, group, near, storage, addresses)
            paths = tuple(
                addresses[vehicle_id, week_id]
                for vehicle_id in group
                for week_id in near
                if (vehicle_id, week_id) in addresses
            )
            jobs.append(StopsJob(fleet.folder, tuple(chunk), seed, paths, storage))
    return jobs


def _weeks_near(weeks: list[str], fleet: Fleet) -> list[str]:
    """These weeks and those that the stage reads some hours of."""
    spans = [span_of(week_id, fleet.zone) for week_id in weeks]
    edges = {week_of(span.from_at - REACH, fleet.zone) for span in spans}
    edges |= {week_of(span.to_at + REACH, fleet.zone) for span in spans}
    return sorted(edges | set(weeks))


def _keep_missing(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    vehicle_ids: list[str],
    weeks: list[str],
    storage: Storage,
    addresses: Addresses,
) -> None:
    """Copy to the storage what of these vehicle-weeks does not lie there yet."""
    wanted = {(vehicle_id, week_id) for vehicle_id in vehicle_ids for week_id in weeks}
    if not wanted - set(addresses):
        return
    for week_id in weeks:
        lacking = [v for v in vehicle_ids if (v, week_id) not in addresses]
        span = span_of(week_id, fleet.zone)
        reach = (span.from_at, span.to_at - timedelta(seconds=1))
        for vehicle_id, found_id, path, _ in kept_weeks(con, fleet, lacking, reach, storage):
            addresses[vehicle_id, found_id] = path


def _record(
    con: duckdb.DuckDBPyConnection, week_id: str, answers: list[StopsAnswer], storage: Storage
) -> None:
    """One week of all pieces, in their order, in one transaction."""
    found: list[Mapping[str, str]] = [
        answer.found[week_id] for answer in answers if week_id in answer.found
    ]
    if not found:
        raise AssertionError(f"no piece of work held week {week_id}")
    for table in FOUND:
        rows = pl.concat([storage.read(tables[table]) for tables in found])
        register(con, table, rows)
    record_stops(con)

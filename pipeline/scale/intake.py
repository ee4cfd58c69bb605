"""The ingest shared out: pieces to the workers, their rows into the warehouse, the rest as ever."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.ingest import IngestReport, archived, ingest
from pipeline.ingest.inbox import InboxFile, list_inbox, matching_sources
from pipeline.ingest.names import fixed_vehicle
from pipeline.ingest.put import next_file_ids, put
from pipeline.ingest.remap import forget_changed
from pipeline.ingest.stage import Ready, split_known
from pipeline.ingest.unpack import is_zip
from pipeline.ingest.vss import with_vss
from pipeline.people.blocked import Blocked
from pipeline.problems import ColdMinutesError, Problem
from pipeline.scale.cluster import cluster_of
from pipeline.scale.independent import KEPT, Claims, dependent_parts
from pipeline.scale.storage import Storage, run_storage
from pipeline.scale.worker import IntakeAnswer, IntakeJob, Partition, put_rows, take_in_part
from pipeline.warehouse import query, register, run, transaction

Progress = Callable[[str, int, int], None]

LEAST_PARTS_N = 2
"""Fewer are not worth a cluster."""
PARTITIONS = {
    "vehicle_id": pl.String,
    "week_id": pl.String,
    "rows_n": pl.Int64,
    "path": pl.String,
    "url": pl.String,
}


def take_in_parts(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    progress: Progress | None = None,
    ready: Ready | None = None,
) -> IngestReport:
    """Take in what is new in the inbox with the help of a cluster.

    Leaves the temporary table ``scale_partitions``: which samples still lie on the storage, for
    the stops stage.

    Raises
    ------
    ColdMinutesError
        SCALE-01 to 04; what the ingest raises.
    """
    register(con, "scale_partitions", pl.DataFrame(schema=PARTITIONS))
    Blocked(fleet)
    files, _ = list_inbox(fleet.inbox)
    seen, _ = with_vss(fleet, files)
    problems = forget_changed(con, seen)
    new = split_known(con, seen, files)[1]
    new = new if ready is None else ready(new)
    chosen = {file.name for file in new}

    def the_rest() -> IngestReport:
        def is_chosen(files: list[InboxFile]) -> list[InboxFile]:
            return [file for file in files if file.name in chosen]

        return ingest(con, fleet, now=now, progress=progress, ready=is_chosen)

    # What lies in the archive comes before the inbox, so nothing can be shared out ahead of it.
    is_archive_first = archived.is_wanted(con, fleet)
    groups = [] if is_archive_first else _groups(_shareable(con, seen, new), seen)
    if len(groups) < LEAST_PARTS_N:
        return _with_findings(the_rest(), [], problems, files)
    storage = run_storage(fleet)
    answers = _answers(con, fleet, now, groups, storage, progress)
    accepted = [answers[number] for number in _independent(con, answers, storage)]
    for answer in accepted:
        _merge(con, answer, storage)
    kept = [partition for answer in accepted for partition in answer.partitions]
    register(con, "scale_partitions", _partition_rows(kept, storage))
    rest = the_rest()
    return _with_findings(rest, [_taken(answer, storage) for answer in accepted], problems, files)


def _shareable(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, files: list[InboxFile]
) -> list[InboxFile]:
    """New files of samples that one source reads, and that replace no other by name or word."""
    named = query(con, "ingest/known_replacements")
    named_paths = set(named["old_path"]) | set(named["new_path"])
    found = []
    for file in files:
        source_ids = matching_sources(file.name, fleet.sources)
        if len(source_ids) != 1 or is_zip(file) or file.name in named_paths:
            continue
        source = fleet.sources[source_ids[0]]
        if source.kind == "samples" and source.supersedes == "never":
            found.append(file)
    return found


def _groups(files: list[InboxFile], fleet: Fleet) -> list[list[InboxFile]]:
    """Files of one vehicle stay together where the name tells; each other file stands alone."""
    by_vehicle: dict[tuple[bool, str], list[InboxFile]] = {}
    for file in files:
        source_id = matching_sources(file.name, fleet.sources)[0]
        bare_name = file.name.rsplit("/", 1)[-1]
        try:
            vehicle_id = fixed_vehicle(fleet.sources[source_id], file.name, bare_name, source_id)
        except ColdMinutesError:
            continue  # the ordinary ingest says so
        key = (True, vehicle_id) if vehicle_id is not None else (False, file.name)
        by_vehicle.setdefault(key, []).append(file)
    vehicles_n = fleet.settings.scale.vehicles_n if fleet.settings.scale else 1
    named = [group for (is_named, _), group in by_vehicle.items() if is_named]
    groups = [
        sorted(
            (file for group in named[start : start + vehicles_n] for file in group),
            key=lambda file: file.name,
        )
        for start in range(0, len(named), vehicles_n)
    ]
    return groups + [group for (is_named, _), group in by_vehicle.items() if not is_named]


def _answers(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    groups: list[list[InboxFile]],
    storage: Storage,
    progress: Progress | None,
) -> list[IntakeAnswer]:
    """What the workers made of each group. Ids are given out here, in the order of the inbox."""
    names = sorted(file.name for group in groups for file in group)
    ids = dict(zip(names, next_file_ids(con, len(names)), strict=True))
    jobs = [
        IntakeJob(
            fleet.folder,
            tuple(group),
            {file.name: ids[file.name] for file in group},
            now,
            storage,
        )
        for group in groups
    ]

    def told(done_n: int) -> None:
        if progress is not None:
            progress("on workers", done_n, len(jobs))

    if fleet.settings.scale is None:
        raise AssertionError("a run without [scale] is not shared out")
    with cluster_of(fleet.settings.scale) as cluster:
        return cluster.done(take_in_part, jobs, told)


def _independent(
    con: duckdb.DuckDBPyConnection, answers: list[IntakeAnswer], storage: Storage
) -> list[int]:
    """Numbers of the answers that stand on their own, in order."""
    spans, contents, judged = [], [], []
    kept = query(con, "ingest/earlier_spans").filter(pl.col("kind") == "samples")
    spans.append(kept.select(pl.lit(KEPT).alias("part_no"), "vehicle_id", "first_at", "last_at"))
    known = query(con, "ingest/known_files")
    contents.append(known.select(pl.lit(KEPT).alias("part_no"), "content_sha256", "source_id"))
    for number, answer in enumerate(answers):
        part_no = pl.lit(number, pl.Int32).alias("part_no")
        read = {name: storage.read(answer.tables[name]) for name in _CLAIMED}
        spans.append(read["file_spans"].select(part_no, "vehicle_id", "first_at", "last_at"))
        contents.append(read["files"].select(part_no, "content_sha256", "source_id"))
        judged.append(read["quarantine"].select(part_no, "rule"))
    dependent = dependent_parts(Claims(pl.concat(spans), pl.concat(contents), pl.concat(judged)))
    return [number for number in range(len(answers)) if number not in dependent]


_CLAIMED = ("file_spans", "files", "quarantine")


def _merge(con: duckdb.DuckDBPyConnection, answer: IntakeAnswer, storage: Storage) -> None:
    """One piece into the warehouse, all of it or nothing."""
    with transaction(con):
        for name, path in answer.tables.items():
            rows = storage.read(path)
            if name == "dirty_weeks":
                if rows.height:
                    run(con, "ingest/insert_dirty_weeks", rows.to_dict(as_series=False))
            elif name == "inbox_files":
                put(con, "insert_inbox_files", rows)
            else:
                put_rows(con, name, rows)
        for partition in answer.partitions:
            put_rows(con, "samples", storage.read(partition.path))


def _partition_rows(kept: list[Partition], storage: Storage) -> pl.DataFrame:
    rows = [(p.vehicle_id, p.week_id, p.rows_n, p.path, storage.url) for p in kept]
    return pl.DataFrame(rows, schema=PARTITIONS, orient="row")


def _taken(answer: IntakeAnswer, storage: Storage) -> IngestReport:
    """The worker's report without the files it could not take in: the writer tries those again."""
    whole = set(storage.read(answer.tables["inbox_files"])["file_path"])
    names = sorted(whole)
    problems = [problem for problem in answer.report.problems if _file_of(problem, names) in whole]
    return replace(answer.report, problems=problems, files_failed_n=0)


def _with_findings(
    rest: IngestReport,
    parts: list[IngestReport],
    problems: list[Problem],
    files: list[InboxFile],
) -> IngestReport:
    """One report: counts added up, findings in the order of the inbox."""
    names = sorted(file.name for file in files)
    place = {name: number for number, name in enumerate(names)}
    every = [*problems, *rest.problems, *(one for part in parts for one in part.problems)]
    every.sort(key=lambda problem: place.get(_file_of(problem, names) or "", -1))
    added = {
        name: getattr(rest, name) + sum(getattr(part, name) for part in parts) for name in _COUNTS
    }
    # What the workers took in is known to the ordinary ingest that followed.
    added["files_known_n"] = rest.files_known_n - sum(part.files_new_n for part in parts)
    return IngestReport(every, **added)


_COUNTS = (
    "files_new_n",
    "files_failed_n",
    "rows_read_n",
    "rows_used_n",
    "rows_repeated_n",
    "rows_set_aside_n",
    "rows_superseded_n",
    "rows_withdrawn_n",
)


def _file_of(problem: Problem, names: list[str]) -> str | None:
    """The file of the inbox that a finding is about: the longest name that `where` begins with."""
    where = problem.where.removeprefix("inbox/")
    low = bisect_right(names, where)
    return next((name for name in reversed(names[:low]) if where.startswith(name)), None)

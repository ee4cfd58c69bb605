"""The ingest stage: what is new in the inbox goes into the warehouse, file by file."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest import ahead
from pipeline.ingest.charger_load import ChargerLoad, load_charger_readings
from pipeline.ingest.earlier import EarlierSpans
from pipeline.ingest.findings import (
    aside_problems,
    failed_while_writing,
    mended_problems,
    unordered_problem,
)
from pipeline.ingest.inbox import InboxFile, list_inbox, matching_sources
from pipeline.ingest.loading import INCOMING, FileLoad, NotInOrderError
from pipeline.ingest.read import BATCH_ROWS_N, empty_problem
from pipeline.ingest.remap import forget_changed
from pipeline.ingest.supersede import Ledger
from pipeline.ingest.vss import with_vss
from pipeline.problems import ColdMinutesError, Problem

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class IngestReport:
    """What one run of the stage did.

    Parameters
    ----------
    problems
        Findings in the order of the inbox.
    files_new_n, files_known_n, files_failed_n
        Files, or members of a zip, taken in, known from before, and not taken in. A file that
        two sources read counts twice.
    rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n, rows_superseded_n
        Rows of the new files; the first is the sum of the others. Superseded are those that a
        newer version had replaced before they came in.
    rows_withdrawn_n
        Rows of files taken in before that the new ones have replaced.
    """

    problems: list[Problem]
    files_new_n: int
    files_known_n: int
    files_failed_n: int
    rows_read_n: int
    rows_used_n: int
    rows_repeated_n: int
    rows_set_aside_n: int
    rows_superseded_n: int = 0
    rows_withdrawn_n: int = 0


@dataclass
class _Tally:
    problems: list[Problem] = field(default_factory=list)
    new_n: int = 0
    known_n: int = 0
    failed_n: int = 0
    read_n: int = 0
    used_n: int = 0
    repeated_n: int = 0
    set_aside_n: int = 0
    superseded_n: int = 0
    withdrawn_n: int = 0

    def failed(self, problems: list[Problem]) -> None:
        self.failed_n += 1
        self.problems += problems

    def log_loaded(self, load: ChargerLoad, source_id: str) -> None:
        self.new_n += 1
        self.read_n += load.read_n
        self.used_n += load.used_n
        self.repeated_n += load.repeated_n
        self.set_aside_n += load.set_aside_n
        if load.set_aside_n:
            self.problems += aside_problems(load.name, source_id, load.broken_summary())
        if load.read_n == 0:
            self.problems.append(empty_problem(load.name))

    def loaded(self, load: FileLoad, is_returned: bool) -> None:
        self.new_n += 1
        self.read_n += load.read_n
        self.used_n += load.used_n
        self.repeated_n += load.repeated_n
        self.set_aside_n += load.set_aside_n
        self.superseded_n += load.superseded_n
        self.withdrawn_n += load.correction.withdrawn_n
        if not load.is_in_order and not is_returned:
            self.problems.append(unordered_problem(load.plain.name))
        if load.set_aside_n:
            self.problems += aside_problems(load.plain.name, load.source_id, load.broken_summary())
        if load.mended:
            self.problems += mended_problems(load.plain.name, load.mended_summary())
        if load.read_n == 0:
            self.problems.append(empty_problem(load.plain.name))


def ingest(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    *,
    now: datetime | None = None,
    progress: Progress | None = None,
    rows_per_batch: int = BATCH_ROWS_N,
) -> IngestReport:
    """Take in what is new in the inbox; a second run changes nothing.

    Each file (or member of a zip) is one transaction: its rows, its ledger row, its spans and its
    quarantine rows are all there or none is. A file that cannot be taken in becomes a finding,
    and the next one follows.

    Parameters
    ----------
    con
        A warehouse, with no transaction open.
    fleet
        The fleet folder whose ``inbox/`` is read.
    now
        The present, for samples dated in the future; the clock's by default.
    progress
        Called with a file's name, how many files are done, and how many there are.
    rows_per_batch
        How much of a large file is in memory at a time.
    """
    now = (now or datetime.now(UTC)).astimezone(UTC)
    files, problems = list_inbox(fleet.inbox)
    fleet, standard = with_vss(fleet, files)
    tally = _Tally(problems=[*problems, *forget_changed(con, fleet)])
    tally.failed_n = sum(problem.level != "note" for problem in problems)
    changed = _changed_files(con, fleet, files, tally)
    tally.problems += [standard[file.name] for file in changed if file.name in standard]
    known = set(warehouse.query(con, "ingest/known_files").iter_rows())
    earlier = EarlierSpans(con)
    ledger = Ledger(con, fleet)
    done_n = len(files) - len(changed)
    told = ahead.steps(
        changed, fleet, now, lambda sha, source_id: (sha, source_id) in known, rows_per_batch
    )
    is_whole = True
    whole: list[ahead.FileEnds] = []
    try:
        with ahead.ReadAhead(told) as queued:
            for step in queued:
                if isinstance(step, ahead.FileBegins):
                    is_whole = True
                    if progress is not None:
                        progress(step.file.name, done_n, len(files))
                elif isinstance(step, ahead.FileEnds):
                    done_n += 1
                    if is_whole and step.source_ids:
                        whole.append(step)
                    for plain in step.temporary:
                        plain.discard()
                elif isinstance(step, ahead.ItemKnown):
                    tally.known_n += 1
                elif isinstance(step, ahead.ChargerLog):
                    is_whole &= _take_in_log(con, fleet, now, step.item, known, tally)
                elif isinstance(step, ahead.Failed):
                    _stop_without_disk(step.problems)
                    tally.failed(step.problems)
                    is_whole = False
                else:
                    is_whole &= _take_in(
                        con, fleet, now, earlier, ledger, step, queued, known, tally, rows_per_batch
                    )
    finally:
        with suppress(duckdb.Error):  # without disk; those files are only hashed once more
            _remember(con, whole)
        shutil.rmtree(ahead.temp_folder(fleet), ignore_errors=True)
    if progress is not None:
        progress("", len(files), len(files))
    return IngestReport(
        tally.problems,
        tally.new_n,
        tally.known_n,
        tally.failed_n,
        tally.read_n,
        tally.used_n,
        tally.repeated_n,
        tally.set_aside_n,
        tally.superseded_n,
        tally.withdrawn_n,
    )


def _take_in(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    earlier: EarlierSpans,
    ledger: Ledger,
    first: ahead.Batch,
    queued: Iterator[ahead.Step],
    known: set[tuple[str, str]],
    tally: _Tally,
    rows_per_batch: int,
) -> bool:
    """One item, from its first batch to its last, in one transaction. Was it taken in?"""
    item = first.item
    key = (item.plain.content_sha256, item.source_id)
    batches = _rest(first, queued)
    try:
        if key in known:  # the same content under another name, read ahead of the commit
            tally.known_n += 1
            return True
        try:
            load = _load(con, fleet, now, earlier, ledger, item, batches, item.is_in_order)
        except NotInOrderError:
            again = ahead.item_batches(item, fleet, now, is_in_order=False, rows_n=rows_per_batch)
            load = _load(con, fleet, now, earlier, ledger, item, again, is_in_order=False)
    except ColdMinutesError as error:
        _stop_without_disk(error.problems)
        tally.failed(error.problems)
        return False
    finally:
        with suppress(ColdMinutesError):
            for _ in batches:  # what the reader has still to say of this item
                pass
    known.add(key)
    for spans in load.spans:
        earlier.add(load.kind, spans)
    ledger.add(load.file_id, item.plain.name, item.source_id, load.kind)
    tally.loaded(load, item.returned is not None)
    return True


def _take_in_log(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    item: ahead.Item,
    known: set[tuple[str, str]],
    tally: _Tally,
) -> bool:
    """One log of a charger, in one transaction. Was it taken in?"""
    key = (item.plain.content_sha256, item.source_id)
    if key in known:
        tally.known_n += 1
        return True
    try:
        load = load_charger_readings(
            con, item.plain, item.source_id, fleet.sources[item.source_id], now
        )
    except ColdMinutesError as error:
        _stop_without_disk(error.problems)
        tally.failed(error.problems)
        return False
    known.add(key)
    tally.log_loaded(load, item.source_id)
    return True


def _stop_without_disk(problems: list[Problem]) -> None:
    """End the run: later files must not come in before this one, and they would fail as well."""
    if any(problem.code == "ENV-02" for problem in problems):
        raise ColdMinutesError(problems, exit_code=4)


def _load(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    now: datetime,
    earlier: EarlierSpans,
    ledger: Ledger,
    item: ahead.Item,
    batches: Iterator[ahead.Batch],
    is_in_order: bool,
) -> FileLoad:
    """All batches of one item in one transaction, which is closed whatever happens."""
    source = item.returned or fleet.sources[item.source_id]
    time_columns = [m.column for name, m in source.columns.items() if name == "sampled_at"]
    con.execute("begin")
    try:
        load = FileLoad(
            con,
            item.plain,
            item.source_id,
            source.kind,
            fleet.zone,
            now,
            earlier,
            time_columns[0] if time_columns else None,
            is_in_order,
            ledger.replaced(item.plain.name, item.source_id, source.kind),
        )
        for batch in batches:
            load.add(batch.mapped, batch.is_last)
        load.finish()
        con.execute("commit")
    except BaseException as error:
        # The failure that matters may have ended the transaction already.
        with suppress(duckdb.Error):
            con.execute("rollback")
        if is_disk_full(error):
            raise disk_full(error) from error
        if isinstance(error, duckdb.Error | pl.exceptions.PolarsError | OSError):
            raise failed_while_writing(item.plain.name, error) from error
        raise
    return load


def _rest(first: ahead.Batch, queued: Iterator[ahead.Step]) -> Iterator[ahead.Batch]:
    """The batches of one item off the queue; a failure of the reader is raised here."""
    yield first
    batch = first
    while not batch.is_last:
        step = next(queued)
        if isinstance(step, ahead.Failed):
            raise ColdMinutesError(step.problems, exit_code=3)
        if not isinstance(step, ahead.Batch):
            raise AssertionError(f"unexpected {type(step).__name__} within a file")
        batch = step
        yield batch


def _changed_files(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, files: list[InboxFile], tally: _Tally
) -> list[InboxFile]:
    """Files that are not known by path, size and time of change; those that are, are counted."""
    known = {
        (path, size_bytes, modified_ns, source_ids)
        for path, size_bytes, modified_ns, source_ids in warehouse.query(
            con, "ingest/known_paths"
        ).iter_rows()
    }
    changed = []
    for file in files:
        source_ids = matching_sources(file.name, fleet.sources)
        if (file.name, file.size_bytes, file.modified_ns, _joined(source_ids)) in known:
            tally.known_n += 1
        else:
            changed.append(file)
    return changed


def _remember(con: duckdb.DuckDBPyConnection, whole: list[ahead.FileEnds]) -> None:
    """Keep size and time of change of files wholly taken in, so that they are not read again.

    All at once at the end of a run: a file that this forgets is only hashed once more.
    """
    rows = pl.DataFrame(
        {
            "file_path": [step.file.name for step in whole],
            "size_bytes": [step.file.size_bytes for step in whole],
            "modified_ns": [step.file.modified_ns for step in whole],
            "source_ids": [_joined(step.source_ids) for step in whole],
        }
    )
    if rows.height:
        con.register(INCOMING, rows.to_arrow())
        warehouse.run(con, "ingest/insert_inbox_files")
        con.unregister(INCOMING)


def _joined(source_ids: list[str] | tuple[str, ...]) -> str:
    return "\n".join(source_ids)

"""The ingest stage: what is new in the inbox goes into the warehouse, file by file."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest import ahead, archived
from pipeline.ingest.bundle import Bundle
from pipeline.ingest.bundle_load import BundleLoad, load_bundle
from pipeline.ingest.charger_load import load_charger_readings
from pipeline.ingest.earlier import EarlierSpans
from pipeline.ingest.findings import failed_while_writing
from pipeline.ingest.inbox import InboxFile, list_inbox, matching_sources
from pipeline.ingest.loading import FileLoad, NotInOrderError
from pipeline.ingest.put import put
from pipeline.ingest.read import BATCH_ROWS_N
from pipeline.ingest.remap import forget_changed
from pipeline.ingest.supersede import Ledger
from pipeline.ingest.tally import IngestReport, Tally
from pipeline.ingest.vss import with_vss
from pipeline.people.blocked import Blocked
from pipeline.problems import ColdMinutesError, Problem

Progress = Callable[[str, int, int], None]
Ready = Callable[[list[InboxFile]], list[InboxFile]]
"""Of files not known yet, those that whatever wrote them has finished."""


def ingest(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    *,
    now: datetime | None = None,
    progress: Progress | None = None,
    rows_per_batch: int = BATCH_ROWS_N,
    ready: Ready | None = None,
    files: list[InboxFile] | None = None,
) -> IngestReport:
    """Take in what is new in the inbox; a second run changes nothing.

    Each file (or member of a zip) is one transaction: its rows, its ledger row, its spans and its
    quarantine rows are all there or none is. A file that cannot be taken in becomes a finding,
    and the next one follows. The archive is read before the inbox where a changed mapping or a new
    warehouse asks for it.

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
    ready
        Chooses among new files those to take; all by default.
    files
        Only these, in the order of their names; all of the inbox by default.
    """
    now = (now or datetime.now(UTC)).astimezone(UTC)
    Blocked(fleet)  # stops here where nobody could say who must not come back
    problems: list[Problem] = []
    if files is None:
        files, problems = list_inbox(fleet.inbox)
    fleet, standard = with_vss(fleet, files)
    tally = Tally(problems=[*problems, *forget_changed(con, fleet)])
    tally.failed_n = sum(problem.level != "note" for problem in problems)
    known, changed = split_known(con, fleet, files)
    changed = changed if ready is None else ready(changed)
    tally.problems += [standard[file.name] for file in changed if file.name in standard]
    try:
        if archived.is_wanted(con, fleet):
            for again in archived.staged(fleet, ahead.temp_folder(fleet), tally.problems):
                _take_all(
                    _Intake(con, with_vss(fleet, again)[0], now, tally, rows_per_batch), again
                )
            tally.failed_n += sum(problem.code == archived.DAMAGED for problem in tally.problems)
            con.execute("delete from archive_reading")
        tally.known_n += len(known)
        intake = _Intake(con, fleet, now, tally, rows_per_batch)
        try:
            _take_all(intake, changed, progress, len(known))
        finally:
            with suppress(duckdb.Error):  # without disk; those files are only hashed once more
                _remember(con, intake.whole)
    finally:
        shutil.rmtree(ahead.temp_folder(fleet), ignore_errors=True)
    if progress is not None:
        progress("", len(files), len(files))
    return tally.report()


def _take_all(
    intake: _Intake,
    files: list[InboxFile],
    progress: Progress | None = None,
    done_n: int = 0,
) -> None:
    """Take files in, in their order; `done_n` others are done already."""
    total_n = done_n + len(files)
    told = ahead.steps(files, intake.fleet, intake.now, intake.is_known, intake.rows_per_batch)
    with ahead.ReadAhead(told) as queued:
        for step in queued:
            if progress is not None:
                for number, name in enumerate(ahead.files_begun(step)):
                    progress(name, done_n + number, total_n)
            done_n += intake.take(step, queued)


class _Intake:
    """What a run knows while it takes files in: the steps of the reader end here."""

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        fleet: Fleet,
        now: datetime,
        tally: Tally,
        rows_per_batch: int,
    ) -> None:
        self._con, self.fleet, self.now = con, fleet, now
        self._tally = tally
        self.rows_per_batch = rows_per_batch
        self._known = set(warehouse.query(con, "ingest/known_files").iter_rows())
        self._earlier = EarlierSpans(con)
        self._ledger = Ledger(con, fleet)
        self._is_whole = True
        self.whole: list[tuple[InboxFile, tuple[str, ...]]] = []
        """Files wholly taken in, and the sources that read them."""

    def is_known(self, content_sha256: str, source_id: str) -> bool:
        """Was this content taken in before, as this source reads it?"""
        return (content_sha256, source_id) in self._known

    def take(self, step: ahead.Step, queued: Iterator[ahead.Step]) -> int:
        """One step, and those of `queued` that belong to it; how many files end with it."""
        if isinstance(step, ahead.FileBegins):
            self._is_whole = True
        elif isinstance(step, ahead.FileEnds):
            if self._is_whole and step.source_ids:
                self.whole.append((step.file, step.source_ids))
            for plain in step.temporary:
                plain.discard()
            return 1
        elif isinstance(step, ahead.ItemKnown):
            self._tally.known_n += 1
        elif isinstance(step, ahead.ChargerLog):
            self._is_whole &= self._take_log(step.item)
        elif isinstance(step, ahead.Failed):
            _stop_without_disk(step.problems)
            self._tally.failed(step.problems)
            self._is_whole = False
        elif isinstance(step, ahead.Together):
            return self._take_bundle(step.bundle)
        else:
            self._is_whole &= self._take_item(step, queued)
        return 0

    def _take_bundle(self, bundle: Bundle) -> int:
        """The plain ones of some small files at once, the others one by one; how many."""
        try:
            load = load_bundle(
                self._con,
                bundle,
                self.fleet,
                self.now,
                self._earlier,
                self._ledger,
                self._known,
            )
        except ColdMinutesError as error:
            _stop_without_disk(error.problems)
            load = BundleLoad()  # alone, each says what is wrong with it
        for number, file_id in load.file_ids.items():
            part = bundle.parts[number]
            self._known.add((part.plain.content_sha256, part.source_id))
            self._ledger.add(file_id, part.plain.name, part.source_id, "samples")
            self.whole.append((part.file, (part.source_id,)))
        if load.spans is not None:
            self._earlier.add("samples", load.spans)
        self._tally.bundle_loaded(load)
        for number, part in enumerate(bundle.parts):
            if number not in load.file_ids:
                alone = ahead.file_steps(
                    part.file, self.fleet, self.now, self.is_known, self.rows_per_batch
                )
                for step in alone:
                    self.take(step, alone)
        return len(bundle.parts)

    def _take_item(self, first: ahead.Batch, queued: Iterator[ahead.Step]) -> bool:
        """One item, from its first batch to its last, in one transaction. Was it taken in?"""
        item = first.item
        key = (item.plain.content_sha256, item.source_id)
        batches = _rest(first, queued)
        try:
            if key in self._known:  # the same content under another name, read ahead of the commit
                self._tally.known_n += 1
                return True
            try:
                load = self._load(item, batches, item.is_in_order)
            except NotInOrderError:
                again = ahead.item_batches(
                    item,
                    self.fleet,
                    self.now,
                    is_in_order=False,
                    rows_n=self.rows_per_batch,
                )
                load = self._load(item, again, is_in_order=False)
        except ColdMinutesError as error:
            _stop_without_disk(error.problems)
            self._tally.failed(error.problems)
            return False
        finally:
            with suppress(ColdMinutesError):
                for _ in batches:  # what the reader has still to say of this item
                    pass
        self._known.add(key)
        for spans in load.spans:
            self._earlier.add(load.kind, spans)
        self._ledger.add(load.file_id, item.plain.name, item.source_id, load.kind)
        self._tally.loaded(load, item.returned is not None)
        return True

    def _take_log(self, item: ahead.Item) -> bool:
        """One log of a charger, in one transaction. Was it taken in?"""
        key = (item.plain.content_sha256, item.source_id)
        if key in self._known:
            self._tally.known_n += 1
            return True
        source = self.fleet.sources[item.source_id]
        try:
            load = load_charger_readings(self._con, item.plain, item.source_id, source, self.now)
        except ColdMinutesError as error:
            _stop_without_disk(error.problems)
            self._tally.failed(error.problems)
            return False
        self._known.add(key)
        self._tally.log_loaded(load, item.source_id)
        return True

    def _load(
        self, item: ahead.Item, batches: Iterator[ahead.Batch], is_in_order: bool
    ) -> FileLoad:
        """All batches of one item in one transaction, which is closed whatever happens."""
        source = item.returned or self.fleet.sources[item.source_id]
        time_columns = [m.column for name, m in source.columns.items() if name == "sampled_at"]
        self._con.execute("begin")
        try:
            load = FileLoad(
                self._con,
                item.plain,
                item.source_id,
                source.kind,
                self.fleet.zone,
                self.now,
                self._earlier,
                time_columns[0] if time_columns else None,
                is_in_order,
                self._ledger.replaced(item.plain.name, item.source_id, source.kind),
            )
            for batch in batches:
                load.add(batch.mapped, batch.is_last)
            load.finish()
            self._con.execute("commit")
        except BaseException as error:
            # The failure that matters may have ended the transaction already.
            with suppress(duckdb.Error):
                self._con.execute("rollback")
            if is_disk_full(error):
                raise disk_full(error) from error
            if isinstance(error, duckdb.Error | pl.exceptions.PolarsError | OSError):
                raise failed_while_writing(item.plain.name, error) from error
            raise
        return load


def _stop_without_disk(problems: list[Problem]) -> None:
    """End the run: later files must not come in before this one, and they would fail as well."""
    if any(problem.code == "ENV-02" for problem in problems):
        raise ColdMinutesError(problems, exit_code=4)


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


def split_known(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, files: list[InboxFile]
) -> tuple[list[InboxFile], list[InboxFile]]:
    """Files that are known by path, size and time of change to be wholly taken in, and others."""
    kept = {
        (path, size_bytes, modified_ns, source_ids)
        for path, size_bytes, modified_ns, source_ids in warehouse.query(
            con, "ingest/known_paths"
        ).iter_rows()
    }
    known: list[InboxFile] = []
    changed: list[InboxFile] = []
    for file in files:
        joined = _joined(matching_sources(file.name, fleet.sources))
        is_known = (file.name, file.size_bytes, file.modified_ns, joined) in kept
        (known if is_known else changed).append(file)
    return known, changed


def _remember(
    con: duckdb.DuckDBPyConnection, whole: list[tuple[InboxFile, tuple[str, ...]]]
) -> None:
    """Keep size and time of change of files wholly taken in, so that they are not read again.

    All at once at the end of a run: a file that this forgets is only hashed once more.
    """
    rows = pl.DataFrame(
        {
            "file_path": [file.name for file, _ in whole],
            "size_bytes": [file.size_bytes for file, _ in whole],
            "modified_ns": [file.modified_ns for file, _ in whole],
            "source_ids": [_joined(source_ids) for _, source_ids in whole],
        }
    )
    if rows.height:
        put(con, "insert_inbox_files", rows)


def _joined(source_ids: list[str] | tuple[str, ...]) -> str:
    return "\n".join(source_ids)

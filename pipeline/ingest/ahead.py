"""Read ahead: the next file is read and mapped while the one before is written.

A reader thread turns the files of the inbox into a short queue of steps. It never touches the
warehouse; whoever takes the steps off the queue does.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Generic, TypeVar

from pipeline.config import Fleet
from pipeline.ingest import read
from pipeline.ingest.bundle import Bundle, Part, Waiting, bundled, part_of
from pipeline.ingest.inbox import InboxFile, matching_sources, member_fits, no_source
from pipeline.ingest.mapping import Mapped, Mapper
from pipeline.ingest.ocpi import OcpiMapper, ocpi_batches
from pipeline.ingest.refusals import too_large
from pipeline.ingest.returned import restored, returned_source
from pipeline.ingest.unpack import GB, Plain, hashed, is_zip, readable, zip_members
from pipeline.ocpi_source import OCPI_CDRS
from pipeline.ocpp_source import OCPP_METER
from pipeline.problems import ColdMinutesError, Problem
from pipeline.source_config import Source

QUEUE_STEPS_N = 4
"""A file is told of in three steps, so this is one file, or four batches of a large one, ahead."""


@dataclass(frozen=True)
class Item:
    """One table to take in: a file, or a member of a zip, as one source reads it."""

    plain: Plain
    source_id: str
    returned: Source | None = None
    """How to read it, where it brings back rows that were set aside."""

    @property
    def is_in_order(self) -> bool:
        """Does the order of its rows say anything of clocks?"""
        return self.returned is None


@dataclass(frozen=True)
class FileBegins:
    """A file of the inbox comes next; some of its items may be known already."""

    file: InboxFile


@dataclass(frozen=True)
class ItemKnown:
    """This content was taken in before."""

    item: Item


@dataclass(frozen=True)
class Batch:
    """Mapped rows of an item; the last batch of an empty file has none."""

    item: Item
    mapped: Mapped
    is_first: bool
    is_last: bool


@dataclass(frozen=True)
class ChargerLog:
    """A log of chargers, which is no table of vehicles': it is read where it is written."""

    item: Item


@dataclass(frozen=True)
class Failed:
    """An item, or a whole file, cannot be taken in. What came of it before does not count."""

    problems: list[Problem]


@dataclass(frozen=True)
class FileEnds:
    """All items of the file have been told of; its temporary files may go."""

    file: InboxFile
    source_ids: tuple[str, ...]
    temporary: tuple[Plain, ...]


@dataclass(frozen=True)
class Together:
    """Small files that were read as one; what is odd in it is taken in one by one."""

    bundle: Bundle


Step = FileBegins | ItemKnown | Batch | ChargerLog | Failed | FileEnds | Together


def files_begun(step: Step) -> list[str]:
    """Names of the files of the inbox that begin with a step."""
    if isinstance(step, Together):
        return [part.file.name for part in step.bundle.parts]
    return [step.file.name] if isinstance(step, FileBegins) else []


def steps(
    files: list[InboxFile],
    fleet: Fleet,
    now: datetime,
    is_known: Callable[[str, str], bool],
    rows_n: int = read.BATCH_ROWS_N,
) -> Iterator[Step]:
    """Steps for all files of the inbox, in order.

    Parameters
    ----------
    files
        Those not known by path, size and time of change.
    fleet
        Its sources and limits.
    now
        For samples dated in the future.
    is_known
        Content hash and source id -> taken in before?
    rows_n
        Rows per batch.
    """
    waiting = Waiting()
    for file in files:
        part = part_of(file, fleet)
        if part is not None and is_known(part.plain.content_sha256, part.source_id):
            part = None
        if part is None or not waiting.fits(part):
            yield from _told(waiting.taken(), fleet, now, is_known, rows_n)
        if part is None:
            yield from file_steps(file, fleet, now, is_known, rows_n)
        else:
            waiting.add(part)
    yield from _told(waiting.taken(), fleet, now, is_known, rows_n)


def _told(
    parts: list[Part],
    fleet: Fleet,
    now: datetime,
    is_known: Callable[[str, str], bool],
    rows_n: int,
) -> Iterator[Step]:
    """Small files together; each alone where that cannot be, or is not worth it."""
    bundle = None
    if len(parts) > 1:
        with suppress(ColdMinutesError, OSError):  # alone, each will say what is wrong
            bundle = bundled(parts, fleet, now, temp_folder(fleet))
    if bundle is not None:
        yield Together(bundle)
        return
    for part in parts:
        yield from file_steps(part.file, fleet, now, is_known, rows_n)


def file_steps(
    file: InboxFile,
    fleet: Fleet,
    now: datetime,
    is_known: Callable[[str, str], bool],
    rows_n: int,
) -> Iterator[Step]:
    """Steps of one file, read alone."""
    temp = temp_folder(fleet)
    yield FileBegins(file)
    back = returned_source(file.path, fleet)
    source_ids = [back[0]] if back else matching_sources(file.name, fleet.sources)
    temporary: list[Plain] = []
    if not source_ids:
        yield Failed([no_source(file.name, fleet.sources)])
    for found in _contents(file, source_ids, fleet) if source_ids else ():
        if isinstance(found, ColdMinutesError):
            yield Failed(found.problems)
            continue
        temporary.append(found)
        plain: Plain | None = None
        for source_id in source_ids:
            if is_zip(file) and not _wants(found, file, fleet, source_id):
                continue
            item = Item(found, source_id)
            if is_known(found.content_sha256, source_id):
                yield ItemKnown(item)
                continue
            try:
                if plain is None:
                    plain = readable(found, temp, fleet.settings.limits.max_file_gb)
                    temporary.append(plain)
                if fleet.sources[source_id].kind == OCPP_METER:
                    yield ChargerLog(Item(plain, source_id))
                    continue
                item = Item(plain, source_id, back[1] if back else None)
                yield from item_batches(item, fleet, now, item.is_in_order, rows_n)
            except ColdMinutesError as error:
                yield Failed(error.problems)
    yield FileEnds(file, tuple(source_ids), tuple(temporary))


def item_batches(
    item: Item, fleet: Fleet, now: datetime, is_in_order: bool, rows_n: int = read.BATCH_ROWS_N
) -> Iterator[Batch]:
    """Mapped rows of one item, at most about `rows_n` at a time; at least one batch.

    Raises
    ------
    ColdMinutesError
        Where the file as a whole cannot be read.
    """
    plain, source = item.plain, item.returned or fleet.sources[item.source_id]
    if item.returned is not None:
        fleet = fleet.model_copy(update={"sources": {**fleet.sources, item.source_id: source}})
    max_gb = fleet.settings.limits.max_file_gb
    bare_name = PurePosixPath(plain.name).name
    # Dates and numbers of workbooks come back as text, in the form workbooks are read in.
    suffix = plain.path.suffix.lower() if item.returned is None else ".xlsx"
    # Rows that come back are cells like any other; their reader knows the standard no more.
    is_ocpi = source.kind == OCPI_CDRS and item.returned is None
    make = OcpiMapper if is_ocpi else Mapper
    mapper = make(fleet, item.source_id, plain.name, bare_name, suffix, now, is_in_order)
    temp = temp_folder(fleet)
    if is_ocpi:
        cells = ocpi_batches(plain.path, plain.name, source, temp, rows_n)
    else:
        cells = read.batches(plain.path, plain.name, item.source_id, source, temp, max_gb, rows_n)
    waiting: Mapped | None = None
    is_first = True
    for raw in cells:
        mapped = mapper.map(raw if item.returned is None else restored(raw))
        if waiting is not None:
            yield Batch(item, waiting, is_first, is_last=False)
            is_first = False
        waiting = mapped
    yield Batch(item, waiting or mapper.nothing(), is_first, is_last=True)


def temp_folder(fleet: Fleet) -> Path:
    """Where files are unpacked for the length of a run."""
    return fleet.state / "temp" / "ingest"


def _contents(
    file: InboxFile, source_ids: list[str], fleet: Fleet
) -> Iterator[Plain | ColdMinutesError]:
    max_gb = fleet.settings.limits.max_file_gb
    if file.size_bytes > max_gb * GB:
        yield too_large(file.name, max_gb)
        return
    try:
        if is_zip(file):
            sources = [fleet.sources[source_id] for source_id in source_ids]
            yield from zip_members(
                file,
                temp_folder(fleet),
                max_gb,
                lambda name: any(member_fits(name, source) for source in sources),
            )
        else:
            yield hashed(file)
    except ColdMinutesError as error:
        yield error


def _wants(found: Plain, file: InboxFile, fleet: Fleet, source_id: str) -> bool:
    return member_fits(found.name.removeprefix(f"{file.name}/"), fleet.sources[source_id])


T = TypeVar("T")


class ReadAhead(Generic[T]):
    """Run an iterator in a thread of its own; errors in it are raised where it is read.

    Use it as a context manager: leaving it stops the thread.
    """

    def __init__(self, source: Iterator[T]) -> None:
        self._source = source
        self._queue: queue.Queue[T | BaseException | None] = queue.Queue(QUEUE_STEPS_N)
        self._is_stopped = threading.Event()
        self._thread = threading.Thread(target=self._fill, name="ingest-reader", daemon=True)

    def __enter__(self) -> Iterator[T]:
        self._thread.start()
        return self._drain()

    def __exit__(self, *_: object) -> None:
        self._is_stopped.set()
        self._thread.join()

    def _drain(self) -> Iterator[T]:
        while (got := self._queue.get()) is not None:
            if isinstance(got, BaseException):
                raise got
            yield got

    def _fill(self) -> None:
        try:
            for made in self._source:
                if not self._put(made):
                    return
        except BaseException as error:
            self._put(error)
        else:
            self._put(None)

    def _put(self, made: T | BaseException | None) -> bool:
        while not self._is_stopped.is_set():
            try:
                self._queue.put(made, timeout=0.2)
            except queue.Full:
                continue
            return True
        return False

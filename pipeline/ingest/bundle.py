"""Many small exports read as one text: opening and mapping each costs far more than it holds.

Only what reads the same alone and together is bundled: samples of one source under one header, in
UTF-8, no quote of which could reach into the next file. Everything else, and whatever turns out
odd later on, is taken in file by file.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import tempfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath

import numpy as np
import polars as pl

from pipeline.config import Fleet
from pipeline.ingest import read
from pipeline.ingest.inbox import InboxFile, matching_sources
from pipeline.ingest.mapping import Mapped, Mapper
from pipeline.ingest.names import fixed_vehicle
from pipeline.ingest.raw import VEHICLE
from pipeline.ingest.read_text import UTF8_NAMES
from pipeline.ingest.returned import looks_returned
from pipeline.ingest.unpack import GB, Plain

SMALL_BYTES = 1 << 18
BUNDLE_BYTES = 1 << 23
BUNDLE_FILES_N = 1000
FILE_NO = "file_no"
_TEXTS = frozenset({".csv", ".txt", ".log", ".tsv"})


@dataclass(frozen=True)
class Part:
    """One small file that may be bundled.

    Parameters
    ----------
    file, plain
        As in the inbox, with the hash of what is stored.
    source_id, suffix
        Who reads it, and as what.
    header
        Its lines up to and with the header.
    body
        The lines after it, the last one ended.
    """

    file: InboxFile
    plain: Plain
    source_id: str
    suffix: str
    header: bytes
    body: bytes

    @property
    def key(self) -> tuple[str, str, bytes]:
        """Parts of one bundle agree in it."""
        return self.source_id, self.suffix, self.header


@dataclass(frozen=True)
class Bundle:
    """Mapped rows of several files.

    Parameters
    ----------
    parts
        In the order of the inbox.
    mapped
        Their rows; ``file_row`` counts through the bundle.
    begins
        Lines of the bundle before those of each part, so that ``file_row - begins`` is the row in
        the part's own file.
    """

    parts: tuple[Part, ...]
    mapped: Mapped
    begins: np.ndarray

    def located(self, rows: pl.DataFrame) -> pl.DataFrame:
        """Rows with ``file_no``, the place of their file among `parts`."""
        return rows.with_columns(_file_no(rows["file_row"], self.begins, self._head_n))

    @property
    def _head_n(self) -> int:
        return self.parts[0].header.count(b"\n")


class Waiting:
    """Parts on their way into one bundle."""

    def __init__(self) -> None:
        self._parts: list[Part] = []
        self._size_bytes = 0

    def fits(self, part: Part) -> bool:
        """Does this part go into the bundle that waits?"""
        return not self._parts or (
            part.key == self._parts[0].key
            and len(self._parts) < BUNDLE_FILES_N
            and self._size_bytes + len(part.body) <= BUNDLE_BYTES
        )

    def add(self, part: Part) -> None:
        """Let it wait with the others."""
        self._parts.append(part)
        self._size_bytes += len(part.body)

    def taken(self) -> list[Part]:
        """Those that wait; none does any more."""
        parts, self._parts, self._size_bytes = self._parts, [], 0
        return parts


class BundleMapper(Mapper):
    """The mapping of a bundle: as of one file, but for what a file's name or order decides."""

    def __init__(
        self, fleet: Fleet, parts: Sequence[Part], begins: np.ndarray, now: datetime
    ) -> None:
        first = parts[0]
        bare = [PurePosixPath(part.file.name).name for part in parts]
        super().__init__(
            fleet, first.source_id, first.file.name, bare[0], first.suffix, now, is_in_order=True
        )
        self._begins = begins
        self._head_n = first.header.count(b"\n")
        source = fleet.sources[first.source_id]
        self._vehicles: pl.Series | None = None
        if source.vehicle.file_name is not None:
            names = [
                fixed_vehicle(source, part.file.name, name, first.source_id)
                for part, name in zip(parts, bare, strict=True)
            ]
            self._vehicles = pl.Series(names, dtype=pl.String)
            self._vehicle = None

    def _file_vehicles(self, raw: pl.DataFrame) -> pl.Series:
        if self._vehicles is None:
            return super()._file_vehicles(raw)
        return self._vehicles.gather(_file_no(raw["file_row"], self._begins, self._head_n))

    def _clocks(self, raw: pl.DataFrame, vehicle: pl.Series) -> pl.Series:
        file_no = _file_no(raw["file_row"], self._begins, self._head_n)
        return pl.select(pl.concat_str(file_no, vehicle, separator=" ")).to_series()

    def _exported(self, raw: pl.DataFrame) -> pl.DataFrame:
        if self._vehicles is None:
            return raw
        return raw.with_columns(self._file_vehicles(raw).alias(read.CELL + VEHICLE))


def part_of(file: InboxFile, fleet: Fleet) -> Part | None:
    """The file as part of a bundle; None where it has to be read alone."""
    suffixes = [suffix.lower() for suffix in file.path.suffixes[-2:]]
    is_gzip = suffixes[-1:] == [".gz"]
    suffix = (suffixes[-2] if len(suffixes) > 1 else ".csv") if is_gzip else "".join(suffixes[-1:])
    most_bytes = min(SMALL_BYTES, fleet.settings.limits.max_file_gb * GB)
    if suffix not in _TEXTS or not 0 < file.size_bytes <= most_bytes:
        return None
    source_ids = matching_sources(file.name, fleet.sources)
    if len(source_ids) != 1 or not _may_be_bundled(fleet, source_ids[0]):
        return None
    try:
        stored = file.path.read_bytes()
        content = _unpacked(stored) if is_gzip else stored
        content.decode("utf-8")
    except (OSError, EOFError, zlib.error, UnicodeDecodeError):
        return None  # read alone, it says what is wrong
    layout = fleet.sources[source_ids[0]].csv
    if len(content) > most_bytes or _is_odd(content, layout.quote) or looks_returned(content):
        return None
    lines = content.split(b"\n", layout.skip_rows + 1)
    body = lines.pop()
    if len(lines) != layout.skip_rows + 1 or not body.strip():
        return None
    if not body.endswith(b"\n"):
        body += b"\n"
    header = b"\n".join(lines) + b"\n"
    digest = hashlib.sha256(stored).hexdigest()
    plain = Plain(file.name, file.path, file.size_bytes, digest)
    return Part(file, plain, source_ids[0], suffix, header, body)


def bundled(parts: Sequence[Part], fleet: Fleet, now: datetime, temp: Path) -> Bundle:
    """Read and map parts that agree in their key.

    Raises
    ------
    ColdMinutesError
        Where one of them cannot be read or mapped; alone, each will say whether it is the one.
    """
    first = parts[0]
    counts = [part.body.count(b"\n") for part in parts]
    begins = np.concatenate([[0], np.cumsum(counts)[:-1]])
    source = fleet.sources[first.source_id]
    temp.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(suffix=first.suffix, dir=temp) as text:
        text.write(first.header)
        text.writelines(part.body for part in parts)
        text.flush()
        batches = read.batches(
            Path(text.name),
            first.file.name,
            first.source_id,
            source,
            temp,
            fleet.settings.limits.max_file_gb,
        )
        cells = pl.concat(batches)
    mapper = BundleMapper(fleet, parts, begins, now)
    return Bundle(tuple(parts), mapper.map(cells), begins)


def _may_be_bundled(fleet: Fleet, source_id: str) -> bool:
    source = fleet.sources[source_id]
    return (
        source.kind == "samples"
        and source.supersedes == "never"
        and source.csv.encoding.lower() in UTF8_NAMES
    )


def _unpacked(stored: bytes) -> bytes:
    with gzip.GzipFile(fileobj=io.BytesIO(stored)) as stream:
        return stream.read(SMALL_BYTES + 1)


def _is_odd(content: bytes, quote: str) -> bool:
    """Could it read otherwise beside another file, or is it no plain text at all?"""
    if b"\0" in content or content.count(b"\r") != content.count(b"\r\n"):
        return True
    if quote.encode() not in content:
        return False
    if not quote.isascii():
        return True
    signs = np.frombuffer(content, np.uint8)
    quotes_n = np.cumsum(signs == ord(quote))
    # A quote open at the end of a line goes on in the next one, and at worst in the next file.
    return bool((quotes_n[signs == ord("\n")] % 2).any() or quotes_n[-1] % 2)


def _file_no(file_row: pl.Series, begins: np.ndarray, head_n: int) -> pl.Series:
    lines = file_row.to_numpy() - head_n - 1
    return pl.Series(FILE_NO, np.searchsorted(begins, lines, side="right") - 1, dtype=pl.Int64)

"""Does what waits in the inbox fit on the disk? Asked before a run writes anything."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import duckdb

from pipeline.config import Fleet
from pipeline.ingest.inbox import InboxFile, list_inbox
from pipeline.problems import ColdMinutesError, Problem

STORED_RATE = 0.7
"""Warehouse bytes per byte of plain text. Measured on the sample fleet with its results: 0.54."""
PACKED_FACTOR = 12.0
"""Most that packed exports usually unpack to; of those seen, CSV in gzip came to 6 to 10."""
SPARE_BYTES = 64_000_000
"""For the write-ahead log and the documents of one edition."""
_PACKED = frozenset({".gz", ".zst", ".zip", ".xlsx", ".xlsm", ".xlsb", ".ods", ".parquet", ".pq"})


def waiting_files(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> list[InboxFile]:
    """Files of the inbox that are not wholly taken in, or have changed since."""
    rows = con.execute("select file_path, size_bytes, modified_ns from inbox_files").fetchall()
    known = {row[0]: (row[1], row[2]) for row in rows}
    return [
        file
        for file in list_inbox(fleet.inbox)[0]
        if known.get(file.name) != (file.size_bytes, file.modified_ns)
    ]


def require_room(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    """Stop a run that would fill the disk, before it writes.

    Parameters
    ----------
    con
        The fleet's warehouse; one in memory needs no room.

    Raises
    ------
    ColdMinutesError
        ENV-03, with what is needed and what is free.
    """
    if con.execute("select current_database()").fetchall() != [("warehouse",)]:
        return
    files = waiting_files(con, fleet)
    if not files:
        return
    free = shutil.disk_usage(fleet.state).free
    # The rough upper bound opens no file; thousands of small ones need no closer look.
    rough = needed_bytes([round(file.size_bytes * _factor(file.path)) for file in files])
    if rough <= free:
        return
    needed = needed_bytes([plain_bytes(file.path, file.size_bytes) for file in files])
    if needed <= free:
        return
    problem = Problem(
        "ENV-03",
        "stop",
        str(fleet.state),
        f"{len(files)} files wait in the inbox and need about {needed / 1e6:,.0f} MB on this disk, "
        f"{free / 1e6:,.0f} MB are free",
        "Free some disk (`coldminutes status FLEET` says what takes how much), move the fleet "
        "folder to a larger one, or put the exports in a few at a time. Nothing was changed.",
        {"needed_bytes": needed, "free_bytes": free},
    )
    raise ColdMinutesError([problem], exit_code=4)


def needed_bytes(plain: list[int]) -> int:
    """Bytes that a run needs for exports of these plain sizes.

    The warehouse grows by a share of them, and the largest is unpacked beside it.
    """
    return round(sum(plain) * STORED_RATE) + max(plain, default=0) + SPARE_BYTES


def plain_bytes(path: Path, size_bytes: int) -> int:
    """Bytes of a file when it is unpacked: what its archive says of it, else the usual factor.

    A number in an archive is a claim; it is never taken for less than the file itself, nor for
    more than the ingest would unpack.
    """
    if path.suffix.lower() in (".zip", ".xlsx", ".xlsm", ".ods"):
        try:
            with zipfile.ZipFile(path) as archive:
                return max(size_bytes, sum(info.file_size for info in archive.infolist()))
        except (OSError, zipfile.BadZipFile, ValueError, NotImplementedError):
            return size_bytes
    return max(size_bytes, round(size_bytes * _factor(path)))


def _factor(path: Path) -> float:
    return PACKED_FACTOR if path.suffix.lower() in _PACKED else 1.0

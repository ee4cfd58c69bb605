"""Exports wholly taken in move from the inbox into the archive, packed and checked first.

Only what the warehouse knows by name, size and time of change is moved, and only after the packed
copy was read back. Broken off anywhere, an export lies in the inbox, the archive or both; in both,
the next run knows it and moves it again.
"""

from __future__ import annotations

import hashlib
import os
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import pyarrow as pa

from pipeline.config import Fleet
from pipeline.disk import disk_full, is_disk_full, sync
from pipeline.ingest.archived import ARCHIVE, PACKED, sortings
from pipeline.ingest.inbox import InboxFile, list_inbox
from pipeline.ingest.stage import split_known
from pipeline.ingest.vss import with_vss
from pipeline.problems import Problem
from pipeline.weeks import week_of

ALREADY_PACKED = frozenset(
    {".gz", ".zst", ".zip", ".xlsx", ".xlsm", ".xlsb", ".ods", ".parquet", ".pq", ".mf4"}
)
_CHUNK_BYTES = 1 << 20


@dataclass
class Archiving:
    """What was moved: how many exports, bytes before and after, and what could not be."""

    files_n: int = 0
    bytes_before: int = 0
    bytes_after: int = 0
    problems: list[Problem] = field(default_factory=list)


def archive_taken(con: duckdb.DuckDBPyConnection, fleet: Fleet, now: datetime) -> Archiving:
    """Move exports that are wholly taken in out of the inbox, if ``[archive]`` says so.

    Parameters
    ----------
    con
        The fleet's warehouse, no transaction open.
    now
        Its week in the fleet's zone names the folder.

    Raises
    ------
    ColdMinutesError
        ENV-02, where the disk is full; what was not moved lies in the inbox as before.
    """
    done = Archiving()
    settings = fleet.settings.archive
    if not settings.enabled:
        return done
    files, _ = list_inbox(fleet.inbox)
    known, _ = split_known(con, with_vss(fleet, files)[0], files)
    before_ns = int((now - timedelta(days=settings.after_days)).timestamp()) * 1_000_000_000
    due = [file for file in known if not settings.after_days or file.modified_ns < before_ns]
    # Links first: afterwards they might lead nowhere.
    due.sort(key=lambda file: (not file.path.is_symlink(), file.name))
    folder = _next_folder(fleet, now)
    for file in due:
        try:
            packed_bytes = _move(file, fleet.inbox.resolve(), folder)
        except OSError as error:
            if is_disk_full(error):
                raise disk_full(error) from error
            done.problems.append(_left(file, error))
        else:
            done.files_n += 1
            done.bytes_before += file.size_bytes
            done.bytes_after += packed_bytes
    return done


def _next_folder(fleet: Fleet, now: datetime) -> Path:
    """A folder of this sorting's own, so that no name is taken and the order is kept.

    It comes after all others, also where the clock was set back.
    """
    week_id = week_of(now, fleet.zone)
    last = sortings(fleet)[-1:]
    if last and last[0].parent.name >= week_id:
        return last[0].with_name(f"{int(last[0].name) + 1:03d}")
    return fleet.folder / ARCHIVE / week_id / "001"


def _move(file: InboxFile, inbox: Path, folder: Path) -> int:
    """Copy, pack, read back, take its place, and only then leave the inbox; size [bytes]."""
    inside = file.path.relative_to(inbox)
    is_packed = file.path.suffix.lower() in ALREADY_PACKED and not file.path.name.endswith(PACKED)
    target = folder / inside if is_packed else folder / inside.parent / f"{inside.name}{PACKED}"
    target.parent.mkdir(parents=True, exist_ok=True)
    # Hidden, so that nobody takes what a crash left for an export; our own name always fits.
    made = target.parent / ".archiving.part"
    try:
        digest = _copied(file.path, made, pack=not is_packed)
        if _digest(made, packed=not is_packed) != digest:
            raise OSError("the copy does not read back as the export")
        state = file.path.stat()
        if (state.st_size, state.st_mtime_ns) != (file.size_bytes, file.modified_ns):
            raise OSError("it is being written to")
        os.utime(made, ns=(state.st_atime_ns, state.st_mtime_ns))
        made.chmod(state.st_mode & 0o640)
        made.rename(target)
        sync(target.parent)
    except BaseException:
        made.unlink(missing_ok=True)
        raise
    file.path.unlink()
    return target.stat().st_size


def _copied(source: Path, target: Path, pack: bool) -> str:
    """Copy a file, packed or as it is; SHA-256 of its content."""
    digest = hashlib.sha256()
    with source.open("rb") as stream, target.open("wb") as out:
        packer = pa.CompressedOutputStream(pa.PythonFile(out, "w"), "zstd") if pack else None
        while chunk := stream.read(_CHUNK_BYTES):
            digest.update(chunk)
            (packer or out).write(chunk)
        if packer is not None:
            packer.flush()
            packer.close()
    with target.open("rb") as written:
        os.fsync(written.fileno())
    return digest.hexdigest()


def _digest(path: Path, packed: bool) -> str:
    digest = hashlib.sha256()
    with pa.input_stream(str(path), compression="zstd" if packed else None) as stream:
        while chunk := stream.read(_CHUNK_BYTES):
            digest.update(chunk)
    return digest.hexdigest()


def _left(file: InboxFile, error: OSError) -> Problem:
    return Problem(
        "ARRIVE-01",
        "note",
        f"inbox/{file.name}",
        f"was taken in, but could not be moved into the archive ({error.strerror or error})",
        "It stays in the inbox and is not taken in twice. Let the program write to archive/ and "
        "remove from inbox/; the next round moves it.",
    )

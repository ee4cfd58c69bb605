"""From a file of the inbox to plain files to read: gzip, zstd, zip members, odd names.

Nothing is extracted under a name that an archive chose, and no more than the fleet's limit is
written, whatever an archive claims about itself.
"""

from __future__ import annotations

import gzip
import hashlib
import os
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO

import pyarrow as pa

from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest.inbox import InboxFile, safe_name
from pipeline.ingest.refusals import refusal, too_large, unreadable
from pipeline.problems import ColdMinutesError

CHUNK_BYTES = 1 << 20
MAX_RATIO = 200
RATIO_MATTERS_FROM_BYTES = 50_000_000
ARCHIVE_SUFFIXES = frozenset([".zip", ".gz", ".tgz", ".tar", ".bz2", ".xz", ".7z", ".rar", ".zst"])
GB = 1_000_000_000


@dataclass(frozen=True)
class Plain:
    """Content ready to be read.

    Parameters
    ----------
    name
        As shown and stored: ``a.csv`` or ``a.zip/member.csv``.
    path
        Where the content lies now; a temporary file if `is_temporary`.
    size_bytes, content_sha256
        Of the content: of the file itself, or of the unpacked member.
    """

    name: str
    path: Path
    size_bytes: int
    content_sha256: str
    is_temporary: bool = False

    def discard(self) -> None:
        """Remove what was unpacked; the user's own file is never touched."""
        if self.is_temporary:
            self.path.unlink(missing_ok=True)


def is_zip(file: InboxFile) -> bool:
    """Is it an archive of files by its name? (A workbook is a zip too, but not by name.)"""
    return file.path.suffix.lower() == ".zip"


def hashed(file: InboxFile) -> Plain:
    """A plain file with the hash of its content.

    Raises
    ------
    ColdMinutesError
        When it cannot be read.
    """
    try:
        with file.path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(file.name, f"cannot be read: {error.strerror}") from error
    return Plain(file.name, file.path, file.size_bytes, digest)


def readable(plain: Plain, temp: Path, max_gb: float) -> Plain:
    """The same content where a reader can open it: unpacked, an undecodable name replaced.

    Raises
    ------
    ColdMinutesError
        Damaged or truncated gzip or zstd, or more than `max_gb` of content.
    """
    suffixes = [suffix.lower() for suffix in Path(plain.name).suffixes]
    if suffixes[-1:] == [".gz"]:
        inner = suffixes[-2] if len(suffixes) > 1 else ".csv"
        try:
            with gzip.GzipFile(plain.path, "rb") as stream:
                path, _, _ = _copy(stream, temp, inner, plain.name, max_gb, plain.size_bytes)
        except EOFError as error:
            raise unreadable(
                plain.name, "the gzip stream is truncated: it ends before its content does"
            ) from error
        except (OSError, zlib.error) as error:
            raise unreadable(plain.name, f"is not whole gzip data ({error})") from error
    elif suffixes[-1:] == [".zst"]:
        inner = suffixes[-2] if len(suffixes) > 1 else ".csv"
        try:
            with pa.input_stream(str(plain.path), compression="zstd") as stream:
                path, _, _ = _copy(stream, temp, inner, plain.name, max_gb, plain.size_bytes)
        except OSError as error:
            raise unreadable(plain.name, f"is not whole zstd data ({error})") from error
    elif safe_name(plain.path.name) != plain.path.name:
        # The readers take names as UTF-8 only; a copy under our own name always works.
        with plain.path.open("rb") as stream:
            path, _, _ = _copy(
                stream, temp, plain.path.suffix, plain.name, max_gb, plain.size_bytes
            )
    else:
        return plain
    plain.discard()
    return Plain(plain.name, path, plain.size_bytes, plain.content_sha256, is_temporary=True)


def zip_members(
    file: InboxFile, temp: Path, max_gb: float, wanted: Callable[[str], bool]
) -> Iterator[Plain | ColdMinutesError]:
    """Members of a zip that somebody wants, one after the other, each under a name of ours.

    A member that is refused comes as the error, so that the others are still taken in. What
    `wanted` declines is passed over.
    """
    try:
        archive = zipfile.ZipFile(file.path)
    except (zipfile.BadZipFile, OSError, ValueError) as error:
        yield unreadable(file.name, f"is not a whole zip archive ({error})")
        return
    with archive:
        for info in archive.infolist():
            member = safe_name(info.filename)
            name = f"{file.name}/{member}"
            bare = PurePosixPath(member).name
            is_hidden = bare.startswith(".") and not _leads_out(info.filename)
            if info.is_dir() or is_hidden or member.startswith("__MACOSX/"):
                continue
            refused = _refused_member(info, name, max_gb)
            if refused is not None:
                yield refused
                continue
            if not wanted(member):
                continue
            try:
                with archive.open(info) as stream:
                    suffix = PurePosixPath(member).suffix.lower()
                    path, size_bytes, digest = _copy(
                        stream, temp, suffix, name, max_gb, info.compress_size
                    )
            except ColdMinutesError as error:
                yield error
            except (
                zipfile.BadZipFile,
                OSError,
                EOFError,
                zlib.error,
                RuntimeError,  # encrypted
                NotImplementedError,
                ValueError,
            ) as error:
                yield unreadable(name, f"cannot be unpacked ({error})")
            else:
                yield Plain(name, path, size_bytes, digest, is_temporary=True)


def _refused_member(info: zipfile.ZipInfo, name: str, max_gb: float) -> ColdMinutesError | None:
    stored = info.filename
    if _leads_out(stored):
        return refusal(
            "INGEST-07",
            name,
            "was not opened: its name in the archive leads out of the archive",
            "Pack the export again with plain names.",
        )
    if PurePosixPath(stored).suffix.lower() in ARCHIVE_SUFFIXES:
        return refusal(
            "INGEST-07", name, "was not opened: an archive inside an archive", "Unpack it once."
        )
    if _is_absurd(info.file_size, info.compress_size):
        return _absurd(name, info.file_size, info.compress_size)
    return too_large(name, max_gb) if info.file_size > max_gb * GB else None


def _leads_out(stored: str) -> bool:
    parts = stored.replace("\\", "/").split("/")
    return stored.startswith(("/", "\\")) or ".." in parts or parts[0].endswith(":")


def _is_absurd(size_bytes: int, stored_bytes: int) -> bool:
    return size_bytes > RATIO_MATTERS_FROM_BYTES and size_bytes > MAX_RATIO * stored_bytes


def _absurd(name: str, size_bytes: int, stored_bytes: int) -> ColdMinutesError:
    return refusal(
        "INGEST-08",
        name,
        f"unpacks to {size_bytes / 1e6:.0f} MB or more from {stored_bytes / 1e6:.3f} MB, "
        f"which no export does",
        "If it is a real export, unpack it into the inbox by hand.",
    )


def _copy(
    stream: IO[bytes] | gzip.GzipFile,
    temp: Path,
    suffix: str,
    name: str,
    max_gb: float,
    stored_bytes: int,
) -> tuple[Path, int, str]:
    """Write a stream to a new temporary file: its path, size in bytes and hash.

    What comes out is counted here, because what an archive says of itself proves nothing.
    """
    temp.mkdir(parents=True, exist_ok=True)
    handle, made = tempfile.mkstemp(suffix=_plain_suffix(suffix), dir=temp)
    digest = hashlib.sha256()
    size_bytes = 0
    try:
        with os.fdopen(handle, "wb") as out:
            while chunk := stream.read(CHUNK_BYTES):
                size_bytes += len(chunk)
                if size_bytes > max_gb * GB:
                    raise too_large(name, max_gb)
                if _is_absurd(size_bytes, stored_bytes):
                    raise _absurd(name, size_bytes, stored_bytes)
                digest.update(chunk)
                out.write(chunk)
    except BaseException as error:
        Path(made).unlink(missing_ok=True)
        if is_disk_full(error):
            raise disk_full(error) from error
        raise
    return Path(made), size_bytes, digest.hexdigest()


def _plain_suffix(suffix: str) -> str:
    """The suffix if it is harmless in a file name, else none."""
    return suffix if suffix.isascii() and suffix[1:].isalnum() and len(suffix) < 12 else ""

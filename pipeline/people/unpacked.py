"""Content packed and unpacked in memory, up to a limit: an archive may hold anything."""

from __future__ import annotations

import gzip
import io
import zipfile

import pyarrow as pa

MOST_BYTES = 2_000_000_000


class TooLargeError(ValueError):
    """More comes out than is looked into."""


def gunzipped(content: bytes) -> bytes:
    """Content of a gzip file."""
    with gzip.GzipFile(fileobj=io.BytesIO(content)) as stream:
        return _whole(stream.read(MOST_BYTES + 1))


def unzstd(content: bytes) -> bytes:
    """Content of a zstd file."""
    with pa.input_stream(io.BytesIO(content), compression="zstd") as stream:
        return _whole(bytes(stream.read(MOST_BYTES + 1)))


def gzipped(content: bytes) -> bytes:
    """Packed as gzip, without a name or a time."""
    return gzip.compress(content, mtime=0)


def zstd_packed(content: bytes) -> bytes:
    """Packed as zstd."""
    out = pa.BufferOutputStream()
    with pa.CompressedOutputStream(out, "zstd") as stream:
        stream.write(content)
    return bytes(out.getvalue().to_pybytes())


def member(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """Content of a member of a zip."""
    with archive.open(info) as stream:
        return _whole(stream.read(MOST_BYTES + 1))


def _whole(content: bytes) -> bytes:
    if len(content) > MOST_BYTES:
        raise TooLargeError(f"more than {MOST_BYTES} bytes")
    return content

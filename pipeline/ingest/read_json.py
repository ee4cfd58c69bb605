"""JSON exports: one record after the other, its values as text under dotted names.

A file is a list of records, lines of one record each, one record, or documents that hold a list
of records under a key. Nothing is held in memory but the objects being read, so what limits a
list or lines is the size of one record, and what limits any other file is its own size.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NoReturn

import duckdb
import polars as pl

from pipeline.ingest.read_text import HEAD_BYTES, as_utf8
from pipeline.ingest.refusals import refusal, unreadable
from pipeline.resources import statement
from pipeline.source_config import Source

JSON_SUFFIXES = frozenset({".json", ".jsonl", ".ndjson"})
LINE_SUFFIXES = frozenset({".jsonl", ".ndjson"})
MAX_RECORD_BYTES = 16 << 20
"""Of one record in a list or in lines."""
MAX_DOCUMENT_BYTES = 32 << 20
"""Of a file that is one object: it is read in one piece, which takes some ten times as much."""
MIN_OBJECT_BYTES = 1 << 20
READER_MEMORY = "1GB"
JSON_BATCH_ROWS_N = 20_000
FROM_DOCUMENT = "/"
"""A column that begins with this is looked up in the document that holds the list of records."""

_PART = re.compile(r'"([^"]*)"|([^."]+)')
_PLACE = re.compile(r"at byte (\d+) in (line|record/value) (\d+): (.*?)\.?\s*$")
_local = threading.local()


def json_batches(
    path: Path,
    name: str,
    source_id: str,
    source: Source,
    columns: Sequence[str],
    temp: Path,
    rows_n: int,
) -> Iterator[pl.DataFrame]:
    """Text of the wanted columns per record, and ``file_row``: 1 is the file's first record.

    A key that a record does not have is null, and so is JSON's null. What is itself a list or an
    object is its JSON text.

    Raises
    ------
    ColdMinutesError
        Malformed JSON, with line or record and byte; an object that is too large; no list under
        the source's key ``records``.
    """
    own = [column for column in columns if not column.startswith(FROM_DOCUMENT)]
    above = [column for column in columns if column.startswith(FROM_DOCUMENT)]
    paths = {column: pointers(column) for column in own}
    paths |= {column: pointers(column.removeprefix(FROM_DOCUMENT)) for column in above}
    first = {column: sum(len(paths[c]) for c in own[:n]) for n, column in enumerate(own)}
    first |= {column: sum(len(paths[c]) for c in above[:n]) for n, column in enumerate(above)}

    def cell(column: str) -> pl.Expr:
        cells = pl.col("cells" if column in own else "document_cells")
        at = range(first[column], first[column] + len(paths[column]))
        return pl.coalesce(cells.list.get(index, null_on_oob=True) for index in at)

    params = {
        "is_listed": source.records is not None,
        "list_pointer": pointers(source.records)[-1] if source.records else "",
        "is_list_optional": False,
        "pointers": [pointer for column in own for pointer in paths[column]],
        "document_pointers": [pointer for column in above for pointer in paths[column]],
    }
    for batch in records(path, name, source, temp, "ingest/json_records", params, rows_n):
        if batch["is_without_list"].any():
            row = batch.row(batch["is_without_list"].arg_max() or 0, named=True)
            raise refusal(
                "INGEST-04",
                name,
                f"has no list of records under '{source.records}'; its keys are "
                f"{', '.join(repr(key)[:80] for key in row['document_keys']) or '(none)'}",
                f"Mend the key records in sources/{source_id}.toml.",
            )
        yield batch.select("file_row", **{column: cell(column) for column in columns})


def records(
    path: Path,
    name: str,
    source: Source,
    temp: Path,
    sql_name: str,
    params: Mapping[str, Any],
    rows_n: int,
) -> Iterator[pl.DataFrame]:
    """Rows of a statement that reads one JSON file, with ``file_row`` counted up.

    Parameters
    ----------
    sql_name
        ``sql/<sql_name>.sql``, a select with the parameters ``path``, ``format`` and
        ``object_bytes`` beside those of `params`.

    Raises
    ------
    ColdMinutesError
        Malformed JSON or an object that is too large.
    """
    text, is_copy = as_utf8(path, name, source.csv, temp)
    try:
        layout, object_bytes = _layout(text, path.suffix.lower(), name)
        if layout is None:
            return
        bound = {
            **params,
            "path": re.sub(r"([*?[])", r"[\1]", str(text)),
            "format": layout,
            "object_bytes": object_bytes,
        }
        seen_n = 0
        try:
            rows = _connection().sql(statement(sql_name), params=bound)
            for chunk in rows.to_arrow_reader(min(rows_n, JSON_BATCH_ROWS_N)):
                batch = pl.from_arrow(chunk)
                if not isinstance(batch, pl.DataFrame):
                    raise AssertionError("a record batch is a frame")
                if batch.height:
                    yield batch.with_row_index("file_row", offset=seen_n + 1).cast(
                        {"file_row": pl.Int64}
                    )
                    seen_n += batch.height
        except (duckdb.Error, OSError) as error:
            _refuse(error, name, layout, object_bytes)
    finally:
        if is_copy:
            text.unlink(missing_ok=True)


def pointers(column: str) -> list[str]:
    """Where a dotted name may lie in a record, as JSON pointers: one key, or one within another.

    >>> pointers("a.b")
    ['/a.b', '/a/b']
    >>> pointers('signals."Vehicle.Speed"')
    ['/signals."Vehicle.Speed"', '/signals/Vehicle.Speed']
    """
    parts = [quoted or bare for quoted, bare in _PART.findall(column)]
    nested = "".join(f"/{_escaped(part)}" for part in parts)
    return list(dict.fromkeys([f"/{_escaped(column)}", nested or "/"]))


def _escaped(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")


def _connection() -> duckdb.DuckDBPyConnection:
    """A connection of this thread that only reads files; making one costs more than a file."""
    con: duckdb.DuckDBPyConnection | None = getattr(_local, "con", None)
    if con is None:
        con = duckdb.connect(
            config={
                "threads": 1,
                "memory_limit": READER_MEMORY,
                "temp_directory": "",
                "autoinstall_known_extensions": False,
                "autoload_known_extensions": False,
            }
        )
        _local.con = con
    return con


def _layout(path: Path, suffix: str, name: str) -> tuple[str | None, int]:
    """How the records lie in the file (None: it is empty), and the largest object to expect."""
    size_bytes = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if not start and size_bytes <= HEAD_BYTES:
        return None, 0
    record_bytes = max(MIN_OBJECT_BYTES, min(size_bytes, MAX_RECORD_BYTES))
    if suffix in LINE_SUFFIXES:
        return "newline_delimited", record_bytes
    if start.startswith(b"["):
        return "array", record_bytes
    if not start.startswith(b"{"):
        raise unreadable(name, "is not JSON: it begins with neither { nor [")
    return "unstructured", max(MIN_OBJECT_BYTES, min(size_bytes, MAX_DOCUMENT_BYTES))


def _refuse(error: Exception, name: str, layout: str, object_bytes: int) -> NoReturn:
    """The reader's error as ours.

    It counts lines and records from 2, seen with DuckDB 2.0 and held by a test.
    """
    first = (str(error).splitlines() or [type(error).__name__])[0]
    if "maximum_object_size" in first:
        kind = "record" if layout != "unstructured" else "document"
        raise refusal(
            "INGEST-08",
            name,
            f"has a {kind} of more than {object_bytes / (1 << 20):.0f} MB, or a quote or bracket "
            f"that is never closed",
            "Mend the export, or export one record per line (.jsonl) or smaller pages.",
        ) from error
    found = _PLACE.search(first)
    if found is None:
        raise unreadable(name, f"cannot be read as JSON ({first[:200]})") from error
    what = "line" if found.group(2) == "line" else "record"
    number = max(1, int(found.group(3)) - 1)
    raise unreadable(
        name, f"is not whole JSON: {what} {number}, byte {found.group(1)}: {found.group(4)}"
    ) from error

"""The first two rows of whatever lies in the inbox and nobody speaks for."""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
import zipfile
import zlib
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

import fastexcel
import polars as pl
import pyarrow as pa

from pipeline.ingest.inbox import InboxFile
from pipeline.ingest.json_names import plain_values
from pipeline.ingest.read import PARQUETS, WORKBOOKS
from pipeline.ingest.read_json import JSON_SUFFIXES

HEAD_BYTES = 1 << 18
MEMBERS_N = 200
RECORDS_N = 200
_BETWEEN = re.compile(r"[\s,]*")
TEXTS = frozenset({".csv", ".tsv", ".txt"})


@dataclass(frozen=True)
class Head:
    """Column names of a table, the cells of its first row, and how its text is cut."""

    names: list[str]
    first: list[str]
    delimiter: str | None


def heads_of(file: InboxFile) -> list[tuple[str | None, Head]]:
    """Headers of the tables in a file; of damaged files none, their reader will say why."""
    suffix = file.path.suffix.lower()
    try:
        if suffix == ".zip":
            return _zip_heads(file)
        if suffix == ".gz":
            with gzip.open(file.path) as stream:
                head = _head(stream, file.path.stem)
        elif suffix == ".zst":
            with pa.input_stream(str(file.path), compression="zstd") as stream:
                head = _head(stream, file.path.stem)
        elif suffix in PARQUETS:
            frame = pl.scan_parquet(file.path, glob=False).head(1).collect()
            head = Head(frame.columns, [str(cell) for cell in frame.row(0)], None)
        elif suffix in WORKBOOKS:
            head = _of_workbook(file)
        else:
            with file.path.open("rb") as stream:
                head = _head(stream, file.path.name)
    except (
        OSError, EOFError, ValueError, zlib.error, zipfile.BadZipFile, RuntimeError,
        fastexcel.FastExcelError, pl.exceptions.PolarsError, pl.exceptions.PanicException,
    ):  # fmt: skip
        return []
    return [] if head is None else [(None, head)]


def _zip_heads(file: InboxFile) -> list[tuple[str | None, Head]]:
    heads: list[tuple[str | None, Head]] = []
    with zipfile.ZipFile(file.path) as archive:
        for info in archive.infolist()[:MEMBERS_N]:
            if PurePosixPath(info.filename).suffix.lower() in TEXTS | JSON_SUFFIXES:
                with archive.open(info) as stream:
                    head = _head(stream, info.filename)
                if head is not None:
                    heads.append((info.filename, head))
    return heads


def _of_workbook(file: InboxFile) -> Head | None:
    sheet = fastexcel.read_excel(file.path).load_sheet(
        0, header_row=None, n_rows=2, dtypes="string"
    )
    rows = [["" if cell is None else str(cell) for cell in row] for row in sheet.to_polars().rows()]
    return Head(rows[0], rows[1], None) if len(rows) > 1 else None


def _head(stream: IO[bytes] | Any, name: str) -> Head | None:
    """The head of a text, by the ending of its name: JSON, or cells."""
    text = stream.read(HEAD_BYTES).decode("utf-8", "replace").removeprefix("\ufeff")
    if "ehicle." not in text and "ehicle/" not in text and '"Vehicle"' not in text:
        return None
    is_json = Path(name).suffix.lower() in JSON_SUFFIXES
    return _json_head(text) if is_json else _text_head(text)


def _json_head(text: str) -> Head | None:
    """Names in the first records of a list or of lines; signals may come by turns."""
    decoder = json.JSONDecoder()
    at = len(text) - len(text.lstrip(" \t\r\n["))
    found: list[dict[str, Any]] = []
    while at < len(text) and len(found) < RECORDS_N:
        try:
            record, at = decoder.raw_decode(text, at)
        except (ValueError, RecursionError):
            break  # the head ends within a record, or this is no JSON
        if isinstance(record, dict):
            found.append(record)
        between = _BETWEEN.match(text, at)
        at = between.end() if between else at
    values, _ = plain_values(found)
    cells = ["" if value is None else _as_text(value) for value in values.values()]
    return Head(list(values), cells, None) if len(values) > 2 else None


def _as_text(value: bool | float | str) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _text_head(text: str) -> Head | None:
    try:
        for delimiter in (",", ";", "\t", "|"):
            reader = csv.reader(io.StringIO(text), delimiter=delimiter)
            names = [cell.strip() for cell in next(reader, [])]
            if len(names) > 2:
                first = [cell.strip() for cell in next(reader, [])]
                return Head(names, first if len(first) == len(names) else [], delimiter)
    except csv.Error:
        return None
    return None

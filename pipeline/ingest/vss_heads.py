"""The first two rows of whatever lies in the inbox and nobody speaks for."""

from __future__ import annotations

import csv
import gzip
import io
import zipfile
import zlib
from dataclasses import dataclass
from typing import IO

import fastexcel
import polars as pl

from pipeline.ingest.inbox import InboxFile
from pipeline.ingest.read import PARQUETS, WORKBOOKS

HEAD_BYTES = 1 << 18
MEMBERS_N = 200


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
                head = _text_head(stream)
        elif suffix in PARQUETS:
            frame = pl.scan_parquet(file.path, glob=False).head(1).collect()
            head = Head(frame.columns, [str(cell) for cell in frame.row(0)], None)
        elif suffix in WORKBOOKS:
            head = _of_workbook(file)
        else:
            with file.path.open("rb") as stream:
                head = _text_head(stream)
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
            if info.filename.lower().endswith((".csv", ".tsv", ".txt")):
                with archive.open(info) as stream:
                    head = _text_head(stream)
                if head is not None:
                    heads.append((info.filename, head))
    return heads


def _of_workbook(file: InboxFile) -> Head | None:
    sheet = fastexcel.read_excel(file.path).load_sheet(
        0, header_row=None, n_rows=2, dtypes="string"
    )
    rows = [["" if cell is None else str(cell) for cell in row] for row in sheet.to_polars().rows()]
    return Head(rows[0], rows[1], None) if len(rows) > 1 else None


def _text_head(stream: IO[bytes] | gzip.GzipFile) -> Head | None:
    text = stream.read(HEAD_BYTES).decode("utf-8", "replace").removeprefix("\ufeff")
    if "ehicle." not in text and "ehicle/" not in text:
        return None
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

"""Rows that were set aside, written out to be mended, and read again when they come back.

Such a file is known by its first cell, whatever it is called and wherever in the inbox it lies.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.config import Fleet
from pipeline.ingest.raw import VEHICLE
from pipeline.source_config import CsvFormat, Source, VehicleKey

TEXT_SUFFIXES = frozenset({".csv", ".txt", ".tsv"})
HEAD_BYTES = 1024
_TITLE = "why set aside (coldminutes, source {})"
_MARK = re.compile(
    r'"?why set aside \(coldminutes, source (?P<source_id>[^")]{1,200})\)"?(?P<delimiter>[,;\t])'
)
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?([eE][+-]?\d+)?")


def neutral(cell: str) -> str:
    """A cell that no spreadsheet runs; `restored` undoes it.

    >>> neutral("=1+1"), neutral("-4.5"), neutral("'quoted")
    ("'=1+1", '-4.5', "''quoted")
    """
    cell = cell.replace("\0", "\ufffd")
    bare = cell.lstrip(" \n\u00a0\ufeff")
    is_formula = cell.startswith(_FORMULA_STARTS) or bare.startswith(_FORMULA_STARTS)
    if cell.startswith("'") or (is_formula and not _NUMBER.fullmatch(cell)):
        return f"'{cell}"
    return cell


def restored(cells: pl.DataFrame) -> pl.DataFrame:
    """Cells of a returned file without the apostrophe that `neutral` put in front."""
    return cells.with_columns(pl.col(pl.String).str.strip_prefix("'"))


def returned_text(source_id: str, rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows as CSV: the reason, then the columns of the export as far as they are mapped.

    Parameters
    ----------
    rows
        With ``reason`` and ``raw_row``, the JSON object that was kept of each.
    """
    cells = [(str(row["reason"]), json.loads(row["raw_row"])) for row in rows]
    columns = list(dict.fromkeys(column for _, kept in cells for column in kept))
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_TITLE.format(source_id), *(neutral(column) for column in columns)])
    for reason, kept in cells:
        told = ["" if kept.get(c) is None else neutral(str(kept[c])) for c in columns]
        writer.writerow([neutral(reason), *told])
    return out.getvalue()


def looks_returned(content: bytes) -> bool:
    """Does a text begin as those do that bring rows back?"""
    return _MARK.match(_head(content)) is not None


def returned_source(path: Path, fleet: Fleet) -> tuple[str, Source] | None:
    """The source whose rows a file brings back, as it must be read; None for any other file."""
    if path.suffix.lower() not in TEXT_SUFFIXES:
        return None
    try:
        with path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
    except OSError:
        return None
    found = _MARK.match(_head(head))
    source = fleet.sources.get(found["source_id"]) if found else None
    if found is None or source is None:
        return None
    layout = CsvFormat(
        delimiter=found["delimiter"], decimal=source.csv.decimal, encoding=_encoding(path)
    )
    changed: dict[str, Any] = {"csv": layout}
    if source.vehicle.file_name is not None:
        changed["vehicle"] = VehicleKey(column=VEHICLE)
    return found["source_id"], source.model_copy(update=changed)


def _head(content: bytes) -> str:
    return content[:HEAD_BYTES].decode("utf-8", "replace").removeprefix("\ufeff")


def _encoding(path: Path) -> str:
    """What a spreadsheet may have saved it in."""
    try:
        with path.open(encoding="utf-8") as stream:
            while stream.read(1 << 20):
                pass
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"

"""An unknown JSON file: where its records lie, and which names lead to plain values.

The first documents are looked at for their shape only; the values then come from the reader that
ingest uses, so that a draft and a run see the same cells.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.ingest.json_names import DEPTH, dotted, plain_values, written
from pipeline.ingest.read_json import FROM_DOCUMENT, json_batches, records
from pipeline.problems import ColdMinutesError
from pipeline.source_config import ColumnMap, CsvFormat, Source, VehicleKey

DOCUMENTS_N = 200
RECORDS_N = 500
"""Records whose names are looked at; a name that comes later is not found."""
LISTED_SHARE = 3
"""Records in a list are records, and not a detail of their document, from so many a document."""


@dataclass(frozen=True)
class Shape:
    """How the records of a JSON file are to be read.

    Parameters
    ----------
    records
        Dotted name of the list that holds them; None where each document is one.
    columns
        Dotted names of plain values, in the order they were met.
    left_out
        Names that lead to lists, or that no mapping can write.
    evidence, doubts
        Why, and what else it could be.
    """

    records: str | None
    columns: tuple[str, ...]
    left_out: tuple[str, ...]
    evidence: tuple[str, ...]
    doubts: tuple[str, ...]


def shape_of(path: Path, name: str, layout: CsvFormat, temp: Path) -> Shape | None:
    """The shape of a file; None where there is no record in it.

    Raises
    ------
    ColdMinutesError
        INGEST-02 or INGEST-08, where it is no whole JSON.
    """
    documents = list(_documents(path, name, layout, temp))
    if not documents:
        return None
    found = _listed(documents)
    evidence: list[str] = []
    doubts: list[str] = []
    where: tuple[str, ...] | None = None
    if found and (best := found[0])[1] >= LISTED_SHARE * len(documents):
        where = best[0]
        seen = f"{len(documents)} documents" if len(documents) > 1 else "the one document"
        evidence.append(f"the list {dotted(where)!r} holds {best[1]} records in {seen}")
        for other, count in found[1:]:
            if 2 * count > best[1]:
                doubts.append(f"the list {dotted(other)!r} holds {count} records as well")
    elif not any(isinstance(document, dict) for document in documents):
        return None
    rows = [row for document in documents for row in _rows(document, where)][:RECORDS_N]
    values, left_out = plain_values(rows)
    names = list(values)
    if where is not None:
        around, _ = plain_values(_without(document, where) for document in documents)
        names += [FROM_DOCUMENT + column for column in around]
    return Shape(
        None if where is None else dotted(where),
        tuple(names), tuple(left_out), tuple(evidence), tuple(doubts),
    )  # fmt: skip


def cells_of(
    path: Path, name: str, layout: CsvFormat, shape: Shape, temp: Path, rows_n: int
) -> pl.DataFrame:
    """Cells of the first `rows_n` records, as text under their dotted names.

    Raises
    ------
    ColdMinutesError
        Where the file is no whole JSON.
    """
    source = _source(layout, shape.records)
    parts: list[pl.DataFrame] = []
    seen_n = 0
    for batch in json_batches(path, name, "draft", source, shape.columns, temp, rows_n):
        parts.append(batch.drop("file_row"))
        seen_n += batch.height
        if seen_n >= rows_n:
            break
    return pl.concat(parts).head(rows_n) if parts else pl.DataFrame()


def _documents(path: Path, name: str, layout: CsvFormat, temp: Path) -> Iterator[Any]:
    taken_n = 0
    source = _source(layout, None)
    for batch in records(path, name, source, temp, "draft/json_documents", {}, DOCUMENTS_N):
        for text in batch["document"].head(DOCUMENTS_N - taken_n):
            try:
                yield json.loads(text)
            except (ValueError, RecursionError):
                # The reader takes a little more than this one does; its shape stays unknown.
                continue
        taken_n += batch.height
        if taken_n >= DOCUMENTS_N:
            return


def _source(layout: CsvFormat, where: str | None) -> Source:
    """The least that the reader wants to be told; nothing is mapped by it."""
    return Source(
        kind="samples",
        files=("*",),
        records=where,
        csv=layout,
        vehicle=VehicleKey(value="draft"),
        columns={"sampled_at": ColumnMap(column="draft")},
    )


def _listed(documents: list[Any]) -> list[tuple[tuple[str, ...], int]]:
    """Lists of objects, by the keys that lead to them, and their objects in all; most first."""
    counts: Counter[tuple[str, ...]] = Counter()

    def walk(value: Any, way: tuple[str, ...]) -> None:
        for key, inner in value.items():
            here = (*way, key)
            if isinstance(inner, list):
                counts[here] += sum(isinstance(each, dict) for each in inner)
            elif isinstance(inner, dict) and len(here) < DEPTH:
                walk(inner, here)

    for document in documents:
        if isinstance(document, dict):
            walk(document, ())
    usable = [(way, n) for way, n in counts.items() if n and all(map(written, way))]
    return sorted(usable, key=lambda entry: (-entry[1], entry[0]))


def _rows(document: Any, where: tuple[str, ...] | None) -> list[Any]:
    for key in where or ():
        document = document.get(key) if isinstance(document, dict) else None
    if where is None:
        return [document]
    return document if isinstance(document, list) else []


def _without(document: Any, where: tuple[str, ...]) -> Any:
    """A document with the list of records taken out of it."""
    if not isinstance(document, dict):
        return {}
    first, *rest = where
    kept = {key: value for key, value in document.items() if key != first}
    return {**kept, first: _without(document.get(first), tuple(rest))} if rest else kept


def told(error: ColdMinutesError) -> str:
    """What ingest's reader found wrong, for a refusal of our own."""
    return error.problems[0].message

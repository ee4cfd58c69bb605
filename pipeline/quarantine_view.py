"""What `coldminutes quarantine` prints, and the files that bring its rows back."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl

from pipeline.ingest.returned import returned_text
from pipeline.problems import ColdMinutesError, Problem
from pipeline.warehouse import query

EXAMPLES_N = 3
NEVER_RETURNED = frozenset({"ocpi_cdrs"})
"""Kinds whose records are objects, not rows: they are mended where they come from."""


@dataclass(frozen=True)
class Export:
    """One file of rows to mend: where it goes, its text and how many rows it holds."""

    path: Path
    text: str
    rows_n: int


def quarantine_lines(
    con: duckdb.DuckDBPyConnection, file_path: str | None, rule: str | None
) -> Iterator[str]:
    """The rows set aside, by file and rule, with examples.

    Raises
    ------
    ColdMinutesError
        QUARANTINE-01, where a file or rule was asked for of which none was set aside.
    """
    groups = query(
        con,
        "ingest/quarantine_groups",
        {"file_path": file_path, "rule": rule, "examples_n": EXAMPLES_N},
    )
    if groups.is_empty():
        if file_path is not None or rule is not None:
            raise ColdMinutesError([_none_such(con, file_path, rule)])
        yield "No row is set aside."
        return
    total = int(groups["rows_n"].sum())
    files_n = groups["file_path"].n_unique()
    yield f"{_rows(total)} set aside in {files_n} {'file' if files_n == 1 else 'files'}."
    shown = None
    for group in groups.iter_rows(named=True):
        if group["file_path"] != shown:
            shown = group["file_path"]
            yield ""
            yield f"{shown}  (source {group['source_id']})"
        column = f", column {group['column_name']}" if group["column_name"] else ""
        yield f"  {_rows(group['rows_n'])}: {group['rule']}{column}; expected {group['expected']}"
        for example in group["examples"]:
            got = "" if example["value"] is None else f": got '{example['value']}'"
            yield f"      row {example['file_row']}{got}"
        left_n = group["rows_n"] - len(group["examples"])
        if left_n:
            yield f"      and {left_n} more"


def exports(
    con: duckdb.DuckDBPyConnection, file_path: str | None, rule: str | None, path: Path
) -> tuple[list[Export], int]:
    """Rows set aside as files to mend, one per source, and how many rows were not kept.

    With one source the file is `path`, with several its name gets theirs: ``out.logger.csv``.
    """
    rows = query(con, "ingest/quarantine_rows", {"file_path": file_path, "rule": rule})
    is_kept = pl.col("raw_row").is_not_null() & ~pl.col("kind").is_in(list(NEVER_RETURNED))
    kept = rows.filter(is_kept)
    found = []
    for source_id in kept["source_id"].unique(maintain_order=True):
        own = [_reasoned(row) for row in kept.filter(source_id=source_id).iter_rows(named=True)]
        is_only = kept["source_id"].n_unique() == 1
        name = path if is_only else path.with_stem(f"{path.stem}.{source_id}")
        found.append(Export(name, returned_text(source_id, own), len(own)))
    return found, rows.height - kept.height


def _reasoned(row: dict[str, Any]) -> dict[str, Any]:
    column = f" {row['column_name']}" if row["column_name"] else ""
    got = "" if row["value"] is None else f" got '{row['value']}',"
    reason = f"{row['rule']}:{column}{got} expected {row['expected']}; "
    return {"reason": reason + f"{row['file_path']} row {row['file_row']}", **row}


def _rows(rows_n: int) -> str:
    return f"{rows_n:,} {'row' if rows_n == 1 else 'rows'}"


def _none_such(con: duckdb.DuckDBPyConnection, file_path: str | None, rule: str | None) -> Problem:
    anything = {"file_path": None, "rule": None, "examples_n": 1}
    every = query(con, "ingest/quarantine_groups", anything)
    files = ", ".join(every["file_path"].unique(maintain_order=True).head(5).to_list())
    rules = ", ".join(sorted(every["rule"].unique().to_list()))
    asked = " and ".join(
        f"{name} '{value}'" for name, value in (("file", file_path), ("rule", rule)) if value
    )
    return Problem(
        "QUARANTINE-01",
        "stop",
        "quarantine",
        f"no row is set aside for {asked}",
        f"Rules with rows: {rules or '(none)'}. Files with rows: {files or '(none)'}.",
    )

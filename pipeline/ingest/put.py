"""Rows of a frame into the warehouse by a named statement, and the ledger's row of a file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import duckdb
import polars as pl

from pipeline import warehouse

INCOMING = "incoming"
"""Name under which the statements of ``sql/ingest`` read what is on its way in."""

Schema = dict[str, type[pl.DataType] | pl.DataType]
_INSTANT = pl.Datetime("us", "UTC")
FILE_SCHEMA: Schema = {
    "file_id": pl.Int32,
    "file_path": pl.String,
    "content_sha256": pl.String,
    "source_id": pl.String,
    "kind": pl.String,
    "size_bytes": pl.Int64,
    "rows_read_n": pl.Int64,
    "rows_used_n": pl.Int64,
    "rows_repeated_n": pl.Int64,
    "rows_set_aside_n": pl.Int64,
    "rows_superseded_n": pl.Int64,
    "first_at": _INSTANT,
    "last_at": _INSTANT,
    "median_interval_s": pl.Float64,
    "taken_in_at": _INSTANT,
}
"""Columns of the ledger, one row per file."""


def put(
    con: duckdb.DuckDBPyConnection,
    name: str,
    rows: pl.DataFrame,
    params: Mapping[str, Any] | None = None,
    prefix: str = "",
) -> None:
    """Run ``sql/ingest/<name>.sql`` with `rows` as its input."""
    con.register(INCOMING, rows.to_arrow())
    try:
        warehouse.run(con, f"ingest/{name}", params, prefix)
    finally:
        con.unregister(INCOMING)


def ask(
    con: duckdb.DuckDBPyConnection, name: str, rows: pl.DataFrame, params: Mapping[str, Any]
) -> pl.DataFrame:
    """The answer of ``sql/ingest/<name>.sql`` with `rows` as its input."""
    con.register(INCOMING, rows.to_arrow())
    try:
        return warehouse.query(con, f"ingest/{name}", params)
    finally:
        con.unregister(INCOMING)


def put_file(con: duckdb.DuckDBPyConnection, row: Mapping[str, Any]) -> None:
    """Write the ledger row of one file (``FILE_SCHEMA``)."""
    put(con, "insert_files", pl.DataFrame([row], schema=FILE_SCHEMA))


def next_file_ids(con: duckdb.DuckDBPyConnection, files_n: int) -> list[int]:
    """Ids for so many new files of the ledger, rising."""
    ids = warehouse.query(con, "ingest/next_file_ids", {"files_n": files_n})["file_id"]
    return sorted(int(file_id) for file_id in ids)

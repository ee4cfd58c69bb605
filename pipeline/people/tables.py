"""A person in the warehouse: found in every text column there is, so that no table is left out."""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.people.rewrite import Remover
from pipeline.people.traces import suspects, text_columns
from pipeline.people.words import FORGOTTEN

_DRIVER = "driver_id"
_KEPT_SPANS = "driver_spans"
"""The table in which a word stays where the driver stood."""
_CELLS = frozenset({"value", "used_instead"})
"""Columns that hold one cell of an export."""


def rows_without(con: duckdb.DuckDBPyConnection, fleet: Fleet, remover: Remover) -> int:
    """Take the person out of every stored table, in one transaction; rows changed or removed."""
    keys = {_DRIVER} | {
        mapped.column
        for source in fleet.sources.values()
        if (mapped := source.columns.get(_DRIVER)) is not None and mapped.column is not None
    }
    rows_n = 0
    with warehouse.transaction(con):
        for table, column in text_columns(con):
            found = suspects(con, table, column, remover)
            changed = {
                old: new for old in found if (new := _without(old, column, keys, remover)) != old
            }
            if changed:
                rows_n += _change(con, table, column, changed)
    return rows_n


def _without(value: str, column: str, keys: set[str], remover: Remover) -> str:
    if column == _DRIVER or column in _CELLS:
        return FORGOTTEN if remover.is_person(value) else remover.in_text(value)
    return remover.in_text(remover.in_json_keys(value, keys))


def _change(
    con: duckdb.DuckDBPyConnection, table: str, column: str, changed: dict[str, str]
) -> int:
    """New values for old ones; a row about nobody but the driver goes."""
    warehouse.register(
        con, "changed_words", pl.DataFrame({"old": list(changed), "new": list(changed.values())})
    )
    # Table and column are of our own catalogue.
    if column != _DRIVER or table == _KEPT_SPANS:
        sql = (
            f'update "{table}" as t set "{column}" = c.new from changed_words as c '  # noqa: S608
            f'where t."{column}" = c.old'
        )
    elif _may_be_null(con, table):
        sql = f'update "{table}" set {_DRIVER} = null where {_DRIVER} in (select old from changed_words)'  # noqa: S608, E501
    else:
        sql = f'delete from "{table}" where {_DRIVER} in (select old from changed_words)'  # noqa: S608
    return int(con.execute(sql).fetchall()[0][0])


def _may_be_null(con: duckdb.DuckDBPyConnection, table: str) -> bool:
    sql = (
        "select is_nullable from duckdb_columns() where database_name = current_database() "
        "and table_name = $table and column_name = $column"
    )
    return bool(con.execute(sql, {"table": table, "column": _DRIVER}).fetchall()[0][0])

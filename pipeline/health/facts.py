"""What a warehouse says of its own state: plain values, so that they can lie in a file too."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import duckdb

from pipeline.warehouse import query

Facts = dict[str, Any]
RECENT_DAYS = 28


def warehouse_facts(con: duckdb.DuckDBPyConnection, now: datetime) -> Facts:
    """Last intake, last edition, vehicles, rows set aside, deliveries.

    Works on a warehouse of an earlier schema: what its tables cannot tell is left out.

    Parameters
    ----------
    con
        With the warehouse as the current database; only read.
    now
        From which days are counted.
    """
    tables = {
        row[0]
        for row in con.execute(
            "select table_name from duckdb_tables() where database_name = current_database() "
            "and not temporary"
        ).fetchall()
    }
    facts: Facts = {"seen_at": _text(now)}
    if "schema_versions" in tables:
        facts["schema_no"] = con.execute("select max(version) from schema_versions").fetchall()[0][
            0
        ]
    if {"files", "file_spans", "quarantine"} <= tables:
        since = {"since_at": now - timedelta(days=RECENT_DAYS)}
        facts |= _plain(query(con, "health/health_intake", since).to_dicts()[0])
        newest = query(con, "health/health_vehicles").iter_rows()
        facts["last_data_at"] = {vehicle_id: _text(last_at) for vehicle_id, last_at in newest}
    if "made_editions" in tables:
        for row in query(con, "health/health_editions").to_dicts():
            facts |= _plain(row)
    if "edition_week_id" not in facts and "edition_lists" in tables:
        facts["edition_week_id"] = con.execute("select max(week_id) from edition_lists").fetchall()[
            0
        ][0]
    if "deliveries" in tables:
        facts["deliveries"] = dict(query(con, "health/health_deliveries").iter_rows())
    if "forgettings" in tables:
        facts["forgettings_unfinished_n"] = con.execute(
            "select count(*) from forgettings where finished_at is null"
        ).fetchall()[0][0]
    return facts


def _plain(row: dict[str, Any]) -> Facts:
    return {
        name: _text(value) if isinstance(value, datetime) else value for name, value in row.items()
    }


def _text(instant: datetime | None) -> str | None:
    return None if instant is None else instant.isoformat()

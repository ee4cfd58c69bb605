"""Stage: minutes against a warm pack at the same charger, in ``sql/minutes``."""

from __future__ import annotations

from typing import Any

import duckdb

from pipeline.warehouse import build, run

STEPS = ("interval_reference", "stop_minutes", "reported_minutes", "stop_rows")


def minutes(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> None:
    """Give each stop of the scope its reference time and lost minutes, and record it.

    Replaces the scope's rows of ``stops`` and ``charge_sessions`` in one transaction: the weeks
    are either all new or all as they were.
    """
    for step in STEPS:
        build(con, f"minutes/{step}", params)
    con.execute("begin")
    try:
        for table in ("stops", "charge_sessions"):
            run(con, f"minutes/clear_{table}")
        run(con, "minutes/record_stops")
        run(con, "minutes/record_charge_sessions")
        run(con, "minutes/clear_dirty_weeks")
        con.execute("commit")
    except duckdb.Error:
        con.execute("rollback")
        raise

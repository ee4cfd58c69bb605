"""Stage: from samples to charges, approaches and outcomes, all set-based in ``sql/stops``."""

from __future__ import annotations

from typing import Any

import duckdb

from pipeline.warehouse import build, run, transaction

STEPS = (
    "scope",
    "sensor_quarters",
    "still_spells",
    "soaks",
    "doubt_rows",
    "plugged_samples",
    "plug_breaks",
    "charge_spans",
    "stop_samples",
    "approach_starts",
    "unseen_starts",
    "stop_intervals",
    "warming_spells",
    "charge_totals",
    "charge_places",
    "strong_charges",
    "approach_totals",
    "destinations",
    "warming_chances",
    "approach_people",
    "vehicle_economy",
    "stop_facts",
    "stop_outcomes",
    "reported_stops",
    "charge_rows",
    "stop_rows",
    "charge_step_rows",
    "stretch_rows",
    "spell_facts",
    "idle_warming_rows",
)
"""In order; each reads only those before it. The contributors' guide walks one stop through."""


RECORDED = (
    "doubted_signals",
    "stops",
    "charge_sessions",
    "charge_steps",
    "thermal_stretches",
    "approach_spells",
    "idle_warming",
)


FOUND = (
    "scope",
    "doubt_rows",
    "stop_rows",
    "charge_rows",
    "charge_step_rows",
    "stretch_rows",
    "spell_facts",
    "idle_warming_rows",
)
"""The temporary tables of `find_stops` that `record_stops` reads."""


def stops(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> None:
    """Find and judge the charges of the vehicles and weeks in ``scope``, and record them.

    Reads ``samples``, ``nav_events``, ``reported_sessions``, ``driver_spans`` and the fleet
    tables. Replaces the scope's rows of the tables `RECORDED` in one transaction: a week is
    either all new or all as it was.
    """
    find_stops(con, params)
    record_stops(con)


def find_stops(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> None:
    """The first half of `stops`: temporary tables, nothing recorded."""
    for step in STEPS:
        build(con, f"stops/{step}", params)


def record_stops(con: duckdb.DuckDBPyConnection) -> None:
    """The second half: what `find_stops` left in the tables `FOUND`, in one transaction."""
    with transaction(con):
        for table in RECORDED:
            run(con, f"stops/clear_{table}")
            run(con, f"stops/record_{table}")
        run(con, "stops/clear_dirty_weeks")

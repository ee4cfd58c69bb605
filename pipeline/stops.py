"""Stage: from samples to charges, approaches and outcomes, all set-based in ``sql/stops``."""

from __future__ import annotations

from typing import Any

import duckdb

from pipeline.warehouse import build

STEPS = (
    "scope",
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
)
"""In order; each reads only those before it. The contributors' guide walks one stop through."""


def stops(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> None:
    """Build the tables of ``sql/stops`` for the vehicles and weeks in ``scope``.

    Reads ``samples``, ``nav_events``, ``reported_sessions``, ``driver_spans`` and the fleet
    tables; leaves temporary tables, of which `pipeline.minutes` reads ``stop_intervals``,
    ``stop_outcomes`` and ``reported_stops``.
    """
    for step in STEPS:
        build(con, f"stops/{step}", params)

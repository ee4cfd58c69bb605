"""The weekly tables of what bills and chargers' logs say of the week's charges.

Laying the sides next to each other is `pipeline.reconcile`; here its rows become what an edition
may claim of them.
"""

from __future__ import annotations

from typing import Any

import duckdb

from pipeline.config import Fleet
from pipeline.sides import COST_LEAST_COST, COST_TOLERANCE_RATE, EFFICIENCY_TOLERANCE
from pipeline.warehouse import build, query
from pipeline.weeks import span_of

SOURCE_SILENT_D = 62
"""A source of bills that told of nothing for so many days before the week's end is not waited for:
bills come once a month at the latest (common practice, no source)."""


def has_sides(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> bool:
    """Whether the week has bills or chargers' logs, or once had and was reconciled with them.

    A week that lost its last bill (a corrected export) is to be reconciled anew too, so that no
    row of before is kept.
    """
    span = span_of(week_id, fleet.zone)
    sides = query(con, "weekly/weekly_sides", {"from_at": span.from_at, "to_at": span.to_at})
    kept = con.execute(
        "select count(*) from reconciliation where week_id = $week_id", {"week_id": week_id}
    ).fetchall()[0][0]
    return bool(sum(sides.row(0)) or kept)


def build_bills(con: duckdb.DuckDBPyConnection, params: dict[str, Any]) -> None:
    """Build ``weekly_reconciliation`` and ``weekly_bills``; both empty without bills and logs.

    Reads ``reconciliation`` and ``charger_clocks``, and ``weekly_files``.
    """
    params = params | {
        "efficiency_tolerance": EFFICIENCY_TOLERANCE,
        "cost_tolerance_rate": COST_TOLERANCE_RATE,
        "cost_least_cost": COST_LEAST_COST,
        "source_silent_d": SOURCE_SILENT_D,
    }
    for table in ("sides", "unlinked_bills", "reconciliation", "bills"):
        build(con, f"weekly/weekly_{table}", params)

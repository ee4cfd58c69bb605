"""What vehicle sheets are made of, read once for all vehicles; the only module that runs SQL."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.method import parameters
from pipeline.rates import correlation_of, with_rates
from pipeline.report.weekdata import Row, WeekData
from pipeline.warehouse import query
from pipeline.weeks import weeks_before

WEEKS_SHOWN_N = 8
"""The edition's week and those before it, from the first with a stop of the fleet."""


@dataclass(frozen=True)
class Vehicles:
    """Rows of all vehicles by id, as the sheets take them.

    Attributes
    ----------
    week_ids
        The weeks shown, the edition's last.
    weeks
        By vehicle: one row per week of ``week_ids``, None where it had no stop.
    pooled
        By vehicle: all weeks shown together, with rates; None for the whole fleet.
    peers
        By vehicle: how often it was asked to warm and did; rows of ``vehicle_peers``.
    unanswered
        By vehicle: rows of ``vehicle_unanswered``, newest first.
    habits
        By model and quantity: rows of ``fitted_habits`` of the edition's week.
    """

    week: WeekData
    week_ids: list[str]
    weeks: dict[str, list[Row | None]]
    pooled: dict[str | None, Row]
    peers: dict[str, Row]
    unanswered: dict[str, list[Row]]
    habits: dict[tuple[str, str], Row]

    def by_id(self, rows: Sequence[Row], vehicle_id: str) -> Row | None:
        """The vehicle's row of a weekly table."""
        return next((row for row in rows if row["vehicle_id"] == vehicle_id), None)


def read_vehicles(con: duckdb.DuckDBPyConnection, fleet: Fleet, week: WeekData) -> Vehicles:
    """Needs the stops of the warehouse, and the fleet tables that the weekly stage needs too."""
    week_ids = [*weeks_before(week.week_id, WEEKS_SHOWN_N - 1), week.week_id]
    params = parameters(fleet) | {"week_ids": week_ids, "week_id": week.week_id}
    correlation = correlation_of(query(con, "weekly/weekly_clusters", params))
    # The statement of the weekly tables, so that a week's figures are the same here as there.
    sums = with_rates(query(con, "weekly/weekly_sums", params), correlation)
    has_stops = set(sums["week_id"])
    first = next((at for at, each in enumerate(week_ids) if each in has_stops), len(week_ids) - 1)
    week_ids = week_ids[first:]
    by_week = {
        (row["vehicle_id"], row["week_id"]): row
        for row in sums.filter(pl.col("grouped_by") == "vehicle").to_dicts()
    }
    pooled = with_rates(query(con, "sheets/vehicle_pooled", params), correlation).to_dicts()
    vehicle_ids = [row["vehicle_id"] for row in week.vehicles]
    unanswered: dict[str, list[Row]] = {}
    for row in query(con, "sheets/vehicle_unanswered", params).to_dicts():
        unanswered.setdefault(row["vehicle_id"], []).append(row)
    return Vehicles(
        week=week,
        week_ids=week_ids,
        weeks={
            vehicle_id: [by_week.get((vehicle_id, each)) for each in week_ids]
            for vehicle_id in vehicle_ids
        },
        pooled={row["vehicle_id"]: row for row in pooled},
        peers={
            row["vehicle_id"]: row for row in query(con, "sheets/vehicle_peers", params).to_dicts()
        },
        unanswered=unanswered,
        habits={(row["model_id"], row["quantity"]): row for row in week.habits},
    )


def earlier_range(weeks: Sequence[Row | None], key: str) -> tuple[float, float, int] | None:
    """Lowest and highest of the weeks before the edition's that have the figure, and how many.

    That is no statistical range: a vehicle has too few weeks for one.
    """
    known: list[Any] = [row[key] for row in weeks[:-1] if row is not None and row[key] is not None]
    return (float(min(known)), float(max(known)), len(known)) if known else None

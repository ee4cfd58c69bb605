"""Stage: what the fleet's charges teach, and the minutes each stop lost by cause."""

from __future__ import annotations

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.minutes.attribute import attribute
from pipeline.minutes.habits import habit_rows
from pipeline.minutes.intervals import interval_rows, week_draws
from pipeline.minutes.learn import learn
from pipeline.minutes.record import record
from pipeline.minutes.refine import refine
from pipeline.minutes.window import read_window
from pipeline.minutes.worth import add_worth
from pipeline.warehouse import register

__all__ = ["minutes"]

_INTERVALS = {
    "grouped_by": pl.String,
    "group_key": pl.String,
    "lost_cold_low_min": pl.Float64,
    "lost_cold_high_min": pl.Float64,
    "lost_site_low_min": pl.Float64,
    "lost_site_high_min": pl.Float64,
}


def minutes(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> None:
    """Learn from the year that ends with `week_id`, and give every stop in it its minutes.

    Reads what stage ``stops`` recorded; replaces the week's rows of the ``fitted_*`` tables and the
    window's rows of ``stop_minutes`` in one transaction, and leaves the temporary table
    ``loss_intervals`` for the week. The same data and settings give the same figures, whatever
    was fitted before, so that an old edition can be made again.
    """
    window = read_window(con, week_id)
    learned = learn(window, fleet)
    found = attribute(window, learned)
    refined = refine(window, learned)
    found = found.with_columns(
        pl.Series("refined_outcome", refined.outcome, dtype=pl.String),
        pl.Series("refined_why", refined.why, dtype=pl.String),
        pl.Series("model_unwarmed_degc", refined.unwarmed_degc).fill_nan(None),
    )
    draws = week_draws(window, fleet, learned, found)
    register(con, "loss_intervals", pl.DataFrame(interval_rows(window, draws), schema=_INTERVALS))
    found = add_worth(con, fleet, window, learned, found)
    record(con, window, fleet, learned, found, habit_rows(window, fleet), refined.trial)

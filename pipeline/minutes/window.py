"""The weeks that a fit learns from, as frames and arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.learning.steps import Array, ChargeSteps, charge_steps
from pipeline.warehouse import build, query
from pipeline.weeks import monday_of

WINDOW_WEEKS_N = 52
"""A year: both the mild and the cold end of every curve, and memory that stops growing."""


@dataclass(frozen=True)
class Window:
    """Stops of the window (row number = ``stop_no``), their steps, stretches and spells.

    ``vehicle`` and ``site`` number each stop's vehicle and site (-1 for none), names in
    ``vehicle_ids`` and ``site_ids``.
    """

    week_id: str
    params: dict[str, Any]
    stops: pl.DataFrame
    steps: ChargeSteps
    stretches: pl.DataFrame
    spells: pl.DataFrame
    vehicle: NDArray[np.intp]
    vehicle_ids: list[str]
    site: NDArray[np.intp]
    site_ids: list[str]

    def numbers(self, column: str) -> Array:
        """A column of the stops as floats, NaN for null."""
        return self.stops[column].cast(pl.Float64).fill_null(float("nan")).to_numpy().copy()


def window_params(week_id: str) -> dict[str, Any]:
    """First and last week of the window that ends with `week_id`."""
    year, week, _ = (monday_of(week_id) - timedelta(weeks=WINDOW_WEEKS_N - 1)).isocalendar()
    return {
        "window_first_week_id": f"{year}-W{week:02d}",
        "window_last_week_id": week_id,
        "fit_week_id": week_id,
    }


def read_window(con: duckdb.DuckDBPyConnection, week_id: str) -> Window:
    """Read what was recorded for the window's weeks."""
    params = window_params(week_id)
    build(con, "minutes/window_stops", params)
    stops = con.sql("select * from window_stops order by stop_no").pl()
    vehicle, vehicle_ids = _numbered(stops["vehicle_id"])
    site, site_ids = _numbered(stops["site_id"])
    return Window(
        week_id=week_id,
        params=params,
        stops=stops,
        steps=charge_steps(query(con, "minutes/window_steps", params)),
        stretches=query(con, "minutes/window_stretches", params),
        spells=query(con, "minutes/window_spells", params),
        vehicle=vehicle,
        vehicle_ids=vehicle_ids,
        site=site,
        site_ids=site_ids,
    )


def _numbered(names: pl.Series) -> tuple[NDArray[np.intp], list[str]]:
    known = sorted(names.drop_nulls().unique().to_list())
    places = {name: number for number, name in enumerate(known)}
    return np.array([places.get(name, -1) for name in names], dtype=np.intp), known

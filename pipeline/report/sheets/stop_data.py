"""What a stop sheet is made of, read from the warehouse; the only module of it that runs SQL."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.config import Fleet
from pipeline.fits import StoredFit, load_fits
from pipeline.fleet_tables import write_fleet_tables
from pipeline.report.weekdata import Row
from pipeline.warehouse import query

LEAST_DRAWN_MIN = 60.0
"""At least so much of a long approach is drawn; more where something happened earlier."""
MOST_DRAWN_MIN = 240.0
"""Of the stay; who leaves the cable in overnight must not squeeze the charge to a line."""
_SPANS_N = 600
_LEAST_SPAN_S = 15.0
_GAP_MIN_S = 120.0
_GAP_INTERVALS_N = 5
_NO_RESIDUAL = np.empty(0)


@dataclass(frozen=True)
class StopData:
    """One stop: its row of ``stop_sheet_facts`` and all that is drawn and cited.

    Attributes
    ----------
    course
        Columns of ``sql/sheets/stop_course.sql``; empty where only a summary is known.
    breaks_min
        Ends of the pauses in the samples, (from, to) in minutes from plug-in.
    events, files
        Rows of ``explained_events`` and ``explained_files``.
    fit
        What was learned for the stop's model; None where nothing was.
    residual_rate
        See `pipeline.report.sheets.stop_interval`.
    """

    stop: Row
    course: pl.DataFrame
    breaks_min: list[tuple[float, float]]
    events: list[Row]
    files: list[Row]
    fit: StoredFit | None
    residual_rate: NDArray[np.float64]

    @property
    def is_rental(self) -> bool:
        """Whether no exact time may stand in a document."""
        return bool(self.stop["vehicle_use"] == "rental")

    @property
    def drawn_before_min(self) -> float:
        """How much of the approach is drawn."""
        return drawn_before_min(self.stop)


def read_stops(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, stop_ids: Sequence[str]
) -> list[StopData]:
    """All that the sheets of these stops need, in the order of their ids; unknown ids are left out.

    Needs the stops and minutes of the warehouse, not the weekly tables.
    """
    write_fleet_tables(con, fleet)
    params = {"stop_ids": list(stop_ids), "zone": fleet.settings.time_zone}
    rows = query(con, "sheets/stop_sheet_facts", params).to_dicts()
    weeks = {row["fit_week_id"] for row in rows if row["fit_week_id"]}
    stored = _stored_weeks(con)
    fits = {week: load_fits(con, fleet, week) for week in sorted(weeks & stored)}
    residuals: dict[tuple[str, str], NDArray[np.float64]] = {}
    found = []
    for row in rows:
        key = (row["model_id"] or "", row["fit_week_id"] or "")
        if key not in residuals:
            residuals[key] = _residuals(con, *key)
        fit = fits.get(key[1], {}).get(key[0])
        found.append(_stop_data(con, row, fit, residuals[key]))
    return found


def drawn_before_min(stop: Row) -> float:
    """How much of the approach is drawn: the end of it, and whatever happened on it."""
    approach_min = stop["approach_min"] or 0.0
    happened = [
        stop[key] + 5.0
        for key in ("destination_set_before_min", "warming_began_before_min")
        if stop[key] is not None
    ]
    return float(min(approach_min, max([LEAST_DRAWN_MIN, *happened])))


def _stop_data(
    con: duckdb.DuckDBPyConnection,
    stop: Row,
    fit: StoredFit | None,
    residual_rate: NDArray[np.float64],
) -> StopData:
    params = _params(stop)
    is_seen = not stop["is_reported_only"]
    course = query(con, "sheets/stop_course", params)
    if not is_seen:
        course = course.clear()
    elif stop["is_cell_temp_doubted"]:
        # A signal that failed a test is not used (method, section 1), in drawings neither.
        doubted = ("cell_temp_min_degc", "cell_temp_max_degc")
        course = course.with_columns(pl.lit(None, pl.Float64).alias(name) for name in doubted)
    return StopData(
        stop=stop,
        course=course,
        breaks_min=_breaks(course),
        events=query(con, "explain/explained_events", params).to_dicts(),
        # Cited whole, however little of a long stay is drawn.
        files=query(
            con, "explain/explained_files", params | {"to_at": stop["plug_out_at"]}
        ).to_dicts(),
        fit=fit,
        residual_rate=residual_rate,
    )


def _params(stop: Row) -> dict[str, Any]:
    """Parameters of the statements about one stop."""
    plug_in_at, plug_out_at = stop["plug_in_at"], stop["plug_out_at"]
    before_min = drawn_before_min(stop)
    drawn_to_at = min(plug_out_at, plug_in_at + timedelta(minutes=MOST_DRAWN_MIN))
    span_s = (before_min * 60 + (drawn_to_at - plug_in_at).total_seconds()) / _SPANS_N
    return {
        "vehicle_id": stop["vehicle_id"],
        "is_seen": not stop["is_reported_only"],
        "plug_in_at": plug_in_at,
        # A millisecond more: minutes are no whole number of microseconds.
        "approach_from_at": plug_in_at
        - timedelta(minutes=stop["approach_min"] or 0.0, milliseconds=1),
        "from_at": plug_in_at - timedelta(minutes=before_min, milliseconds=1),
        "to_at": drawn_to_at,
        "span_s": max(_LEAST_SPAN_S, span_s),
    }


def _breaks(course: pl.DataFrame) -> list[tuple[float, float]]:
    """Pauses longer than five times the usual distance of the samples, and than two minutes."""
    at = course["from_plug_in_min"].to_numpy()
    if len(at) < 3:
        return []
    steps = np.diff(at)
    most_min = max(_GAP_MIN_S / 60, _GAP_INTERVALS_N * float(np.median(steps)))
    long = np.flatnonzero(steps > most_min)
    return [(float(at[i]), float(at[i + 1])) for i in long]


def _residuals(
    con: duckdb.DuckDBPyConnection, model_id: str, fit_week_id: str
) -> NDArray[np.float64]:
    if not model_id or not fit_week_id:
        return _NO_RESIDUAL
    params = {"model_id": model_id, "fit_week_id": fit_week_id}
    found: NDArray[np.float64] = query(con, "sheets/stop_residuals", params)[
        "residual_rate"
    ].to_numpy()
    return found


def _stored_weeks(con: duckdb.DuckDBPyConnection) -> set[str]:
    return set(query(con, "advice/fitted_weeks")["fit_week_id"].to_list())

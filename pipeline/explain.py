"""One stop, back to its samples: the figures, the rule that decided, the rows behind them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.edition import warehouse_of
from pipeline.fleet_tables import write_fleet_tables
from pipeline.problems import ColdMinutesError, Problem
from pipeline.warehouse import query

_RULES = {
    "already_warm": "no warming on the approach, and the coldest cell was warm at plug-in",
    "warmed": "warming on the approach, warm at plug-in, and cold when warming began",
    "warmed_unneeded": "warming on the approach, but the coldest cell was warm when it began",
    "part_warmed": "warming on the approach, and the coldest cell was still cold at plug-in",
    "not_warmed": "no warming on the approach, and the coldest cell was cold at plug-in",
    "low_charge_hold": (
        "no warming, cold at plug-in, a charging place was set, and the charge was at or below "
        "the vehicle's cut-off from then until plug-in"
    ),
    "unknown": "the evidence does not carry an outcome",
}

_FIGURES = (
    ("evidence grade", "evidence_grade", "{}"),
    ("charge", "soc_start_pct", "{:.1f} %"),
    ("charge at the end", "soc_end_pct", "{:.1f} %"),
    ("energy into the pack", "energy_kwh", "{:.2f} kWh"),
    ("active at the plug", "active_min", "{:.2f} min"),
    ("of it held for warming", "held_min", "{:.2f} min"),
    ("idle at the plug", "idle_min", "{:.2f} min"),
    ("without samples at the plug", "missing_min", "{:.2f} min"),
    ("coldest cell at plug-in", "arrival_cell_temp_min_degc", "{:.1f} °C"),
    ("coldest cell before warming", "unwarmed_cell_temp_min_degc", "{:.1f} °C"),
    ("outside", "ambient_degc", "{:.1f} °C"),
    ("approach", "approach_min", "{:.1f} min"),
    ("warming", "warming_min", "{:.1f} min"),
    ("warming energy", "warming_kwh", "{:.3f} kWh"),
    ("warming cost", "warming_cost", "{:.2f}"),
    ("range given up", "range_given_up_km", "{:.1f} km"),
    ("site rating", "site_power_kw", "{:.0f} kW"),
    ("a warm pack would have taken", "reference_min", "{:.2f} min"),
    ("lost", "lost_min", "{:.2f} min"),
    ("lost at most", "lost_at_most_min", "{:.2f} min"),
    ("added by the site's rating", "site_limit_min", "{:.2f} min"),
    ("beyond a warm pack, no site limit", "excess_min", "{:.2f} min"),
    ("  of it by the cold pack", "lost_cold_min", "{:.2f} min"),
    ("  of it by the site's limit", "lost_site_min", "{:.2f} min"),
    ("  of it unexplained", "lost_unexplained_min", "{:.2f} min"),
    ("    of that held back by the site", "held_back_min", "{:.2f} min"),
    ("causes not split because", "split_why_null", "{}"),
    ("avoidable", "avoidable_min", "{:.2f} min"),
    ("warming not expected because", "expected_why_not", "{}"),
    ("warming would have needed", "needed_min", "{:.1f} min"),
    ("it could have led to", "reachable_degc", "{:.1f} °C"),
    ("saved by the warming, net", "net_saved_min", "{:.2f} min"),
    ("missed by not warming, net", "net_missed_min", "{:.2f} min"),
    ("price of the energy in the pack", "warming_price_per_kwh", "{:.3f} per kWh"),
    ("learned up to week", "fit_week_id", "{}"),
    ("minutes lost not computed because", "lost_why_null", "{}"),
)


def explanation(fleet: Fleet, stop_id: str) -> list[str]:
    """Lines that lead from one stop back to its samples.

    Raises
    ------
    ColdMinutesError
        When no such stop is recorded.
    """
    with warehouse_of(fleet) as con:
        write_fleet_tables(con, fleet)
        found = query(con, "explain/explained_stop", {"stop_id": stop_id})
        if found.is_empty():
            raise ColdMinutesError([_unknown(con, stop_id)])
        return list(_lines(con, fleet, found.row(0, named=True)))


def _lines(con: duckdb.DuckDBPyConnection, fleet: Fleet, stop: dict[str, Any]) -> Iterator[str]:
    is_rental = stop["vehicle_use"] == "rental"
    local = stop["plug_in_at"].astimezone(fleet.zone)
    # A rental's exact times are nobody's business, here as in the report.
    when = f"{local:%Y-%m-%d}" if is_rental else f"{local:%Y-%m-%d %H:%M} {fleet.zone.key}"
    yield f"Stop {stop['stop_id']}"
    yield f"  plugged in {when}, site {stop['site_id'] or 'unknown'}"
    yield ""
    yield f"Outcome: {stop['outcome']}" + (f", because {stop['why']}" if stop["why"] else "")
    yield f"  Rule: {_RULES[stop['outcome']]}."
    warm_from = stop["warm_threshold_degc"] - stop["warm_tolerance_kelvin"]
    yield (
        f"  Warm means a coldest cell of {warm_from:g} °C or more ({stop['warm_threshold_degc']:g} "
        f"less a tolerance of {stop['warm_tolerance_kelvin']:g}); warming means at least 0.1 kWh; "
        f"cut-off at {stop['warming_cutoff_soc_pct']:g} %."
    )
    if stop["lost_min"] is not None:
        yield (
            f"  Lost = active {stop['active_min']:.2f} - reference {stop['reference_min']:.2f} "
            f"= {stop['lost_min']:.2f} min; ramping up in the first minute is nobody's loss."
        )
    yield ""
    yield "Figures"
    for label, column, form in _FIGURES:
        if stop[column] is not None:
            yield f"  {label:<36}{form.format(stop[column])}"
    yield ""
    yield from _files(con, stop)
    yield from _replaced(con, stop)
    yield from _events(con, stop)
    yield from _samples(con, stop)


def _files(con: duckdb.DuckDBPyConnection, stop: dict[str, Any]) -> Iterator[str]:
    """Every file that a figure of the stop comes from, as whole as `sha256sum` prints it."""
    yield "Files behind it, from the start of the approach"
    for row in query(con, "explain/explained_files", stop_params(stop)).iter_rows(named=True):
        yield (
            f"  {row['kind']}: {row['rows_n']} rows between {row['first_file_row']} and "
            f"{row['last_file_row']} of {row['file_path']!r} (source {row['source_id']})"
        )
        yield f"    sha256 {row['content_sha256']}"


def _replaced(con: duckdb.DuckDBPyConnection, stop: dict[str, Any]) -> Iterator[str]:
    """What a corrected export has replaced at this stop; it is kept for audit."""
    for row in query(con, "explain/explained_replaced", stop_params(stop)).iter_rows(named=True):
        yield (
            f"  Replaced: {row['rows_n']} rows of {row['file_path']!r} (rows "
            f"{row['first_file_row']} to {row['last_file_row']}) by {row['superseded_by_path']!r}, "
            f"taken in on {row['superseded_at']:%Y-%m-%d}"
        )


def _events(con: duckdb.DuckDBPyConnection, stop: dict[str, Any]) -> Iterator[str]:
    events = query(con, "explain/explained_events", stop_params(stop))
    if events.is_empty():
        yield "  No navigation event in the 12 h before."
        return
    yield ""
    yield "Navigation, minutes from plug-in"
    for row in events.iter_rows(named=True):
        what = "a charging place" if row["is_charging_place"] else "another place"
        text = "cleared" if row["action"] == "cleared" else f"set to {what}"
        yield (
            f"  {row['from_plug_in_min']:8.1f}  {text}  "
            f"(row {row['file_row']} of {row['file_path']!r})"
        )


def _samples(con: duckdb.DuckDBPyConnection, stop: dict[str, Any]) -> Iterator[str]:
    samples = query(con, "explain/explained_samples", stop_params(stop))
    if samples.is_empty():
        yield "  No time series: this stop is known from a summary only."
        return
    yield ""
    yield "Samples, minutes from plug-in (thinned)"
    yield "       min   km/h    SOC %       kW  cell °C  heater kW  outside °C   row"
    of_file = None
    for row in samples.iter_rows(named=True):
        if row["file_path"] != of_file:
            of_file = row["file_path"]
            yield f"  rows of {of_file!r}:"
        yield (
            f"  {row['from_plug_in_min']:8.1f}{_cell(row['speed_kmh'], 7, 0)}"
            f"{_cell(row['soc_pct'], 9, 1)}{_cell(row['pack_power_kw'], 9, 1)}"
            f"{_cell(row['cell_temp_min_degc'], 9, 1)}{_cell(row['heater_power_kw'], 11, 1)}"
            f"{_cell(row['ambient_degc'], 12, 1)}{row['file_row']:6d}"
        )


def _cell(value: float | None, width: int, digits: int) -> str:
    return f"{'-':>{width}}" if value is None else f"{value:{width}.{digits}f}"


def stop_params(stop: dict[str, Any]) -> dict[str, Any]:
    """Parameters of the statements that fetch what lies behind a stop.

    Samples are shown from 40 min before plug-in; files are told from the start of the approach,
    a millisecond more, since its minutes are no whole number of microseconds.
    """
    approach = timedelta(minutes=stop["approach_min"] or 0, milliseconds=1)
    return {
        "is_seen": not stop["is_reported_only"],
        "approach_from_at": stop["plug_in_at"] - approach,
        "vehicle_id": stop["vehicle_id"],
        "plug_in_at": stop["plug_in_at"],
        "from_at": stop["plug_in_at"] - timedelta(minutes=min(stop["approach_min"] or 0, 40)),
        "to_at": stop["plug_out_at"],
    }


def _unknown(con: duckdb.DuckDBPyConnection, stop_id: str) -> Problem:
    near: pl.DataFrame = con.sql(
        "select stop_id from stops order by jaro_winkler_similarity(stop_id, $asked) desc limit 3",
        params={"asked": stop_id},
    ).pl()
    known = ", ".join(near["stop_id"].to_list())
    return Problem(
        "EXPLAIN-01",
        "stop",
        stop_id,
        "no such stop is recorded",
        f"Copy one from the stop list or tables/stops.csv. Near to it: {known}."
        if known
        else "No stop is recorded yet: run `coldminutes run` first.",
    )

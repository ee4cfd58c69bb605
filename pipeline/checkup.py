"""What `coldminutes check` says: machine, configuration, coverage, and what would help most.

Everything is read into a warehouse in memory, so nothing is changed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.edition import Progress, compute, newest_week, take_in, warehouse_of
from pipeline.method import METHOD_VERSION, parameters
from pipeline.minutes import minutes
from pipeline.problems import ColdMinutesError
from pipeline.report import check_pdf_support
from pipeline.weekly import weekly

_WANTED = (
    ("warm_curve", "minutes lost at its stops cannot be computed"),
    ("usable_kwh", "the charge given up for warming cannot be computed"),
    ("warm_threshold_degc", "outcomes rest on an assumed threshold"),
    ("warming_cutoff_soc_pct", "low-charge holds rest on an assumed cut-off"),
    (
        "heater_power_kw",
        "warming energy is estimated with an assumed heater where it is not logged",
    ),
    ("ac_max_kw", "DC is told from AC by an assumed 22 kW"),
)


@dataclass(frozen=True)
class Checkup:
    """Lines for people, and whether anything would be left out."""

    lines: list[str]
    left_out: bool


def checkup(fleet: Fleet, progress: Progress | None = None, now: datetime | None = None) -> Checkup:
    """Look at a whole fleet folder without changing anything."""
    now = now or datetime.now(UTC)
    lines = [f"Fleet {fleet.settings.operator!r} in {fleet.folder}, method {METHOD_VERSION}"]
    lines += [
        f"Configuration: {len(fleet.vehicles)} vehicles, {len(fleet.models)} models, "
        f"{len(fleet.sites)} sites, {len(fleet.drivers)} drivers, {len(fleet.sources)} sources; "
        "all files are well-formed."
    ]
    problem = check_pdf_support()
    lines.append(f"PDF: {problem}" if problem else "PDF: Pango is here.")
    with warehouse_of(fleet, in_memory=True) as con:
        intake = take_in(con, fleet, now, progress)
        lines += [
            f"Inbox: {intake.files_new_n} files readable, {intake.files_failed_n} left out; "
            f"{intake.rows_read_n:,} rows, {intake.rows_used_n:,} usable, "
            f"{intake.rows_repeated_n:,} repeated, {intake.rows_set_aside_n:,} set aside."
        ]
        lines += [f"  {found}" for found in intake.problems]
        lines += _rules(con)
        compute(con, fleet, progress)
        try:
            week_id = newest_week(con, fleet, now)
        except ColdMinutesError as error:
            lines += [str(found) for found in error.problems]
        else:
            minutes(con, fleet, week_id)
            weekly(con, fleet, week_id, parameters(fleet))
            lines += _coverage(con, week_id)
            lines += ["What would improve the figures most:"]
            lines += list(_wishes(con, fleet)) or ["  nothing that is known here"]
    left_out = bool(intake.files_failed_n or intake.rows_set_aside_n)
    return Checkup(lines, left_out)


def _rules(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Why rows would be set aside."""
    found = con.sql(
        "select rule, column_name, count(*) as rows_n, min(file_path) as file_path, "
        "min(file_row) as file_row from quarantine group by all order by rows_n desc, rule"
    ).pl()
    return [
        f"  {row['rows_n']} rows: {row['rule']}"
        + (f" in {row['column_name']}" if row["column_name"] else "")
        + f", for example {row['file_path']} row {row['file_row']}"
        for row in found.iter_rows(named=True)
    ]


def _coverage(con: duckdb.DuckDBPyConnection, week_id: str) -> list[str]:
    cover = con.sql("select * from weekly_coverage order by vehicle_id").pl()
    lines = [f"Coverage in {week_id}:"]
    for row in cover.iter_rows(named=True):
        text = (
            f"  {row['vehicle_name']}: {row['samples_n']:,} samples on {row['days_with_data_n']} "
            f"days; {row['dc_stops_n']} DC, {row['ac_charges_n']} AC, "
            f"{row['dc_unknown_n']} of unknown kind"
        )
        if row["missing_signals"]:
            text += f"; without {', '.join(row['missing_signals'])}"
        lines.append(text)
    silent = con.sql("select vehicle_name from weekly_vehicles where is_silent order by 1").pl()
    lines += [f"  {name}: no data in this week" for name in silent["vehicle_name"]]
    return lines


def _wishes(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> Iterator[str]:
    """Missing knowledge, by how many stops of the whole history it touches."""
    wishes: list[tuple[int, str]] = []
    by_model = dict(
        con.execute("select coalesce(model_id, ''), count(*) from stops group by 1").fetchall()
    )
    for model_id, model in fleet.models.items():
        for key, harm in _WANTED:
            if key not in model.model_fields_set:
                where = f"models.toml, models.{model_id}.{key}"
                wishes.append((by_model.get(model_id, 0), f"{where}: {harm}"))
    if by_model.get(""):
        wishes.append(
            (by_model[""], "vehicles.toml: give these vehicles a model; minutes need its curve")
        )
    wishes += _place_wishes(con)
    if "energy_price_per_kwh" not in fleet.settings.model_fields_set:
        stops_n = sum(by_model.values())
        wishes.append((stops_n, "fleet.toml, energy_price_per_kwh: costs rest on an assumed price"))
    wishes += _signal_wishes(con)
    for stops_n, text in sorted(wishes, key=lambda wish: (-wish[0], wish[1])):
        if stops_n:
            yield f"  {stops_n} stops: {text}"


def _place_wishes(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str]]:
    found: pl.DataFrame = con.sql(
        "select site_id, count(*) as stops_n from stops where site_power_kw is null group by 1"
    ).pl()
    return [
        (
            row["stops_n"],
            f"sites.toml: the rating of {row['site_id']!r}; its limit is taken for the battery's"
            if row["site_id"]
            else "sites.toml: places that no site covers; their limit is taken for the battery's",
        )
        for row in found.iter_rows(named=True)
    ]


def _signal_wishes(con: duckdb.DuckDBPyConnection) -> list[tuple[int, str]]:
    rows: list[dict[str, Any]] = (
        con.sql(
            "select vehicle_name, missing_signals, unlocks, dc_stops_n from weekly_coverage "
            "where unlocks is not null"
        )
        .pl()
        .to_dicts()
    )
    return [
        (
            row["dc_stops_n"],
            f"{row['vehicle_name']}: export {row['missing_signals'][0]}; it would show "
            f"{row['unlocks']}",
        )
        for row in rows
    ]

"""The weekly tables as plain rows, read once; the only place of this stage that runs SQL."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

import duckdb

from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.judged_data import TABLES as JUDGED
from pipeline.report.judged_data import Judged, judged_of, table_of
from pipeline.report.language import spoken

Row = dict[str, Any]

_STATEMENTS = {
    "fleet": "select * from weekly_fleet order by week_id",
    "vehicles": (
        "select * from weekly_vehicles"
        " order by coalesce(avoidable_min, 0) desc, coalesce(lost_cold_min, lost_min, 0) desc,"
        " stops_n desc, vehicle_name, vehicle_id"
    ),
    "sites": (
        "select * from weekly_sites"
        " order by coalesce(avoidable_min, 0) desc, coalesce(lost_cold_min, lost_min, 0) desc,"
        " stops_n desc, site_name, site_id"
    ),
    # Alphabetical: an order by figures would be a league table.
    "drivers": "select * from weekly_drivers order by driver_label",
    # Rental rows come after the timed ones of their day, so that their order tells no time.
    "stops": (
        "select * from weekly_stops order by plug_in_date, plug_in_local nulls last,"
        " vehicle_name, stop_id"
    ),
    "attention": "select * from weekly_attention",
    "coverage": "select * from weekly_coverage order by vehicle_name, vehicle_id",
    "files": "select * from weekly_files order by file_path, content_sha256",
    "rules": "select * from weekly_rules order by rows_n desc, rule, column_name",
    "change": "select * from weekly_change",
}

# Tables that a fleet may not have: nothing was learned, no model carries a forecast, no bills.
_OPTIONAL = {
    "fitted_models": "where fit_week_id = $week_id order by model_id",
    "fitted_habits": "where fit_week_id = $week_id order by model_id, quantity",
    "fitted_curves": "where fit_week_id = $week_id order by model_id, soc_bin",
    "fitted_cold_limits": "where fit_week_id = $week_id order by model_id, cell_temp_degc",
    "fitted_vehicles": "where fit_week_id = $week_id order by vehicle_id",
    "fitted_sites": "where fit_week_id = $week_id order by site_id",
    "weekly_leadtime": "order by model_id, site_power_kw, pack_degc, outside_degc",
    "weekly_site_advice": "order by site_name, site_id, model_name, model_id",
    # In the order they were made: it is the order of trying.
    "weekly_other_ways": "",
    "weekly_no_advice": "order by model_id",
    "weekly_mild_power": "order by vehicle_name, vehicle_id",
    "weekly_doubts": "order by vehicle_name, vehicle_id, signal",
    "weekly_bills": "",
    # Rentals come after the timed charges of their day, so that their order tells no time.
    "weekly_reconciliation": (
        "order by charge_date, charge_local nulls last, vehicle_name, vehicle_id, bill_file_path,"
        " bill_file_row, stop_id"
    ),
    "weekly_followups": "order by action_no",
    "weekly_stop_files": "order by stop_id, kind, file_path, file_id",
    "weekly_edition": "",
    "weekly_moved": "",
    **{table_of(key): order for key, order in JUDGED.items()},
}


@dataclass(frozen=True)
class WeekData:
    """Rows of all weekly tables of one edition."""

    week_id: str
    edition: Row
    earlier: list[Row]
    vehicles: list[Row]
    sites: list[Row]
    drivers: list[Row]
    stops: list[Row]
    attention: list[Row]
    coverage: list[Row]
    files: list[Row]
    rules: list[Row]
    change: Row | None
    models: list[Row]
    habits: list[Row]
    curves: list[Row]
    cold_limits: list[Row]
    fitted_vehicles: list[Row]
    fitted_sites: list[Row]
    leadtime: list[Row]
    site_advice: list[Row]
    other_ways: list[Row]
    no_advice: list[Row]
    mild_power: list[Row]
    doubts: list[Row]
    bills: Row | None
    """Sums over the week's bills; None in a week without bills and chargers' logs."""
    reconciliation: list[Row]
    stop_files: list[Row]
    followups: list[Row]
    """The last edition's actions, judged; none where no edition was made before."""
    issue: Row | None
    """Which edition of its week this is, and what it says otherwise than the one before."""
    moved: Row | None
    """What an upgrade or other settings moved in the last edition's week, where to be told here."""
    judged: Judged = field(default_factory=Judged)
    """Who or what, over 13 weeks."""


def read_week(con: duckdb.DuckDBPyConnection, week_id: str, fleet: Fleet) -> WeekData:
    """Read the weekly tables.

    Raises
    ------
    ColdMinutesError
        When the tables hold no edition for this week.
    """
    rows = {key: con.sql(sql).pl().to_dicts() for key, sql in _STATEMENTS.items()}
    some = {name: _optional(con, name, week_id) for name in _OPTIONAL}
    editions = [row for row in rows["fleet"] if row["is_edition"] and row["week_id"] == week_id]
    if len(editions) != 1:
        raise ColdMinutesError(
            [
                Problem(
                    "REPORT-02",
                    "stop",
                    f"week {week_id}",
                    f"the weekly tables hold {len(editions)} editions of this week, expected 1",
                    "Run the whole job for this week again. Nothing was written.",
                )
            ],
            exit_code=5,
        )
    shows_drivers = fleet.settings.privacy.driver_analysis != "off"
    shows_each = fleet.settings.privacy.shown_level in ("pseudonyms", "names")
    return WeekData(
        week_id=week_id,
        edition=editions[0],
        earlier=[row for row in rows["fleet"] if not row["is_edition"]],
        vehicles=rows["vehicles"],
        sites=rows["sites"],
        # The weekly stage already holds to the level; a second lock costs nothing.
        drivers=rows["drivers"] if shows_drivers else [],
        stops=[_private(row, keep_driver=shows_each) for row in rows["stops"]],
        attention=rows["attention"],
        coverage=rows["coverage"],
        files=rows["files"],
        rules=rows["rules"],
        change=_known_change(rows["change"]),
        models=some["fitted_models"],
        habits=some["fitted_habits"],
        curves=some["fitted_curves"],
        cold_limits=some["fitted_cold_limits"],
        fitted_vehicles=some["fitted_vehicles"],
        fitted_sites=some["fitted_sites"],
        leadtime=some["weekly_leadtime"],
        site_advice=some["weekly_site_advice"],
        other_ways=some["weekly_other_ways"],
        no_advice=some["weekly_no_advice"],
        mild_power=some["weekly_mild_power"],
        doubts=some["weekly_doubts"],
        bills=next(iter(some["weekly_bills"]), None),
        reconciliation=[_private_charge(row) for row in some["weekly_reconciliation"]],
        stop_files=some["weekly_stop_files"],
        followups=some["weekly_followups"],
        issue=next(iter(some["weekly_edition"]), None),
        moved=next(iter(some["weekly_moved"]), None),
        judged=judged_of({key: some[table_of(key)] for key in JUDGED}, fleet),
    )


def _optional(con: duckdb.DuckDBPyConnection, table: str, week_id: str) -> list[Row]:
    """Rows of a table that may be absent; then none."""
    is_there = con.execute(
        "select count(*) from duckdb_tables() where table_name = $table", {"table": table}
    ).fetchall()[0][0]
    if not is_there:
        return []
    rest = _OPTIONAL[table]
    bound = {"week_id": week_id} if "$week_id" in rest else {}
    # The name and the rest of the statement are constants of this module.
    found = con.sql(f"select * from {table} {rest}", params=bound)  # noqa: S608
    rows: list[Row] = found.pl().to_dicts()
    return rows


def _known_change(rows: list[Row]) -> Row | None:
    """The split of the change; None where there is nothing to compare with."""
    return rows[0] if rows and rows[0]["cold_now_min"] is not None else None


def _private(stop: Row, *, keep_driver: bool) -> Row:
    """The stop without what no document may say about it."""
    is_rental = stop["vehicle_use"] == "rental"
    kept = {key: value for key, value in stop.items() if key != "driver_id"}
    label = kept["driver_label"]
    kept["is_rental"] = is_rental
    kept["driver_label"] = (
        label if keep_driver and not is_rental and label != "unassigned" else None
    )
    if is_rental:
        instants = (
            "plug_in_at",
            "plug_out_at",
            "plug_in_local",
            "warming_began_at",
            "warming_ended_at",
            "destination_set_at",
        )
        kept.update(dict.fromkeys(instants))
    return kept


def _private_charge(charge: Row) -> Row:
    """The charge without what no document may say of a rental; the table holds none already."""
    if charge["vehicle_use"] != "rental":
        return charge
    hidden = ("seen_at", "billed_at", "charge_local", "transaction_id", "record_id")
    return charge | dict.fromkeys(hidden)


def monday_of(week_id: str) -> date:
    """First day of an ISO 8601 week such as ``2026-W03``."""
    year, week = week_id.split("-W")
    return date.fromisocalendar(int(year), int(week), 1)


def week_words(week_id: str) -> str:
    """The week's first and last day in words.

    Examples
    --------
    >>> week_words("2026-W03")
    'Mon 12 to Sun 18 January 2026'
    >>> week_words("2026-W01")
    'Mon 29 December 2025 to Sun 4 January 2026'
    """
    first = monday_of(week_id)
    return spoken().days(first, first + timedelta(days=6))


def document_instant(week_id: str, fleet: Fleet, source_date_epoch: str | None) -> datetime:
    """Date of the documents: ``SOURCE_DATE_EPOCH`` if set, else the end of the week."""
    if source_date_epoch and source_date_epoch.isdigit():
        return datetime.fromtimestamp(int(source_date_epoch), UTC)
    end = monday_of(week_id) + timedelta(days=7)
    midnight = datetime(end.year, end.month, end.day, tzinfo=fleet.zone)
    return midnight.astimezone(UTC)


def mean_of(rows: Sequence[Row], key: str) -> float | None:
    """Mean over the weeks that have a value."""
    values = [float(row[key]) for row in rows if row[key] is not None]
    return sum(values) / len(values) if values else None


def pooled_rate(rows: Sequence[Row], parts: Sequence[str], whole: str) -> float | None:
    """Rate over all weeks together, so that a week with two stops weighs as two stops."""
    total = sum(int(row[whole] or 0) for row in rows)
    hits = sum(int(row[part] or 0) for row in rows for part in parts)
    return hits / total if total else None

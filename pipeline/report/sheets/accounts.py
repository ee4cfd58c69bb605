"""The month for accounts: one page on what charging and warming cost in a calendar month.

Every total is the sum of the rows printed above it, to the last digit (`apportioned`).
What a bill says and what is estimated stay apart; time is valued beside the money, never in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import duckdb
import polars as pl
from babel.numbers import get_currency_precision

from pipeline.config import Fleet
from pipeline.cost import session_costs
from pipeline.method import CONSTANTS
from pipeline.prices import fleet_price, tariffs_of
from pipeline.report.filters import name, quantity_filters
from pipeline.report.language import _, spoken
from pipeline.report.sheets.accounts_month import Month, Period, month_of
from pipeline.report.sheets.accounts_rows import (
    Amounts,
    bill_rows,
    cost_table,
    shares_bar,
)
from pipeline.report.sheets.accounts_words import (
    comparison_rows,
    notes,
    opening_words,
    warming_rows,
)
from pipeline.report.sheets.paper import Sheet, sheet_html
from pipeline.warehouse import query, register

Row = Mapping[str, Any]

_MOST_ROWS_IN_ENGLISH = {"sites": 9, "vehicles": 12}
_MOST_ROWS = {"sites": 8, "vehicles": 8}
"""Other languages take more letters, so that cells and sentences take more lines."""
_MOST_ROWS_BESIDE_BILLS = {"sites": 5, "vehicles": 5}


def accounts_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    *,
    instant: datetime,
    version: str,
    method_version: str,
) -> list[Sheet]:
    """The month that ends in the week, or else the running month so far; one sheet.

    Needs the tables of `pipeline.fleet_tables`; reads ``charge_sessions``, ``reported_sessions``,
    ``judged_stops`` and ``reconciliation``. A week of the month that was never reconciled is
    counted as such, not as one without differences.
    """
    month = month_of(week_id, fleet.zone)
    register(con, "accounts_periods", _periods_table(month))
    register(con, "accounts_charges", _charges(con, fleet, month))
    context = _context(con, fleet, month)
    html = sheet_html(
        "accounts.html.j2",
        fleet,
        context,
        title=_("Month for accounts: {month}", month=context["month"]),
        running=_(
            "{operator}: {month}, method {method}",
            operator=name(fleet.settings.operator, 60),
            month=context["month"],
            method=method_version,
        ),
        instant=instant,
        version=version,
        method_version=method_version,
    )
    return [Sheet(f"accounts/{month.this.first_day:%Y-%m}", html)]


def _periods_table(month: Month) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "period": [each.code for each in month.periods],
            "from_at": [each.from_at for each in month.periods],
            "to_at": [each.to_at for each in month.periods],
        }
    )


def _charges(con: duckdb.DuckDBPyConnection, fleet: Fleet, month: Month) -> pl.DataFrame:
    """Every charge of the month and of those it is compared with, priced."""
    return pl.concat(
        [_priced(con, fleet, each).with_columns(period=pl.lit(each.code)) for each in month.periods]
    )


def _priced(con: duckdb.DuckDBPyConnection, fleet: Fleet, period: Period) -> pl.DataFrame:
    """The charges plugged in within a period, with cost and where it comes from."""
    params = {"window_from_at": period.from_at, "window_to_at": period.to_at}
    costs = session_costs(
        query(con, "minutes/charges_to_price", params),
        tariffs_of(fleet),
        fleet.settings.time_zone,
        fleet_price(fleet),
        float(CONSTANTS["charging_efficiency"]),
    )
    return costs.select(
        "vehicle_id", "plug_in_at", "site_id", "priced_kwh", "total_cost", "cost_source"
    )


def _by_period(rows: pl.DataFrame) -> dict[str, Row]:
    return {row["period"]: row for row in rows.iter_rows(named=True)}


def _context(con: duckdb.DuckDBPyConnection, fleet: Fleet, month: Month) -> dict[str, Any]:
    filters = quantity_filters(fleet.settings)
    amounts = Amounts(fleet.settings.currency, get_currency_precision(fleet.settings.currency))
    params = {"period": "this", "zone": fleet.settings.time_zone}
    totals = _by_period(query(con, "sheets/accounts_totals", params))
    warming = _by_period(query(con, "sheets/accounts_warming"))
    now = totals.get("this")
    sites = query(con, "sheets/accounts_by_site", params).to_dicts()
    vehicles = query(con, "sheets/accounts_by_vehicle", params).to_dicts()
    span = {"from_at": month.this.from_at, "to_at": month.this.to_at}
    bills = query(con, "sheets/accounts_bills", span).to_dicts()
    weeks = {"week_ids": list(month.week_ids)}
    told_bills = bill_rows(bills, filters, amounts)
    most = _MOST_ROWS_IN_ENGLISH if spoken().code == "en" else _MOST_ROWS
    most = most if told_bills is None else _MOST_ROWS_BESIDE_BILLS
    first_at = query(con, "sheets/accounts_first_data")["first_at"].item()
    reconciled_n = query(con, "sheets/accounts_bill_weeks", weeks)["weeks_n"].item()
    return {
        "month": spoken().month(month.this.first_day),
        "operator_name": name(fleet.settings.operator, 80),
        "so_far": _("so far, to {day}", day=spoken().long_day(month.this.last_day))
        if month.is_running
        else "",
        "opening": opening_words(now, warming.get("this"), month, filters, amounts),
        "bar": shares_bar(now, filters, amounts),
        "comparison": comparison_rows(month, totals, warming, first_at, amounts),
        "by_site": cost_table(sites, most["sites"], _unknown_place, amounts),
        "by_vehicle": cost_table(vehicles, most["vehicles"], None, amounts),
        "warming": warming_rows(warming.get("this"), fleet, filters, amounts),
        "bills": told_bills,
        "weeks_reconciled_n": reconciled_n,
        "weeks_n": len(month.week_ids),
        "notes": notes(month, now, fleet),
        "has_charges": now is not None,
    }


def _unknown_place() -> str:
    return _("places not known")

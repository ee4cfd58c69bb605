"""The month for accounts: totals that add up, billed and estimated apart, months by the calendar.

Sources outside the project: a calendar month by the Gregorian calendar and the zone database of
the Python standard library; the minor units of currencies by ISO 4217 as Babel carries them;
largest remainders as Hamilton's method of apportionment (from memory).
"""

from __future__ import annotations

import html as html_lib
import math
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest
from billed_fleet import WEEK as BILLED_WEEK
from billed_fleet import billed_week
from fitted import put
from fleets import NOW
from hypothesis import given
from hypothesis import strategies as st
from sheet_people import (
    HOSTILE,
    MADE,
    WEEK,
    add_charge,
    add_stop,
    fleet_in,
    fleet_zone,
    padded,
    pages_of,
    text_of,
    unmarked,
    warehouse,
)

from pipeline.config import Fleet
from pipeline.report import check_pdf_support
from pipeline.report.language import speaking
from pipeline.report.sheets.accounts import accounts_sheets
from pipeline.report.sheets.accounts_month import month_of
from pipeline.report.sheets.accounts_rows import apportioned
from pipeline.report.sheets.paper import Sheet

needs_pango = pytest.mark.skipif(check_pdf_support() is not None, reason="Pango is not here")
JANUARY = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)


def made(con: duckdb.DuckDBPyConnection, fleet: Fleet, week: str = WEEK) -> Sheet:
    (sheet,) = accounts_sheets(con, fleet, week, **MADE)
    return sheet


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return fleet_in(tmp_path / "fleet")


@pytest.fixture
def con(fleet: Fleet) -> Iterator[duckdb.DuckDBPyConnection]:
    with warehouse(fleet) as opened:
        yield opened


def covered(con: duckdb.DuckDBPyConnection, from_at: datetime) -> None:
    """The fleet's data begin then."""
    put(
        con,
        "file_spans",
        {
            "file_id": 1,
            "vehicle_id": "v1",
            "first_at": from_at,
            "last_at": JANUARY + timedelta(days=60),
            "rows_n": 1,
        },
    )


def tables_of(html: str, kind: str) -> list[tuple[list[list[str]], list[str]]]:
    """Cells of the body and of the foot, of each table of a kind."""

    def cells(part: str) -> list[list[str]]:
        part = re.sub(r"<svg.*?</svg>", "", part, flags=re.DOTALL)
        return [
            [
                html_lib.unescape(re.sub(r"<[^>]+>", "", cell)).replace("\u00a0", "")
                for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.DOTALL)
            ]
            for row in re.findall(r"<tr>(.*?)</tr>", part, re.DOTALL)
        ]

    found = []
    for table in re.findall(rf'<table class="{kind}">(.*?)</table>', html, re.DOTALL):
        body = re.search(r"<tbody>(.*?)</tbody>", table, re.DOTALL)
        foot = re.search(r"<tfoot>(.*?)</tfoot>", table, re.DOTALL)
        assert body is not None
        found.append((cells(body[1]), cells(foot[1])[0] if foot else []))
    return found


def figure(cell: str) -> float:
    """What a cell shows; a dash adds nothing."""
    return 0.0 if cell == "–" else float(cell.replace("−", "-"))


@pytest.mark.parametrize(
    ("week", "first", "last", "is_running"),
    [
        ("2026-W05", date(2026, 1, 1), date(2026, 1, 31), False),
        ("2026-W06", date(2026, 2, 1), date(2026, 2, 8), True),
        ("2026-W09", date(2026, 2, 1), date(2026, 2, 28), False),
        ("2024-W09", date(2024, 2, 1), date(2024, 2, 29), False),
        ("2025-W01", date(2024, 12, 1), date(2024, 12, 31), False),
        ("2026-W22", date(2026, 5, 1), date(2026, 5, 31), False),
    ],
)
def test_the_month_of_a_week(week: str, first: date, last: date, is_running: bool) -> None:
    month = month_of(week, fleet_zone())
    assert (month.this.first_day, month.this.last_day) == (first, last)
    assert month.is_running is is_running


def test_a_running_month_is_compared_to_the_same_day() -> None:
    month = month_of("2026-W13", fleet_zone())  # to 29 March
    assert month.before.last_day == date(2026, 2, 28)
    assert month.year_ago.last_day == date(2025, 3, 29)
    leap = month_of("2024-W09", fleet_zone())
    assert leap.year_ago.last_day == date(2023, 2, 28)
    # The clock goes forward on 29 March 2026: the month so far ends at midnight of summer time.
    assert month.this.to_at == datetime(2026, 3, 29, 22, tzinfo=UTC)
    assert month.this.from_at == datetime(2026, 2, 28, 23, tzinfo=UTC)
    assert month.week_ids == ("2026-W09", "2026-W10", "2026-W11", "2026-W12", "2026-W13")


@given(
    st.lists(st.one_of(st.none(), st.floats(-1e6, 1e6, allow_nan=False)), max_size=30),
    st.integers(0, 3),
)
def test_apportioned_figures_add_up(values: list[float | None], digits: int) -> None:
    found = apportioned(values, digits)
    known = [value for value in values if value is not None]
    exact = math.fsum(value * 10**digits for value in known)
    assert sum(each for each in found if each is not None) == round(exact)
    for value, each in zip(values, found, strict=True):
        assert (value is None) == (each is None)
        if value is not None and each is not None:
            assert abs(each - value * 10**digits) < 1


def test_billed_and_estimated_stay_apart(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    add_charge(con, JANUARY, 30.0, site="slow", invoice=12.34)
    add_charge(con, JANUARY + timedelta(days=1), 30.0, site="slow")
    add_charge(con, JANUARY + timedelta(days=2), 10.0)
    add_charge(con, JANUARY + timedelta(days=3), 5.0, site=None)
    sites, vehicles = tables_of(made(con, fleet).html, "money")
    # By the site's tariff 0.30 at the meter, of which 93 % reach the pack; else 0.40 in the pack.
    by_tariff = f"{30 / 0.93 * 0.30:.2f}"
    by_name = {row[0]: row[1:] for row in sites[0]}
    assert by_name["Slow Lane"][:5] == ["2", "60.0", "12.34", by_tariff, "22.02"]
    assert by_name["Slow Lane"][-1] == "billed in part, 1 of 2"
    assert by_name["Fast Harbour"][:5] == ["1", "10.0", "–", "4.00", "4.00"]
    assert by_name["Fast Harbour"][-1] == "estimate: fleet’s price"
    assert by_name["places not known"][:5] == ["1", "5.0", "–", "2.00", "2.00"]
    assert sites[1][:6] == vehicles[1][:6] == ["Total", "4", "75.0", "12.34", "15.68", "28.02"]
    text = text_of(made(con, fleet).html)
    assert "4 charges put 75 kWh into the batteries and cost 28.02 EUR." in text
    assert "12.34 EUR of it is billed, the rest an estimate." in text


def test_totals_are_the_sums_of_what_is_printed(tmp_path: Path) -> None:
    """Forty vehicles at thirty sites with thirds of cents: cut, and still exact."""
    vehicles = "".join(f'[vehicles.v{n}]\nmodel = "flat-60"\n' for n in range(40))
    fleet = fleet_in(tmp_path / "fleet", vehicles=vehicles)
    exact_kwh = 0.0
    with warehouse(fleet) as con:
        for n in range(120):
            energy = 10 + n / 7
            exact_kwh += energy
            add_charge(con, JANUARY + timedelta(hours=4 * n), energy, vehicle=f"v{n % 40}",
                       site=f"place {n % 30}", invoice=energy / 3 if n % 3 else None)  # fmt: skip
        html = made(con, fleet).html
    tables = tables_of(html, "money")
    for rows, total in tables:
        for column in range(1, 6):
            printed = sum(figure(row[column]) for row in rows)
            assert f"{printed:.2f}" == f"{figure(total[column]):.2f}"
        for row in [*rows, total]:
            assert f"{figure(row[3]) + figure(row[4]):.2f}" == f"{figure(row[5]):.2f}"
    assert tables[0][1] == tables[1][1]
    assert figure(tables[0][1][2]) == round(exact_kwh, 1)
    assert "28 more together" in html and "21 more together" in html


def test_a_month_ends_at_local_midnight(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    midnight = datetime(2026, 1, 31, 23, 0, tzinfo=UTC)
    add_charge(con, midnight - timedelta(minutes=1), 7.0)
    add_charge(con, midnight, 90.0)
    add_charge(con, datetime(2025, 12, 31, 23, 0, tzinfo=UTC), 3.0)
    add_charge(con, datetime(2025, 12, 31, 22, 59, tzinfo=UTC), 80.0)
    sites, _ = tables_of(made(con, fleet).html, "money")
    assert sites[1][1:3] == ["2", "10.0"]


def test_months_beside_it(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    covered(con, datetime(2024, 12, 1, tzinfo=UTC))
    add_charge(con, JANUARY, 30.0)
    add_charge(con, datetime(2025, 12, 5, tzinfo=UTC), 20.0)
    add_charge(con, datetime(2025, 1, 5, tzinfo=UTC), 40.0)
    html = made(con, fleet).html
    (rows, _), *_ = tables_of(html, "compared")
    by_name = {row[0]: row[1:] for row in rows}
    assert by_name["Energy [kWh]"] == ["30.0", "20.0", "+50%", "40.0", "−25%"]
    assert by_name["Cost [EUR]"] == ["12.00", "8.00", "+50%", "16.00", "−25%"]
    assert by_name["Cold minutes"] == ["–", "–", "–", "–", "–"]
    assert "December 2025" in html and "January 2025" in html


def test_no_change_against_a_month_of_which_little_is_known(
    con: duckdb.DuckDBPyConnection, fleet: Fleet
) -> None:
    covered(con, datetime(2025, 12, 20, tzinfo=UTC))
    add_charge(con, JANUARY, 30.0)
    add_charge(con, datetime(2025, 12, 25, tzinfo=UTC), 20.0)
    html = made(con, fleet).html
    (rows, _), *_ = tables_of(html, "compared")
    assert {row[0]: row[1:] for row in rows}["Energy [kWh]"] == ["30.0", "20.0", "–"]
    text = text_of(html)
    assert "The data begin in December 2025: no change is told." in text
    assert "No data to compare with: January 2025." in text


def test_time_is_valued_beside_the_money(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    add_charge(con, JANUARY, 30.0)
    add_stop(
        con, JANUARY, "part_warmed", "began_late", stop={"warming_kwh": 2.5}, lost_cold_min=12.0,
        avoidable_min=5.0, net_saved_min=6.0, warming_cost=1.0, worth_time=3.0,
        missed_worth_time=2.5, is_price_assumed=True,
    )  # fmt: skip
    html = made(con, fleet).html
    (rows, _), *_ = tables_of(html, "warmth")
    by_name = {row[0]: row[1:] for row in rows}
    assert by_name["Value of time saved"] == ["3.00EUR", "valued at 30.00EUR an hour"]
    assert by_name["Value of time missed"][0] == "2.50EUR"
    assert by_name["its cost"] == ["1.00EUR", "estimate; price assumed at 1 of 1 stops"]
    # 30 kWh at 0.40; neither the warming, which is part of it, nor time is on top.
    sites, vehicles = tables_of(html, "money")
    assert sites[1][5] == vehicles[1][5] == "12.00"


def test_no_charge_is_said(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    text = text_of(made(con, fleet).html)
    assert "No charge is known of this month." in text and "Total" not in text
    assert "0.00" not in text


def test_a_currency_without_minor_units(tmp_path: Path) -> None:
    settings = 'operator = "T"\ntime_zone = "UTC"\ncurrency = "JPY"\nenergy_price_per_kwh = 33\n'
    fleet = fleet_in(tmp_path / "fleet", settings=settings)
    with warehouse(fleet) as con:
        add_charge(con, JANUARY, 10.1)
        sites, _ = tables_of(made(con, fleet).html, "money")
    assert sites[1][5] == "333"


def test_a_hostile_name_is_only_text(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path / "fleet")
    with warehouse(fleet) as con:
        add_charge(con, JANUARY, 10.0, site=HOSTILE)
        html = made(con, fleet).html
    assert "<script>" not in html and "&lt;script&gt;" in html


def test_an_unreconciled_month_shows_no_bills(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    add_charge(con, JANUARY, 30.0, invoice=10.0)
    assert "Bills against what" not in made(con, fleet).html


@needs_pango
def test_bills_on_one_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A real week of charge detail records: states, energy and money add up, on one page."""
    from pipeline.edition import compute, take_in, warehouse_of
    from pipeline.reconcile import reconcile

    billed = billed_week(tmp_path / "billed").write()
    with warehouse_of(billed, in_memory=True) as con:
        take_in(con, billed, NOW)
        compute(con, billed)
        reconcile(con, billed, BILLED_WEEK)
        for week in ("2026-W05", "2026-W03"):
            html = made(con, billed, week).html
            assert "1 of 5 weeks" in html if week == "2026-W05" else "1 of 3 weeks" in html
        (rows, total), *_ = tables_of(html, "states")
        stored = con.execute(
            "select count(*), sum(billed_kwh), sum(billed_cost) from reconciliation"
        ).fetchall()[0]
        with padded(monkeypatch), speaking("de"):
            sheet = made(con, billed)
    assert len(rows) >= 5
    for column, whole, digits in ((1, stored[0], 0), (2, stored[1], 1), (3, stored[2], 2)):
        assert figure(total[column]) == round(whole, digits)
        printed = sum(figure(row[column]) for row in rows)
        assert f"{printed:.2f}" == f"{figure(total[column]):.2f}"
    assert pages_of(sheet, tmp_path) == 1


@needs_pango
@pytest.mark.parametrize("code", ["de", pytest.param("en", marks=pytest.mark.long)])
def test_one_page_and_every_word_translated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    vehicles = "".join(
        f'[vehicles.v{n}]\nname = "טנדר צפוני עם שם ארוך מאוד {n}"\nmodel = "flat-60"\n'
        for n in range(30)
    )
    settings = (
        'operator = "' + "1" * 120 + '"\ntime_zone = "America/Argentina/ComodRivadavia"\n'
        "driver_value_per_hour = 30\n"
    )  # fmt: skip
    fleet = fleet_in(tmp_path / "fleet", vehicles=vehicles, settings=settings)
    with warehouse(fleet) as con, padded(monkeypatch, only="de"), speaking(code):
        covered(con, datetime(2024, 12, 1, tzinfo=UTC))
        for n in range(24):
            for start in (JANUARY, JANUARY - timedelta(days=30), JANUARY - timedelta(days=365)):
                add_charge(
                    con,
                    start + timedelta(hours=5 * n),
                    2469.0,
                    vehicle=f"v{n % 24}",
                    site="9" * (20 + n % 12),
                    invoice=9999.99 if n % 2 else None,
                )
        add_stop(con, JANUARY, stop={"warming_kwh": 2.5}, net_saved_min=6.0, warming_cost=1.0,
                 is_price_assumed=True, worth_time=3.0, lost_cold_min=1.0)  # fmt: skip
        sheet = made(con, fleet)
    assert pages_of(sheet, tmp_path) == 1
    months = re.compile(r"(Januar|Dezember) \d{4}$")
    left = [each for each in unmarked(sheet.html) if not months.match(each)]
    assert code == "en" or left == []


def test_the_same_month_is_the_same_page(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    for n in range(9):
        add_charge(con, JANUARY + timedelta(hours=n), 10.0, site="fast" if n % 2 else "slow")
    first: Any = made(con, fleet)
    assert first == made(con, fleet) and first.path == "accounts/2026-01"

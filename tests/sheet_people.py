"""Invented stops and charges, put straight into a warehouse in memory, for tests of sheets.

Everything here is made up. Rows have only the figures that a test speaks of; the rest is null, as
it is for a stop of which little is known.
"""

from __future__ import annotations

import gettext
import html as html_lib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.advice import advice
from pipeline.config import Fleet, Limits, load_fleet
from pipeline.fleet_tables import write_fleet_tables
from pipeline.report import language
from pipeline.report.pdf import write_pdf
from pipeline.report.sheets.paper import Sheet
from pipeline.warehouse import open_warehouse
from pipeline.weeks import week_of

WEEK = "2026-W05"
MADE = {"instant": datetime(2026, 2, 2, 6, tzinfo=UTC), "version": "0", "method_version": "1.1"}
LONG_NAME = "שם ארוך מאוד של נהגת צפונית עם הרבה מאוד מילים " * 3
HOSTILE = "<script>alert('x')</script> {{ 7 * 7 }} {name}"

_FLEET = """
operator = "Test Vans"
time_zone = "Europe/Stockholm"
currency = "EUR"
energy_price_per_kwh = 0.40
driver_value_per_hour = 30
"""
_MODELS = """
[models.flat-60]
name = "Flat 60"
usable_kwh = 60
warm_curve = [[0, 100], [100, 100]]
warming_cutoff_soc_pct = 20
"""
_SITES = """
[sites.fast]
name = "Fast Harbour"
power_kw = 150
mode = "dc"
[sites.slow]
name = "Slow Lane"
power_kw = 50
mode = "dc"
[[sites.slow.tariff]]
energy_per_kwh = 0.30
"""


def fleet_in(
    folder: Path,
    level: str = "names",
    drivers: str = "",
    vehicles: str = "",
    models: str = _MODELS,
    sites: str = _SITES,
    settings: str = _FLEET,
) -> Fleet:
    """A fleet folder without exports, loaded."""
    (folder / "inbox").mkdir(parents=True, exist_ok=True)
    privacy = f'[privacy]\ndriver_analysis = "{level}"\npurpose = "coaching, as agreed"\n'
    privacy += 'agreed_on = 2026-01-05\nagreement = "with the staff, invented"\n'
    files = {
        "fleet": settings + privacy,
        "models": models,
        "vehicles": vehicles or '[vehicles.v1]\nmodel = "flat-60"\n',
        "sites": sites,
        "drivers": drivers,
    }
    for stem, text in files.items():
        (folder / f"{stem}.toml").write_text(text, encoding="utf-8")
    return load_fleet(folder)


@contextmanager
def warehouse(fleet: Fleet) -> Iterator[duckdb.DuckDBPyConnection]:
    """In memory, with the fleet's tables."""
    con = open_warehouse(None, Limits())
    try:
        write_fleet_tables(con, fleet)
        yield con
    finally:
        con.close()


def _insert(con: duckdb.DuckDBPyConnection, table: str, row: dict[str, Any]) -> None:
    names = ", ".join(row)
    bound = ", ".join(f"${key}" for key in row)
    con.execute(f"insert into {table} ({names}) values ({bound})", row)


def add_stop(
    con: duckdb.DuckDBPyConnection,
    plug_in_at: datetime,
    outcome: str = "warmed",
    why: str | None = None,
    *,
    vehicle: str = "v1",
    driver: str | None = "d1",
    site: str | None = "fast",
    use: str = "delivery",
    stop: dict[str, Any] | None = None,
    **minutes: Any,
) -> None:
    """One stop and its minutes; ``minutes`` are columns of ``stop_minutes``."""
    week_id = week_of(plug_in_at, fleet_zone())
    stop_id = f"{vehicle}.{plug_in_at:%Y%m%d%H%M}"
    shared = {
        "stop_id": stop_id,
        "vehicle_id": vehicle,
        "plug_in_at": plug_in_at,
        "week_id": week_id,
    }
    facts = {
        "driver_id": driver,
        "site_id": site,
        "vehicle_use": use,
        "plug_out_at": plug_in_at + timedelta(minutes=30),
        "evidence_grade": "A",
        "outcome": outcome,
        "why": why,
        "first_file_id": 1,
        "first_file_row": 1,
        "last_file_row": 1,
    }
    _insert(con, "stops", shared | facts | (stop or {}))
    judged = {"fit_week_id": WEEK, "is_site_learned": False, "is_expected": True}
    _insert(con, "stop_minutes", shared | judged | minutes)


def add_charge(
    con: duckdb.DuckDBPyConnection,
    plug_in_at: datetime,
    energy_kwh: float | None,
    *,
    vehicle: str = "v1",
    site: str | None = "fast",
    invoice: float | None = None,
) -> None:
    """One charge of half an hour; with an invoice where a sum is given."""
    shared = {
        "vehicle_id": vehicle,
        "plug_in_at": plug_in_at,
        "plug_out_at": plug_in_at + timedelta(minutes=30),
        "site_id": site,
    }
    charge = {
        "week_id": week_of(plug_in_at, fleet_zone()),
        "mode": "dc",
        "energy_kwh": energy_kwh,
        "is_reported_only": False,
        "first_file_id": 1,
        "first_file_row": 1,
        "last_file_row": 1,
    }
    _insert(con, "charge_sessions", shared | charge)
    if invoice is not None:
        billed = {"total_cost": invoice, "file_id": 2, "file_row": 1}
        _insert(con, "reported_sessions", shared | billed)


def fleet_zone() -> Any:
    """The zone of the fleets made here."""
    from zoneinfo import ZoneInfo

    return ZoneInfo("Europe/Stockholm")


def advised(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    """The tables of advice, as the weekly stage makes them."""
    advice(con, fleet, WEEK)


def text_of(html: str) -> str:
    """The page's text, one blank between words."""
    bare = re.sub(r"<[^>]+>", " ", re.sub(r"<style.*?</style>", "", html, flags=re.DOTALL))
    return re.sub(r"\s+", " ", html_lib.unescape(bare).replace("\u00a0", " "))


def pages_of(sheet: Sheet, folder: Path) -> int:
    """How many pages the sheet takes in print."""
    from pypdf import PdfReader

    path = folder / "sheet.pdf"
    write_pdf(sheet.html, path)
    return len(PdfReader(path).pages)


class Padded(gettext.NullTranslations):
    """A language that says everything in a third more letters, and begins each with a mark."""

    def gettext(self, message: str) -> str:
        return "¤" + message + (" mmmm mmm" * 30)[: round(len(message) * 0.3)]

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        return self.gettext(msgid1 if n == 1 else msgid2)

    def pgettext(self, context: str, message: str) -> str:
        return self.gettext(message)


@contextmanager
def padded(monkeypatch: pytest.MonkeyPatch, only: str | None = None) -> Iterator[None]:
    """Inside, one language (or all) speaks `Padded`: a stand-in for the longest catalogue."""

    def catalogue(code: str) -> gettext.NullTranslations:
        return Padded() if only in (None, code) else gettext.NullTranslations()

    language.language.cache_clear()
    monkeypatch.setattr(language, "_catalogue", catalogue)
    try:
        yield
    finally:
        language.language.cache_clear()


def unmarked(html: str) -> list[str]:
    """Texts of a page made in `padded` in which no translated word stands; figures aside."""
    body = re.sub(r"<style.*?</style>", "", html.split("<main>")[1], flags=re.DOTALL)
    texts = (html_lib.unescape(each).strip() for each in re.split(r"<[^>]+>", body))
    texts = (re.sub(r"\d\u00a0(min|kWh|kW|EUR)\b", "", each) for each in texts)
    return [each for each in texts if re.search(r"[A-Za-z]{3}", each) and "¤" not in each]

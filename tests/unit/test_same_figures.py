"""One figure, one value: read back out of PDF, HTML, workbook, Parquet, CSV and JSON, compared.

The expected words are formed here, from the CSV, by Python's own formatting.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from collections.abc import Callable
from datetime import date, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import openpyxl
import polars as pl
import pytest
from conftest import ROOT
from fleets import NOW
from small_edition import small_edition

from pipeline.config import load_fleet
from pipeline.edition import make_edition
from pipeline.report import check_pdf_support

if check_pdf_support() is not None:
    pytest.skip("Pango is not here", allow_module_level=True)
pypdf = pytest.importorskip("pypdf")


def _invented(_: Path) -> Path:
    return small_edition()


def _sample(out: Path) -> Path:
    ignored = shutil.ignore_patterns("truth", "*.py")
    shutil.copytree(ROOT / "sample_fleet", out / "fleet", ignore=ignored)
    made = make_edition(load_fleet(out / "fleet"), now=NOW)
    return out / "fleet" / "reports" / made.week_id


@pytest.fixture(
    scope="module",
    params=[
        pytest.param(_invented, id="invented"),
        pytest.param(_sample, id="sample_fleet", marks=pytest.mark.long),
    ],
)
def edition(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    make: Callable[[Path], Path] = request.param
    return make(tmp_path_factory.mktemp("edition"))


@pytest.fixture(scope="module")
def pages(edition: Path) -> list[str]:
    """Text of the PDF, page by page."""
    reader = pypdf.PdfReader(edition / "fleet.pdf")
    return [plain(page.extract_text()) for page in reader.pages]


def names(edition: Path) -> list[str]:
    return sorted(path.stem for path in (edition / "tables").glob("*.csv"))


def rows_of(edition: Path, name: str) -> list[dict[str, str]]:
    text = (edition / "tables" / f"{name}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def same(text: str, value: Any) -> bool:
    """Whether a cell of the CSV says what a typed cell holds."""
    if value is None:
        return text == ""
    if isinstance(value, bool):
        return text == str(value).lower()
    if isinstance(value, int | float):
        return text != "" and float(text) == value
    if isinstance(value, datetime):
        if text.endswith("Z"):
            return text == f"{value:%Y-%m-%dT%H:%M:%SZ}"
        return text == f"{value:%Y-%m-%d}"
    if isinstance(value, date):
        return text == value.isoformat()
    return text.removeprefix("'") == str(value) or text == str(value)


def test_every_table_is_there_three_times(edition: Path) -> None:
    book = openpyxl.load_workbook(edition / "tables.xlsx", read_only=True)
    assert sorted(book.sheetnames) == sorted(["notes", *names(edition)])
    parquets = sorted(path.stem for path in (edition / "tables").glob("*.parquet"))
    assert parquets == names(edition)
    summary = json.loads((edition / "summary.json").read_text(encoding="utf-8"))
    here = [p.relative_to(edition).as_posix() for p in edition.rglob("*") if p.is_file()]
    assert summary["outputs"] == sorted(here)


def test_workbook_and_parquet_hold_the_csv_cell_by_cell(edition: Path) -> None:
    book = openpyxl.load_workbook(edition / "tables.xlsx", read_only=True, data_only=False)
    compared = 0
    for name in names(edition):
        rows = rows_of(edition, name)
        frame = pl.read_parquet(edition / "tables" / f"{name}.parquet")
        sheet = list(book[name].iter_rows(values_only=True))
        assert frame.height == len(rows) == len(sheet) - 1, name
        assert list(sheet[0]) == frame.columns
        for row, typed, cells in zip(rows, frame.iter_rows(named=True), sheet[1:], strict=True):
            assert list(row) == frame.columns
            for (column, text), cell in zip(row.items(), cells, strict=True):
                assert same(text, typed[column]), (name, column, text, typed[column])
                assert same(text, cell), (name, column, text, cell)
                compared += text != ""
    assert compared > 1500


class Page(HTMLParser):
    """Headline figures by label, and rows of the table under a heading."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.figures: dict[str, str] = {}
        self.tables: dict[str, list[list[str]]] = {}
        self._heading = self._label = ""
        self._kind: list[str] = []
        self._text: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.tables.setdefault(self._heading, []).append([])
        if tag in ("h2", "td", "th") or (tag == "p" and ("class", "value") in attrs):
            self._kind.append(tag)
            self._text = []
        elif tag == "br":
            self._text.append(" ")

    def handle_data(self, data: str) -> None:
        self._text.append(data)

    def handle_endtag(self, tag: str) -> None:
        if not self._kind or tag != self._kind[-1]:
            return
        self._kind.pop()
        text = plain("".join(self._text))
        if tag == "h2":
            self._heading = text
        elif tag == "p":
            self.figures[self._heading] = text
        else:
            self.tables[self._heading][-1].append(text)


def plain(text: str) -> str:
    clean = text.replace("\u00a0", " ").replace("\u2212", "-").replace("\u00ad", "")
    return " ".join(clean.split())


def decimal(value: Any, digits: int = 0) -> str:
    """As printed: groups set apart by a space, an en dash for what is not known."""
    if value in (None, ""):
        return "–"
    rounded = round(float(value), digits)
    return f"{rounded + 0.0:,.{digits}f}".replace(",", " ")


def percent(value: Any) -> str:
    return "–" if value in (None, "") else f"{decimal(float(value) * 100)} %"


def headline(summary: dict[str, Any]) -> dict[str, str]:
    return {
        "Warming hit rate": percent(summary["hit_rate"]),
        "Saved by warming, net": f"{decimal(summary['net_saved_min'])} min",
        "Energy for warming": f"{decimal(summary['warming_kwh'], 1)} kWh",
    }


def vehicle_cells(row: dict[str, str]) -> list[str]:
    """Cells of a vehicle's printed row after its name, without the bar."""
    return [
        decimal(row["stops_n"]),
        decimal(row["needed_warming_n"]),
        decimal(row["warmed_n"]),
        f"{decimal(row['part_warmed_n'])}, {decimal(row['not_warmed_n'])}",
        percent(row["hit_rate"]),
        decimal(row["lost_cold_min"]),
        decimal(row["avoidable_min"]),
        decimal(row["lost_site_min"]),
        decimal(row["lost_unexplained_min"]),
        decimal(row["warming_kwh"], 1),
        decimal(row["warming_cost"], 2),
    ]


def test_headline_figures_in_json_html_and_pdf(edition: Path, pages: list[str]) -> None:
    summary = json.loads((edition / "summary.json").read_text(encoding="utf-8"))
    page = Page((edition / "fleet.html").read_text(encoding="utf-8"))
    front = pages[0]
    expected = headline(summary)
    for label, value in expected.items():
        assert page.figures[label] == value
        assert f"{label} {value}" in front
    # Parts are rounded so that they add up, which may move this one by a minute.
    printed = page.figures["Avoidable cold minutes"]
    assert f"Avoidable cold minutes {printed}" in front
    shown = float(printed.removesuffix(" min").replace(" ", ""))
    assert shown == pytest.approx(summary["avoidable_min"], abs=1.0)
    assert f"{decimal(summary['stops'])} fast-charge stops" in front
    assert f"{decimal(summary['warmed'])} of {decimal(summary['needed_warming'])} stops" in front


def test_vehicles_in_csv_html_and_pdf(edition: Path, pages: list[str]) -> None:
    rows = rows_of(edition, "vehicles")
    page = Page((edition / "fleet.html").read_text(encoding="utf-8"))
    printed = page.tables["Vehicles"][1:]
    assert len(printed) == len(rows) > 5
    text = " ".join(pages)
    for row, cells in zip(rows, printed, strict=True):
        assert cells[0].startswith(row["vehicle_name"])
        assert [*cells[1:6], *cells[7:]] == vehicle_cells(row)
        own = re.escape(row["vehicle_name"]) + r"\D.{0,90}?"
        assert re.search(own + re.escape(" ".join(vehicle_cells(row))), text), row["vehicle_name"]


def test_sums_agree(edition: Path) -> None:
    summary = json.loads((edition / "summary.json").read_text(encoding="utf-8"))
    frames = {n: pl.read_parquet(edition / "tables" / f"{n}.parquet") for n in names(edition)}
    for table in ("stops", "vehicles", "sites"):
        for figure in ("lost_cold_min", "avoidable_min", "warming_kwh", "lost_site_min"):
            total = frames[table][figure].sum()
            assert total == pytest.approx(summary[figure], abs=0.05), (table, figure)
    assert frames["stops"].height == summary["stops"] == frames["vehicles"]["stops_n"].sum()
    assert frames["vehicles"]["warmed_n"].sum() == summary["warmed"]

"""The fleet report as a file for everybody and for the archive, read back by pypdf.

ISO 19005-3 (PDF/A-3, level A) and ISO 14289-1 (PDF/UA-1); clause numbers from memory.
"""

from __future__ import annotations

import csv
import io
import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from report_data import WEEK, fleet_of, week
from small_edition import small_edition

from pipeline.report import check_pdf_support
from pipeline.report.pages import fleet_document
from pipeline.report.pdf import Attached
from pipeline.report.weekdata import read_week

if check_pdf_support() is not None:
    pytest.skip("Pango is not here", allow_module_level=True)
pypdf = pytest.importorskip("pypdf")

INSTANT = datetime(2026, 1, 19, tzinfo=UTC)
ATTACHED = ["attention.csv", "coverage.csv", "sites.csv", "stops.csv", "vehicles.csv"]


@pytest.fixture(scope="module")
def edition() -> Path:
    return small_edition()


@pytest.fixture(scope="module")
def reader(edition: Path) -> Any:
    return pypdf.PdfReader(edition / "fleet.pdf")


@pytest.fixture(scope="module")
def root(reader: Any) -> Any:
    return reader.trailer["/Root"]


def kids(tag: Any) -> list[Any]:
    below = tag.get("/K")
    below = below.get_object() if hasattr(below, "get_object") else below
    below = below if isinstance(below, list) else [below]
    found = [each.get_object() for each in below if hasattr(each, "get_object")]
    return [each for each in found if isinstance(each, dict) and "/S" in each]


def walked(tag: Any, above: str = "") -> Iterator[tuple[Any, str]]:
    """Every tag with the kind of the one above, in reading order."""
    for kid in kids(tag):
        yield kid, above
        yield from walked(kid, kid["/S"])


@pytest.fixture(scope="module")
def tags(root: Any) -> list[tuple[Any, str]]:
    return list(walked(root["/StructTreeRoot"]))


def test_it_says_what_it_is(root: Any, edition: Path) -> None:
    xmp = ET.fromstring(root["/Metadata"].get_object().get_data().decode())
    text = ET.tostring(xmp, encoding="unicode")
    pdfa = "{http://www.aiim.org/pdfa/ns/id/}"
    said = {key: value for each in xmp.iter() for key, value in each.attrib.items()}
    assert said[f"{pdfa}part"] == "3"
    assert said[f"{pdfa}conformance"] == "A"
    (part,) = xmp.iter("{http://www.aiim.org/pdfua/ns/id/}part")
    assert part.text == "1"
    # A property that PDF/A does not know must be described beside it (ISO 19005-3, 6.6.2.3.3).
    assert "PDF/UA identification schema" in text
    assert set(re.findall(r"20\d\d-\d\d-\d\dT[\d:]+Z", text)) == {"2026-01-18T23:00:00Z"}
    assert root["/Lang"] == "en"
    assert root["/MarkInfo"]["/Marked"]
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert root["/OutputIntents"]


def test_title(reader: Any, root: Any) -> None:
    assert reader.metadata.title == "Norrvind Byggtransport: Cold Minutes, 2026-W03"
    assert "Norrvind Byggtransport: Cold Minutes, 2026-W03" in (
        root["/Metadata"].get_object().get_data().decode()
    )


def test_headings_come_in_order(tags: list[tuple[Any, str]]) -> None:
    levels = [int(tag["/S"][2]) for tag, _ in tags if re.fullmatch(r"/H[1-6]", tag["/S"])]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert levels.count(2) >= 8
    # No level is left out on the way down (ISO 14289-1, 7.4.2).
    assert all(now - before <= 1 for before, now in pairwise(levels))


def test_every_figure_has_words(tags: list[tuple[Any, str]]) -> None:
    words = [tag.get("/Alt", "") for tag, _ in tags if tag["/S"] == "/Figure"]
    assert len(words) > 15
    assert all(len(each) > 5 for each in words)
    assert "Logo of Norrvind Byggtransport" in words
    assert any(each.startswith("Where the minutes went, whole fleet") for each in words)
    assert any(each.startswith("Outcomes and minutes by cause, per vehicle") for each in words)
    assert any(each.startswith("hit rate ") for each in words)


def test_every_header_cell_says_what_it_heads(tags: list[tuple[Any, str]]) -> None:
    by_scope = {"/Column": 0, "/Row": 0}
    for tag, above in tags:
        if tag["/S"] == "/TH":
            assert above == "/TR"
            by_scope[tag["/A"]["/Scope"]] += 1
    assert by_scope["/Column"] > 40
    assert by_scope["/Row"] > 10
    heads = [tag for tag, _ in tags if tag["/S"] == "/THead"]
    for head in heads:
        scopes = {tag["/A"]["/Scope"] for tag, _ in walked(head) if tag["/S"] == "/TH"}
        assert scopes == {"/Column"}
    tables = [tag for tag, _ in tags if tag["/S"] == "/Table"]
    assert len(tables) >= 5
    for table in tables:
        assert any(tag["/S"] == "/TH" for tag, _ in walked(table))


def test_lists_hold_items_only(tags: list[tuple[Any, str]]) -> None:
    # A list that is broken over columns comes as lists within the list.
    assert {tag["/S"] for tag, above in tags if above == "/L"} <= {"/LI", "/L"}
    items = [above for tag, above in tags if tag["/S"] == "/LI"]
    assert len(items) > 10
    assert set(items) == {"/L"}


def test_bookmarks_name_the_sections(reader: Any) -> None:
    def titles(entries: list[Any]) -> list[str]:
        return [
            title
            for entry in entries
            for title in (titles(entry) if isinstance(entry, list) else [entry["/Title"]])
        ]

    found = titles(reader.outline)
    assert found[0] == "Norrvind Byggtransport"
    assert {"Vehicles", "Sites", "Every fast-charge stop"} <= set(found)


def test_pages_are_tabbed_in_the_order_of_the_structure(reader: Any) -> None:
    # ISO 14289-1, 7.18.3, asks it of pages with annotations; all have it.
    assert [page.get("/Tabs") for page in reader.pages] == ["/S"] * len(reader.pages)


def test_every_font_is_inside(reader: Any) -> None:
    seen = 0
    for number in range(1, int(reader.trailer["/Size"])):
        thing = reader.get_object(number)
        if isinstance(thing, dict) and thing.get("/Type") == "/FontDescriptor":
            seen += 1
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(thing)
            assert re.match(r"/[A-Z]{6}\+", thing["/FontName"]), "a subset says so"
        if isinstance(thing, dict) and thing.get("/Subtype") in ("/Type1", "/TrueType"):
            assert "/FontDescriptor" in thing, "one of the 14 fonts that need not be inside"
    assert seen >= 2


def test_the_attached_tables_have_fixed_dates_and_kinds(root: Any) -> None:
    entries = root["/Names"]["/EmbeddedFiles"]["/Names"]
    files = [entry.get_object() for entry in entries[1::2]]
    assert sorted(each["/UF"] for each in files) == ATTACHED
    for each in files:
        assert each["/AFRelationship"] == "/Data"
        assert each["/Desc"]
        stream = each["/EF"]["/F"].get_object()
        assert stream["/Subtype"] == "/text/csv"
        assert stream["/Params"]["/CreationDate"] == "D:20260118230000Z"
        assert stream["/Params"]["/ModDate"] == "D:20260118230000Z"
    named = [reference.idnum for reference in root["/AF"]]
    assert len(named) == len(set(named)) == len(ATTACHED)


def rows_in(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8"), newline="")))


def test_the_attached_rows_are_the_printed_ones(reader: Any, edition: Path) -> None:
    attached = {name: rows_in(content[0]) for name, content in reader.attachments.items()}
    for name in ("vehicles", "sites", "stops"):
        table = rows_in((edition / "tables" / f"{name}.csv").read_bytes())
        rows = attached[f"{name}.csv"]
        assert len(rows) == len(table) > 2
        shared = set(rows[0]) & set(table[0])
        assert len(shared) > 10
        for row, whole in zip(rows, table, strict=True):
            assert {key: row[key] for key in shared} == {key: whole[key] for key in shared}
    summary = json.loads((edition / "summary.json").read_text(encoding="utf-8"))
    cold = sum(float(row["lost_cold_min"] or 0) for row in attached["stops.csv"])
    assert cold == pytest.approx(summary["lost_cold_min"], abs=0.05)


@pytest.mark.parametrize("level", ["pseudonyms", "names"])
def test_no_driver_and_no_time_of_a_rental_is_attached(level: str) -> None:
    con, tables = week("rich", level)
    privacy: dict[str, Any] = {"driver_analysis": level, "purpose": "coaching"}
    privacy |= {"agreed_on": "2026-01-05", "agreement": "with the staff, invented"}
    if level == "names":
        privacy |= {"agreed_on": date(2026, 1, 5), "agreement": "works agreement no. 3"}
    fleet = fleet_of(level, privacy=privacy)
    data = read_week(con, WEEK, fleet)
    for row in data.drivers:
        row["driver_label"] = f"Person {row['driver_label']}"
    for row in data.stops:
        if row["driver_label"]:
            row["driver_label"] = f"Person {row['driver_label']}"
    html, attached = fleet_document(data, fleet, instant=INSTANT, method_version="1", version="1")
    assert "Person " in html, "drivers are printed at this level"
    content = {each.name: each.content.decode("utf-8") for each in attached}
    assert sorted(content) == ATTACHED
    raw = {row["driver_id"] for row in tables["weekly_stops"]} - {None}
    labels = {row["driver_label"] for row in tables["weekly_stops"]} - {None}
    assert raw and labels
    for text in content.values():
        assert "Person" not in text
        assert "driver_id" not in text.splitlines()[0]
        assert "driver_label" not in text.splitlines()[0]
        assert not [each for each in raw | labels - {"unassigned"} if each in text]
    rentals = {row["stop_id"] for row in tables["weekly_stops"] if row["vehicle_use"] == "rental"}
    assert rentals
    timed = 0
    for row in rows_in(content["stops.csv"].encode()):
        if row["stop_id"] in rentals:
            assert row["plug_in_time"] == ""
            assert re.fullmatch(r"2026-01-\d\d", row["plug_in_date"])
            assert not any(re.search(r"\d\d:\d\d", value) for value in row.values())
        else:
            timed += bool(re.fullmatch(r"\d\d:\d\d", row["plug_in_time"]))
    assert timed > 20


def test_a_week_without_stops_attaches_what_it_prints() -> None:
    con, _ = week("none")
    data = read_week(con, WEEK, fleet_of())
    attached: list[Attached] = fleet_document(
        data, fleet_of(), instant=INSTANT, method_version="1", version="1"
    )[1]
    assert {each.name for each in attached} <= {"coverage.csv"}

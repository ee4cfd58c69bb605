"""The page: escaping, strictness, privacy, contrast."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import pytest
from jinja2 import UndefinedError
from report_data import HOSTILE, WEEK, fleet_of, week

from pipeline.problems import Problem
from pipeline.report.pages import environment, fleet_html, page_context
from pipeline.report.palette import LOST_MARKS, OUTCOME_MARKS, PAPER, TEXT_PAIRS, contrast
from pipeline.report.weekdata import read_week

PRINTED: dict[str, Any] = {
    "instant": datetime(2026, 1, 19, tzinfo=UTC),
    "method_version": "1.0",
    "version": "0.1.0",
}


def html_of(kind: str, level: str = "pseudonyms", **settings: Any) -> str:
    con, _ = week(kind, level)
    fleet = fleet_of(level, **settings)
    return fleet_html(read_week(con, WEEK, fleet), fleet, **PRINTED)


class Outline(HTMLParser):
    """Elements, and whether every opened one is closed."""

    void = frozenset({"meta", "br", "col", "link", "img", "path", "rect", "circle", "use"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.void:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag in self.void:
            return
        assert self.open
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.text.append(data)


def outline(html: str) -> Outline:
    found = Outline()
    found.feed(html)
    assert found.open == []
    return found


@pytest.mark.parametrize("kind", ["rich", "none", "one", "many", "hostile", "warm", "unknown"])
def test_page_is_well_formed_and_self_contained(kind: str) -> None:
    page = outline(html_of(kind))
    tags = [tag for tag, _ in page.seen]
    assert "script" not in tags
    assert "link" not in tags
    for tag, attributes in page.seen:
        assert not any(key.startswith("on") for key in attributes), tag
        for key in ("src", "href", "xlink:href"):
            assert (attributes.get(key) or "#").startswith("#"), (tag, key)
    assert ("html", {"lang": "en"}) in page.seen
    text = " ".join(page.text)
    assert not re.search(r"\bNone\b|\bnan\b|\binf\b|Undefined", text)


def test_ids_are_unique() -> None:
    ids = [
        attributes["id"] for _, attributes in outline(html_of("rich")).seen if "id" in attributes
    ]
    assert len(ids) == len(set(ids))


def test_hostile_names_stand_as_text() -> None:
    page = outline(html_of("hostile"))
    text = re.sub(r"\s+", " ", " ".join(page.text))
    for name in HOSTILE:
        assert re.sub(r"\s+", " ", name) in text
    assert "49" not in re.findall(r"\{\{.*?\}\}", text)


def test_every_drawing_has_a_title() -> None:
    html = html_of("rich")
    drawings = re.findall(r"<svg[^>]*>\s*<title>([^<]+)</title>", html)
    assert len(drawings) == html.count("<svg")
    assert any("Outcomes and minutes lost by vehicle. Van" in title for title in drawings)


def test_every_variable_is_needed() -> None:
    con, _ = week("rich", "names")
    fleet = fleet_of("names")
    context = page_context(
        read_week(con, WEEK, fleet),
        fleet,
        problems=[Problem("X-01", "note", "here", "something")],
        **PRINTED,
    )
    # These are reached only where there is more than the page shows.
    context |= {"findings_more_n": 1, "chart_more_n": 2, "files_more_n": 3}
    template = environment(fleet).get_template("fleet_week.html.j2")
    template.render(context)
    only_without_stops = {"coverage_facts", "silent_n"}
    for variable in context:
        if variable in only_without_stops:
            continue
        rest = {key: value for key, value in context.items() if key != variable}
        with pytest.raises(UndefinedError):
            template.render(rest)


def test_every_column_of_a_row_is_needed_or_absent() -> None:
    con, _ = week("rich")
    fleet = fleet_of()
    context = page_context(read_week(con, WEEK, fleet), fleet, **PRINTED)
    template = environment(fleet).get_template("fleet_week.html.j2")
    for column in ("hit_rate", "lost_min", "warming_kwh"):
        broken = [
            {key: value for key, value in row.items() if key != column}
            for row in context["vehicles"]
        ]
        with pytest.raises(UndefinedError):
            template.render(context | {"vehicles": broken})


def test_rental_stops_have_a_date_and_no_time() -> None:
    con, tables = week("rich")
    fleet = fleet_of()
    data = read_week(con, WEEK, fleet)
    rental = [stop for stop in data.stops if stop["is_rental"]]
    assert rental
    for stop in rental:
        for key in ("plug_in_at", "plug_out_at", "plug_in_local", "destination_set_at"):
            assert stop[key] is None
        assert stop["driver_label"] is None
    html = fleet_html(data, fleet, **PRINTED)
    for stop in rental:
        row = re.search(
            rf"<tr><td class=\"t\">([^<]*)<br><span class=\"second\">{stop['stop_id']}", html
        )
        assert row
        assert not re.search(r"\d\d:\d\d", row[1])
    raw = [row["driver_id"] for row in tables["weekly_stops"] if row["driver_id"]]
    assert not any(driver in html for driver in raw)


@pytest.mark.parametrize(("level", "is_there"), [("off", False), ("totals", True), ("names", True)])
def test_drivers_only_where_the_level_allows(level: str, is_there: bool) -> None:
    html = html_of("rich", level)
    assert ("<h2>Drivers</h2>" in html) is is_there
    if level in ("off", "totals"):
        assert "D-K4" not in html


def test_off_holds_even_where_the_tables_bring_drivers() -> None:
    con, _ = week("rich", "pseudonyms")
    fleet = fleet_of("off")
    assert "D-K4" not in fleet_html(read_week(con, WEEK, fleet), fleet, **PRINTED)


def test_no_table_of_drivers_is_sorted_by_a_figure() -> None:
    con, _ = week("rich")
    labels = [row["driver_label"] for row in read_week(con, WEEK, fleet_of()).drivers]
    assert labels == sorted(labels)


def test_text_contrast() -> None:
    for text, ground in TEXT_PAIRS:
        assert contrast(text, ground) >= 4.5, (text, ground)


def test_marks_stand_out_from_paper() -> None:
    for mark in [*OUTCOME_MARKS.values(), *LOST_MARKS.values()]:
        assert max(contrast(mark.fill, PAPER), contrast(mark.edge, PAPER)) >= 3.0
    looks = [(m.fill, m.edge, m.lines, m.is_dashed) for m in OUTCOME_MARKS.values()]
    assert len(set(looks)) == len(looks)


def test_main_outcomes_differ_in_grey() -> None:
    ladder = [OUTCOME_MARKS[code].fill for code in ("not_warmed", "part_warmed", "warmed")]
    for darker, lighter in pairwise(ladder):
        assert contrast(darker, lighter) >= 1.8


def test_templates_hold_no_arithmetic() -> None:
    from pipeline.resources import folder

    for path in folder("report_templates").rglob("*.j2"):
        for expression in re.findall(r"\{\{(.*?)\}\}|\{%(.*?)%\}", path.read_text()):
            code = re.sub(r'"[^"]*"', "", " ".join(expression)).strip("- ")
            assert not re.search(r"[*/]|\s[+-]\s|\bround\b|\bsum\b", code), (path.name, code)

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
from pipeline.report.palette import (
    CAUSE_MARKS,
    OUTCOME_MARKS,
    PAPER,
    TEXT_PAIRS,
    WORTH_MARKS,
    contrast,
)
from pipeline.report.weekdata import read_week

KINDS = ["rich", "none", "one", "many", "hostile", "warm", "unknown", "summaries", "blank"]
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


@pytest.mark.parametrize("kind", KINDS)
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
    for begin in (
        "Outcomes and minutes by cause, per vehicle. Van",
        "Where the minutes went, whole fleet: ",
        "Net minutes saved by warming and missed where it was expected. Whole fleet: ",
        "Cold minutes a week: ",
        "Warm curve of Vidar 60: ",
        "Cold limit of Vidar 60, ",
    ):
        assert any(title.startswith(begin) for title in drawings), begin


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
    context |= {"findings_more_n": 1, "chart_more_n": 2, "files_more_n": 3, "doubts_more_n": 1}
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
    for column in ("hit_rate", "lost_cold_min", "avoidable_min", "warming_kwh"):
        broken = [
            {key: value for key, value in row.items() if key != column}
            for row in context["vehicles"]
        ]
        with pytest.raises(UndefinedError):
            template.render(context | {"vehicles": broken})


def test_the_stops_printed_are_those_that_cost_most(monkeypatch: pytest.MonkeyPatch) -> None:
    con, _ = week("rich")
    fleet = fleet_of()
    data = read_week(con, WEEK, fleet)
    monkeypatch.setattr("pipeline.report.pages._MOST_STOPS", 3)
    context = page_context(data, fleet, **PRINTED)
    shown = [stop for group in context["stop_groups"] for stop in group]
    costs = sorted((stop["lost_cold_min"] or 0.0 for stop in data.stops), reverse=True)
    assert sorted((stop["lost_cold_min"] for stop in shown), reverse=True) == costs[:3]
    order = [stop["stop_id"] for stop in data.stops]
    assert [stop["stop_id"] for stop in shown] == sorted(
        (stop["stop_id"] for stop in shown), key=order.index
    )
    assert context["stops_more_n"] == len(data.stops) - 3
    assert f"{len(data.stops) - 3} more stops" in fleet_html(data, fleet, **PRINTED)


def test_rental_stops_have_a_date_and_no_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.report.pages._MOST_STOPS", 10_000)
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
    for mark in [*OUTCOME_MARKS.values(), *CAUSE_MARKS.values(), *WORTH_MARKS.values()]:
        assert max(contrast(mark.fill, PAPER), contrast(mark.edge, PAPER)) >= 3.0
    for marks in (OUTCOME_MARKS, CAUSE_MARKS):
        looks = [(m.fill, m.edge, m.lines, m.is_dashed) for m in marks.values()]
        assert len(set(looks)) == len(looks)


def test_neighbouring_causes_differ_in_grey() -> None:
    fills = [CAUSE_MARKS[code].fill for code in ("avoidable", "unavoidable", "site", "held_back")]
    for first, second in pairwise(fills):
        assert contrast(first, second) >= 1.8


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


def printed(html: str) -> str:
    """The page's text, blanks as one."""
    return re.sub(r"\s+", " ", " ".join(outline(html).text).replace("\u00a0", " "))


def test_figures_on_the_page_are_those_of_the_tables() -> None:
    con, tables = week("rich")
    now = tables["weekly_fleet"][-1]
    fleet = fleet_of(driver_value_per_hour=32)
    text = printed(fleet_html(read_week(con, WEEK, fleet), fleet, **PRINTED))
    cold, low, high = (
        round(now[key]) for key in ("lost_cold_min", "lost_cold_low_min", "lost_cold_high_min")
    )
    assert f"Cold took {cold} min of charging time (between {low} and {high} min, as far as" in text
    could, could_not = (
        int(each) for each in re.findall(r"could have avoided (\d+) min; (\d+)", text)[0]
    )
    assert could + could_not == cold
    assert abs(could - now["avoidable_min"]) < 1
    assert f"Warming saved {now['net_saved_min']:.0f} min net" in text
    assert f"In cash it cost {-now['worth_cash']:.2f} EUR" in text
    assert f"worth {now['worth_time']:.2f} EUR" in text
    assert f"worth {now['break_even_per_hour']:.2f} EUR or more" in text
    together = now["worth_cash"] + now["worth_time"]
    assert f"{together:.2f}" not in text, "cash and valued time are never added"
    for row in tables["weekly_vehicles"]:
        if row["lost_cold_min"] is not None and row["stops_n"]:
            cells = [f"{row[key]:.0f}" for key in ("lost_cold_min", "avoidable_min")]
            assert " ".join(cells) in text.replace("\u2212", "-"), row["vehicle_id"]


def test_measurement_and_usual_range_have_words_of_their_own() -> None:
    text = printed(html_of("rich"))
    assert text.count("as far as the measurement goes") >= 2
    assert "Usual range, by the spread between vehicles: " in text
    for sentence in re.split(r"(?<=[.;]) ", text):
        assert not ("as far as the measurement goes" in sentence and "usual" in sentence.lower())


def test_a_summary_never_claims_minutes_lost() -> None:
    con, _ = week("summaries")
    fleet = fleet_of()
    context = page_context(read_week(con, WEEK, fleet), fleet, **PRINTED)
    assert context["fleet_bar"] is None
    assert context["worth"]["chart"] is None
    for group in context["stop_groups"]:
        for stop in group:
            assert stop["has_bound"]
            assert stop["why_not_words"] == ""
    text = printed(html_of("summaries"))
    assert "Cold took" not in text
    assert "at most" in text
    assert "For no stop of this week can be said what warming saved" in text


def test_a_fleet_without_models_says_so() -> None:
    text = printed(html_of("blank"))
    assert "the minutes lost there cannot be computed" in text
    assert "no vehicle model is configured" in text
    assert "no model" in text
    assert "When to begin" not in text.replace("see When to begin", "")


def test_when_to_begin_is_said_per_model_and_site() -> None:
    con, tables = week("rich")
    fleet = fleet_of()
    text = printed(fleet_html(read_week(con, WEEK, fleet), fleet, **PRINTED))
    worth_it = [row for row in tables["weekly_leadtime"] if row["verdict"] == "begin"]
    shown = [row for row in worth_it if row["site_power_kw"] in (50.0, 300.0)]
    assert shown
    for row in shown:
        assert f"{row['begin_min']:.0f} saves {row['net_saved_min']:.0f}" in text
    assert "not worth it" in text
    assert "* colder than the cold limit is known for: an extrapolation." in text
    assert "few stops here yet: the model's median" in text
    assert "Without a table: gamla_30 (cold limit not known)." in text
    assert "Norra Tullen , 50 kW: warming is not worth it here." in text
    assert "Set it before setting off, never while driving." in text
    assert "maker’s manual and local law come first" in text
    for way in ("on the way", "on the cable, before departure", "parking indoors"):
        assert way in text


def test_what_was_learned_is_told_with_its_doubts() -> None:
    text = printed(html_of("rich"))
    for words in (
        "learned from 181 charges; 0–10, 85–100 % of charge: as configured",
        "a ceiling on the current, learned from 120 charges",
        "from 25 °C : above the warm threshold of 21 °C",
        "777 ± 1 kJ/K, cools with a time constant of 8.0 h",
        "heater 4.1 kW (seen 40 times) differs from the configured 5.2 kW",
        "wrong at 4 of 120 stops whose heater is known, and left 11 open",
        "assumed by its capacity, because too few stretches",
        "not tried: no stop with a known heater",
        "Van 01 93 % (12 charges)",
    ):
        assert words.replace(" :", ":") in text, words


def test_summaries_are_held_against_mild_weather_without_minutes() -> None:
    text = printed(html_of("rich"))
    said = "41 kW on average over 4 stays (33 to 51)"
    for rest in (
        ", against 58 kW (52 to 64) over its own 11 stays in mild weather.",
        ", against 62 kW (56 to 68) over all vehicles' 11 stays in mild weather at the same sites.",
        "; too few stays in mild weather to compare with.",
    ):
        assert said + rest in text

"""Rows become what the templates print: ready values, words, bars and charts."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from jinja2 import Environment
from markupsafe import Markup

from pipeline.actions import ACTIONS_N
from pipeline.config import Fleet
from pipeline.problems import Problem
from pipeline.report.attachments import fleet_attachments
from pipeline.report.begin import begin_section, site_words
from pipeline.report.bills import bills_section
from pipeline.report.charts import rows_that_fit, vehicles_chart
from pipeline.report.doubts import doubt_row, with_doubt
from pipeline.report.figures import headline_figures
from pipeline.report.filters import one_line, quantity_filters
from pipeline.report.fleet_bar import fleet_bar
from pipeline.report.followups import followups_section
from pipeline.report.judged import judged_section
from pipeline.report.language import _, ngettext, spoken
from pipeline.report.learned import learned_section
from pipeline.report.look import own_look
from pipeline.report.opening import Opening, opening
from pipeline.report.pdf import Attached
from pipeline.report.revised import revised_section
from pipeline.report.rows import (
    costliest,
    coverage_facts,
    coverage_row,
    finding,
    has_gap,
    mild_power_row,
    stop_row,
    with_bar,
    with_label,
)
from pipeline.report.style import stylesheet
from pipeline.report.templates import rendered, template_environment
from pipeline.report.weekdata import Row, WeekData, week_words
from pipeline.report.words import LEVEL_WORDS, OUTCOME_WORDS, isolated, words_of
from pipeline.report.worth_words import change_section, worth_section
from pipeline.resources import folder

_MOST_FINDINGS = 12
_MOST_NAMES = 12
_MOST_VEHICLES = 60
_MOST_GAPS = 24
_MOST_STOPS = 24
"""Most of a page; the table beside the report has them all."""
_MOST_FILES = 10
_MOST_PROBLEMS = 8
_TOLD_BY_THE_RULES = frozenset({"INGEST-03"})
"""Findings about single rows: the table of broken rules has them, for every run alike."""
_KEPT_TOGETHER = 20
_ROWS_WITH_HEAD = 5
_DETAIL_LINE_MM = 3.5


def fleet_html(
    week: WeekData,
    fleet: Fleet,
    *,
    instant: datetime,
    method_version: str,
    version: str,
    problems: Sequence[Problem] = (),
) -> str:
    """The weekly fleet report as one self-contained HTML page."""
    return fleet_document(
        week,
        fleet,
        instant=instant,
        method_version=method_version,
        version=version,
        problems=problems,
    )[0]


def fleet_document(
    week: WeekData,
    fleet: Fleet,
    *,
    instant: datetime,
    method_version: str,
    version: str,
    problems: Sequence[Problem] = (),
) -> tuple[str, list[Attached]]:
    """The page, and the tables that its PDF carries."""
    context = page_context(
        week,
        fleet,
        instant=instant,
        method_version=method_version,
        version=version,
        problems=problems,
    )
    html = rendered(environment(fleet), fleet.folder, "fleet_week.html.j2", context)
    return html, fleet_attachments(context)


def environment(fleet: Fleet) -> Environment:
    """Templates with the fleet's look: an undefined variable raises, everything is escaped."""
    jinja = template_environment(fleet)
    jinja.globals["look"] = own_look(fleet)
    return jinja


def page_context(
    week: WeekData,
    fleet: Fleet,
    *,
    instant: datetime,
    method_version: str,
    version: str,
    problems: Sequence[Problem] = (),
) -> dict[str, Any]:
    """Every variable of the template, by name."""
    now = week.edition
    silent = [row["vehicle_name"] for row in week.vehicles if row["is_silent"]]
    with_stops_n = sum(1 for row in week.vehicles if row["stops_n"])
    settings = fleet.settings
    filters = quantity_filters(settings)
    stops = [stop_row(row) for row in costliest(week.stops, _MOST_STOPS)]
    figures = headline_figures(week, fleet) if now["stops_n"] > 0 else []
    detail_mm = _DETAIL_LINE_MM * max((lines_of(each.detail, 35) for each in figures), default=0)
    has_stops = now["stops_n"] > 0
    said = opening(
        now,
        week.stops,
        week.attention,
        silent_n=len(silent),
        known_n=len(week.vehicles),
        last_data_date=week.issue["last_data_date"] if week.issue else None,
    )
    revised = revised_section(week, filters)
    at_sites = site_words(week)
    actions = [finding(row, at_sites) for row in week.attention[:ACTIONS_N]]
    bar = fleet_bar(now) if has_stops else None
    room_mm = _room_mm(said, actions, detail_mm, has_bar=bar is not None)
    followups = followups_section(week.followups, week.week_id)
    is_revised = revised is not None and revised["revised"] is not None
    room_mm -= own_look(fleet).height_mm + (followups["height_mm"] if followups else 0.0)
    shown_n = min(with_stops_n, rows_that_fit(room_mm))
    doubted = {row["vehicle_id"]: row for row in week.doubts}
    gaps = [row for row in week.coverage if has_gap(row) or row["vehicle_id"] in doubted]
    whole = [row for row in week.coverage if row not in gaps]
    told = [found for found in problems if found.code not in _TOLD_BY_THE_RULES]
    return {
        "lang": spoken().code,
        "title": _(
            "{operator}: {product}, {week}",
            operator=one_line(settings.operator),
            product="Cold Minutes",
            week=week.week_id,
        ),
        "operator": one_line(settings.operator),
        "week_id": week.week_id,
        "week_words": week_words(week.week_id),
        "created": instant.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "time_zone": settings.time_zone,
        "currency": settings.currency,
        "method_version": method_version,
        "version": version,
        "stylesheet": Markup(stylesheet()),
        "screen_stylesheet": Markup(
            (folder("report_templates") / "screen.css").read_text(encoding="utf-8")
        ),
        "now": now,
        # Without a stop, the vehicles that there are: 0 of them would look like no fleet.
        "vehicles_n": now["vehicles_n"] if has_stops else len(week.vehicles),
        "revised": revised,
        "edition_no": week.issue["edition_no"] if week.issue and is_revised else None,
        "is_long_operator": len(one_line(settings.operator)) > 44,
        "has_stops": has_stops,
        "has_bounds": now["lost_at_most_min"] is not None,
        "least_saved": settings.expected_saving_min,
        "opening": said,
        "findings": [finding(row, at_sites) for row in week.attention[:_MOST_FINDINGS]],
        "findings_more_n": max(0, len(week.attention) - _MOST_FINDINGS),
        "actions": actions,
        "followups": followups,
        "figures": figures,
        "detail_mm": round(detail_mm, 1),
        "fleet_bar": bar,
        "chart": vehicles_chart(week.vehicles, room_mm) if has_stops else None,
        "worth": worth_section(week, fleet) if has_stops else None,
        "change": change_section(week.change) if has_stops else None,
        "begin": begin_section(week, filters) if has_stops else None,
        "learned": learned_section(week, fleet, filters) if has_stops else None,
        "bills": bills_section(week, filters),
        "judged": judged_section(week, fleet, filters) if has_stops else None,
        "chart_more_n": with_stops_n - shown_n,
        "vehicles": [
            with_bar(row, settings.target_hit_rate) for row in week.vehicles[:_MOST_VEHICLES]
        ],
        "vehicles_more_n": max(0, len(week.vehicles) - _MOST_VEHICLES),
        "sites": [with_bar(row, settings.target_hit_rate) for row in week.sites],
        "drivers": [with_bar(with_label(row), settings.target_hit_rate) for row in week.drivers],
        "driver_level": settings.privacy.shown_level,
        "driver_level_words": words_of(settings.privacy.shown_level, LEVEL_WORDS),
        "purpose": one_line(settings.privacy.purpose),
        # The first rows keep together, so that the table's head never ends a page alone.
        "stops_more_n": len(week.stops) - len(stops),
        "stop_groups": [
            rows for rows in (stops[:_ROWS_WITH_HEAD], stops[_ROWS_WITH_HEAD:]) if rows
        ],
        "grades": [
            (grade.upper(), now[f"stops_{grade}_n"], meaning)
            for grade, meaning in (
                ("a", _("cell temperatures, heater power, power and charge")),
                ("b", _("cell temperatures, no battery heater signal")),
                ("c", _("power and charge, no temperatures")),
                ("d", _("summary of the charge only")),
                ("e", _("start, end and energy only")),
            )
        ],
        "coverage": [with_doubt(coverage_row(row), doubted) for row in gaps[:_MOST_GAPS]],
        "coverage_more_n": max(0, len(gaps) - _MOST_GAPS),
        "doubts": [doubt_row(row) for row in week.doubts[:_MOST_NAMES]],
        "doubts_more_n": max(0, len(week.doubts) - _MOST_NAMES),
        "mild_power": [mild_power_row(row) for row in week.mild_power[:_MOST_NAMES]],
        "complete_names": _listed([row["vehicle_name"] for row in whole], 40),
        "coverage_facts": coverage_facts(week),
        "silent_n": len(silent),
        "silent_names": _listed(silent),
        "unconfigured_names": _listed(
            [row["vehicle_name"] for row in week.vehicles if not row["is_configured"]]
        ),
        "rules": week.rules,
        "rules_rows_n": sum(row["rows_n"] for row in week.rules),
        "files": [{**row, "short_hash": row["content_sha256"][:10]} for row in week.files][
            :_MOST_FILES
        ],
        "files_more_n": max(0, len(week.files) - _MOST_FILES),
        "problems": told[:_MOST_PROBLEMS],
        "problems_more_n": max(0, len(told) - _MOST_PROBLEMS),
        "outcome_words": {code: _(words) for code, words in OUTCOME_WORDS.items()},
        "keep": {
            "vehicles": len(week.vehicles) <= _KEPT_TOGETHER,
            "sites": len(week.sites) <= _KEPT_TOGETHER,
            "drivers": len(week.drivers) <= _KEPT_TOGETHER,
        },
    }


def _room_mm(said: Opening, actions: Sequence[Row], detail_mm: float, *, has_bar: bool) -> float:
    """Height left for the chart on page 1, estimated from the length of the words above it."""
    lines = lines_of(said.what, 83) + lines_of(said.action, 80)
    rows = sum(
        max(
            lines_of(action["advice"], 66),
            lines_of(f"{action['subject']} {action['label']}", 30),
        )
        for action in actions
    )
    fixed_mm = 171.0 - (29.0 if has_bar else 0.0)
    return fixed_mm - 6.05 * lines - 4.15 * rows - 2.3 * len(actions) - detail_mm


def lines_of(text: str, letters: int) -> int:
    """Lines that a text takes where so many letters fit; an estimate."""
    return len(textwrap.wrap(text.replace("\u00a0", " "), letters)) or 1


def _listed(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    shown = ", ".join(isolated(each) for each in names[:most])
    more = len(names) - most
    if more <= 0:
        return shown
    return ngettext("{names} and {n} more", "{names} and {n} more", more, names=shown)


def for_print(html: str) -> str:
    """The same page with the fonts as files, which saves the PDF engine the decoding."""
    return html.replace(stylesheet(), stylesheet(is_inlined=False), 1)

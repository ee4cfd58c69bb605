"""Rows become what the templates print: ready values, words, bars and charts."""

from __future__ import annotations

import base64
import math
import re
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.problems import Problem
from pipeline.report import palette
from pipeline.report.charts import rows_that_fit, vehicles_chart
from pipeline.report.figures import headline_figures
from pipeline.report.filters import kw, kwh, minutes, name, one_line, quantity_filters
from pipeline.report.weekdata import Row, WeekData, week_words
from pipeline.report.words import (
    FINDING_WORDS,
    OUTCOME_WORDS,
    WHY_WORDS,
    Opening,
    isolated,
    opening,
    words_of,
)
from pipeline.resources import folder

_MOST_FINDINGS = 12
_MOST_ACTIONS = 3
_MOST_NAMES = 12
_MOST_FILES = 24
_MOST_PROBLEMS = 8
_TOLD_BY_THE_RULES = frozenset({"INGEST-03"})
"""Findings about single rows: the table of broken rules has them, for every run alike."""
_KEPT_TOGETHER = 20


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
    context = page_context(
        week,
        fleet,
        instant=instant,
        method_version=method_version,
        version=version,
        problems=problems,
    )
    return environment(fleet).get_template("fleet_week.html.j2").render(context)


def environment(fleet: Fleet) -> Environment:
    """Templates, strict: an undefined variable raises, everything is escaped."""
    jinja = Environment(
        loader=FileSystemLoader(folder("report_templates")),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    jinja.filters.update(quantity_filters(fleet.settings))
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
    has_stops = now["stops_n"] > 0
    said = opening(now, week.stops, week.attention, silent_n=len(silent))
    actions = [_finding(row) for row in week.attention[:_MOST_ACTIONS]]
    room_mm = _room_mm(said, actions)
    shown_n = min(with_stops_n, rows_that_fit(room_mm))
    gaps = [row for row in week.coverage if _has_gap(row)]
    told = [found for found in problems if found.code not in _TOLD_BY_THE_RULES]
    return {
        "lang": "en",
        "title": f"{one_line(settings.operator)}: Cold Minutes, {week.week_id}",
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
        "is_long_operator": len(one_line(settings.operator)) > 44,
        "has_stops": has_stops,
        "opening": said,
        "findings": [_finding(row) for row in week.attention[:_MOST_FINDINGS]],
        "findings_more_n": max(0, len(week.attention) - _MOST_FINDINGS),
        "actions": actions,
        "figures": headline_figures(week, fleet) if has_stops else [],
        "chart": vehicles_chart(week.vehicles, room_mm) if has_stops else None,
        "chart_shown_n": shown_n,
        "chart_more_n": with_stops_n - shown_n,
        "vehicles": [_with_bar(row, settings.target_hit_rate) for row in week.vehicles],
        "sites": [_with_bar(row, settings.target_hit_rate) for row in week.sites],
        "drivers": [_with_bar(row, settings.target_hit_rate) for row in week.drivers],
        "driver_level": settings.privacy.driver_analysis,
        "purpose": one_line(settings.privacy.purpose),
        "stops": [_stop(row) for row in week.stops],
        "grades": [
            (grade.upper(), now[f"stops_{grade}_n"], meaning)
            for grade, meaning in (
                ("a", "cell temperatures, heater power, power and charge"),
                ("b", "cell temperatures, no battery heater signal"),
                ("c", "power and charge, no temperatures"),
                ("d", "summary of the charge only"),
                ("e", "start, end and energy only"),
            )
        ],
        "coverage": [_coverage(row) for row in gaps],
        "complete_names": _listed(
            [row["vehicle_name"] for row in week.coverage if not _has_gap(row)], 40
        ),
        "coverage_facts": _coverage_facts(week),
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
        "outcome_words": OUTCOME_WORDS,
        "keep": {
            "vehicles": len(week.vehicles) <= _KEPT_TOGETHER,
            "sites": len(week.sites) <= _KEPT_TOGETHER,
            "drivers": len(week.drivers) <= _KEPT_TOGETHER,
        },
    }


def _room_mm(said: Opening, actions: Sequence[Row]) -> float:
    """Height left for the chart on page 1, estimated from the length of the words above it."""
    lines = math.ceil(len(said.what) / 78) + math.ceil(len(said.action) / 74)
    rows = sum(
        max(
            math.ceil(len(action["advice"]) / 62),
            math.ceil((len(action["subject"]) + len(action["label"])) / 28),
        )
        for action in actions
    )
    return 154.0 - 6.3 * lines - 4.2 * rows - 2.4 * len(actions)


def range_bar(row: Row, rate: str, target: float | None) -> dict[str, float] | None:
    """A rate with its interval on a scale of 0 to 100, ready to be drawn; None without one."""
    value, low, high = row[rate], row[f"{rate}_low"], row[f"{rate}_high"]
    if value is None or low is None or high is None:
        return None
    bar = {
        "low_x": round(4 + low * 92, 2),
        "width": round((high - low) * 92, 2),
        "at_x": round(4 + value * 92, 2),
        "low": low,
        "high": high,
        "value": value,
    }
    return {**bar, "target_x": round(4 + target * 92, 2)} if target is not None else bar


def _with_bar(row: Row, target: float | None) -> Row:
    return {
        **row,
        "hit_bar": range_bar(row, "hit_rate", target),
        "start_bar": range_bar(row, "start_rate", None),
    }


def _finding(row: Row) -> Row:
    stop_ids = [one_line(stop_id) for stop_id in row["stop_ids"] or []]
    shown = ", ".join(stop_ids[:6])
    more = f" and {len(stop_ids) - 6} more" if len(stop_ids) > 6 else ""
    return {
        "kind": row["kind"],
        "subject": name(row["subject_name"] or row["subject_id"] or "unknown place", 44),
        "label": words_of(row["code"], FINDING_WORDS),
        "evidence": one_line(row["evidence"]),
        "advice": one_line(row["advice"]),
        "lost_min": row["lost_min"],
        "stops_n": row["stops_n"],
        "stop_ids": shown + more,
    }


def _stop(row: Row) -> Row:
    return {
        **row,
        "outcome_words": words_of(row["outcome"], OUTCOME_WORDS),
        "why_words": _summary_words(row)
        if row["why"] == "summary_only"
        else words_of(row["why"], WHY_WORDS),
        "null_words": words_of(row["lost_why_null"], WHY_WORDS),
        "has_warming": bool(row["warming_min"]),
        "has_bound": row["lost_min"] is None and row["lost_at_most_min"] is not None,
        "is_cold_miss": row["outcome"] in ("part_warmed", "not_warmed"),
    }


def _summary_words(row: Row) -> str:
    """Energy, stay and highest power of a charge of which no more is known."""
    told = [f"{kwh(row['energy_kwh'], 0)} in {minutes(row['stay_min'])}"]
    if row["power_max_kw"] is not None:
        told.append(f"max {kw(row['power_max_kw'])}")
    return ", ".join(told)


def _has_gap(row: Row) -> bool:
    counts = ("missing_min", "dc_unknown_n", "reported_only_n")
    return bool(not row["samples_n"] or row["missing_signals"] or any(row[key] for key in counts))


def _coverage(row: Row) -> Row:
    signals = [words_of(one_line(signal), {}) for signal in row["missing_signals"] or []]
    return {**row, "missing_words": ", ".join(signals), "unlocks": one_line(row["unlocks"])}


def _coverage_facts(week: WeekData) -> Row:
    rows = week.coverage
    return {
        "vehicles_n": len(rows),
        "with_data_n": sum(1 for row in rows if row["samples_n"] or row["dc_stops_n"]),
        "samples_n": sum(row["samples_n"] or 0 for row in rows),
        "ac_charges_n": sum(row["ac_charges_n"] or 0 for row in rows),
        "dc_unknown_n": sum(row["dc_unknown_n"] or 0 for row in rows),
        "reported_only_n": sum(row["reported_only_n"] or 0 for row in rows),
        "missing_min": sum(row["missing_min"] or 0 for row in rows),
    }


def _listed(names: Sequence[str], most: int = _MOST_NAMES) -> str:
    shown = ", ".join(isolated(each) for each in names[:most])
    more = len(names) - most
    return f"{shown} and {more} more" if more > 0 else shown


@cache
def stylesheet(*, is_inlined: bool = True) -> str:
    """``report.css`` with the palette in front; fonts inlined, or as files for printing."""
    templates = folder("report_templates")
    tokens = "".join(f"--{key}:{value};" for key, value in palette.TOKENS.items())
    css = (templates / "report.css").read_text(encoding="utf-8")

    def inlined(match: re.Match[str]) -> str:
        data = base64.b64encode((templates / match[1]).read_bytes()).decode("ascii")
        return f'url("data:font/ttf;base64,{data}")'

    if is_inlined:
        css = re.sub(r'url\("(fonts/[A-Za-z-]+\.ttf)"\)', inlined, css)
    return f":root{{{tokens}}}\n{css}"


def for_print(html: str) -> str:
    """The same page with the fonts as files, which saves the PDF engine the decoding."""
    return html.replace(stylesheet(), stylesheet(is_inlined=False), 1)

"""The stop sheet: one charge on one page, from its samples to its minutes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import duckdb

from pipeline.config import Fleet
from pipeline.report.causes import CAUSE_WORDS, adding_up
from pipeline.report.filters import date_words, kw, local_time, minutes, name, number, one_line
from pipeline.report.language import _, ngettext
from pipeline.report.pages import lines_of
from pipeline.report.palette import CAUSE_MARKS, INK, PAPER
from pipeline.report.sheets.paper import Sheet, file_stem, heading_name, sheet_html
from pipeline.report.sheets.stop_chart import course_chart
from pipeline.report.sheets.stop_data import MOST_DRAWN_MIN, StopData, read_stops
from pipeline.report.sheets.stop_interval import MinutesInterval, cold_interval, site_interval
from pipeline.report.sheets.stop_next import next_steps, worth_rows
from pipeline.report.sheets.stop_words import grade_words, headline, reasoning
from pipeline.report.weekdata import Row
from pipeline.report.words import isolated, words_of

_MOST_FILES = 4
_MOST_WORTH = 5
_PAGE_MM = 194.0
"""Height of the page less what is always there: head, section heads, table head, cautions."""
_MARK_OF = {"cold": "avoidable"}


def stop_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    *,
    stop_ids: Sequence[str],
    instant: datetime,
    version: str,
    method_version: str,
) -> list[Sheet]:
    """One page for each stop, in the order of their ids; ids that are not recorded make none.

    Parameters
    ----------
    week_id
        Of the edition; it stands at the foot of the page.
    stop_ids
        As the stop list prints them; their stops may lie in any week that is computed.
    instant, version, method_version
        Of the edition, as `pipeline.report.sheets.paper.sheet_html` takes them.

    Notes
    -----
    Reads the warehouse only, not the weekly tables, so that ``explain`` can make it at any time.
    A rental's sheet carries its local date and minutes from plug-in, no time of day.
    """
    return [
        Sheet(
            path=f"stops/{file_stem(data.stop['stop_id'])}",
            html=sheet_html(
                "stop_sheet.html.j2",
                fleet,
                stop_context(data, fleet),
                title=_("Stop {stop_id}", stop_id=data.stop["stop_id"]),
                running=_(
                    "{operator} · stop {stop_id} · {week_id} · method {method}",
                    operator=isolated(fleet.settings.operator),
                    stop_id=isolated(data.stop["stop_id"]),
                    week_id=week_id,
                    method=method_version,
                ),
                instant=instant,
                version=version,
                method_version=method_version,
            ),
        )
        for data in read_stops(con, fleet, stop_ids)
    ]


def stop_context(data: StopData, fleet: Fleet) -> Row:
    """Every variable of the template that is the sheet's own."""
    stop = data.stop
    files = [_file_row(row) for row in data.files]
    rows = _minute_rows(data)
    said = reasoning(data, fleet)
    todo = next_steps(data, fleet)
    worth = worth_rows(data, fleet)[:_MOST_WORTH]
    lead = headline(data, fleet)
    room_mm = _room_mm(lead, said, todo, len(rows) + len(worth), min(len(files), _MOST_FILES))
    return {
        "stop_id": one_line(stop["stop_id"]),
        "vehicle_name": heading_name(stop["vehicle_name"]),
        "is_long_name": len(one_line(stop["vehicle_name"])) > 34,
        "model_name": name(stop["model_name"], 40) if stop["model_name"] else _("model not known"),
        "when": date_words(stop["plug_in_date"])
        if data.is_rental
        else local_time(stop["plug_in_local"]),
        "is_rental": data.is_rental,
        "site": _site_words(stop),
        "headline": lead,
        "chart": course_chart(data, fleet, room_mm),
        "caption": _caption(data),
        "reasoning": said,
        "next_steps": todo,
        "minute_rows": rows,
        "minutes_note": _minutes_note(data, rows),
        "worth_rows": worth,
        "grade": stop["evidence_grade"],
        "grade_words": grade_words(stop["evidence_grade"]),
        "fit_week_id": stop["fit_week_id"],
        "files": files[:_MOST_FILES],
        "files_more": _more_files(len(files) - _MOST_FILES),
    }


def _room_mm(
    lead: str, said: Sequence[str], todo: Sequence[str], rows_n: int, files_n: int
) -> float:
    """Height left for the chart, estimated from the words around it."""
    left_mm = 21.0 + sum(1.3 + 3.45 * lines_of(each, 74) for each in (*said, *todo))
    right_mm = 29.0 + 4.6 * rows_n
    lead_mm = 5.3 * lines_of(lead, 86)
    return _PAGE_MM - lead_mm - max(left_mm, right_mm) - 4.2 * files_n


def _site_words(stop: Row) -> str:
    if not stop["site_name"]:
        return _("place not known")
    site = name(stop["site_name"], 44)
    if stop["site_power_kw"] is not None:
        return f"{site}, {kw(stop['site_power_kw'])}"
    if stop["is_site_learned"] and stop["limit_kw"] is not None:
        return _("{site}, {power} as learned", site=site, power=kw(stop["limit_kw"]))
    return _("{site}, rating not known", site=site)


def _caption(data: StopData) -> str:
    stop = data.stop
    said = []
    hidden_min = (stop["approach_min"] or 0.0) - data.drawn_before_min
    if hidden_min >= 1:
        said.append(
            _(
                "The way to it began {whole} before plug-in; its first {hidden} are not drawn.",
                whole=minutes(stop["approach_min"]),
                hidden=minutes(hidden_min),
            )
        )
    if stop["stay_min"] and stop["stay_min"] > MOST_DRAWN_MIN:
        said.append(_("The stay is drawn up to {n}.", n=minutes(MOST_DRAWN_MIN)))
    if data.breaks_min:
        said.append(
            ngettext(
                "Hatched: {n} pause in the samples.",
                "Hatched: {n} pauses in the samples.",
                len(data.breaks_min),
            )
        )
    if data.is_rental:
        said.append(_("A rental: no time of day is printed."))
    return " ".join(said)


def _minute_rows(data: StopData) -> list[Row]:
    """Minutes by cause with their intervals and bars; whole numbers that add up to their sum."""
    stop = data.stop
    if stop["lost_cold_min"] is None:
        return []
    cold, site = stop["lost_cold_min"], stop["lost_site_min"] or 0.0
    held = stop["held_back_min"] or 0.0
    rest = (stop["lost_unexplained_min"] or 0.0) - held
    parts: list[tuple[str, str, float, MinutesInterval | None]] = [
        ("cold", _("Cold battery"), cold, cold_interval(stop, data.residual_rate)),
        ("site", words_of("site", CAUSE_WORDS), site, site_interval(stop, data.residual_rate)),
        ("held_back", words_of("held_back", CAUSE_WORDS), held, None),
        ("unexplained", words_of("unexplained", CAUSE_WORDS), rest, None),
    ]
    kept = [part for part in parts if part[0] in ("cold", "unexplained") or abs(part[2]) >= 0.05]
    shown = adding_up([part[2] for part in kept])
    ends = [abs(part[2]) for part in kept] + [part[3].high_min for part in kept if part[3]]
    scale = 96.0 / max([1.0, *ends])
    rows = [
        {
            "code": code,
            "words": words[:1].upper() + words[1:],
            "minutes": number(whole),
            "interval": f"{number(span.low_min, 1)} – {number(span.high_min, 1)}" if span else "",
            "width": round(abs(value) * scale, 2),
            "low_x": round(max(span.low_min, 0.0) * scale, 2) if span else None,
            "high_x": round(span.high_min * scale, 2) if span else None,
            "whisker": round((span.high_min - max(span.low_min, 0.0)) * scale, 2) if span else None,
            "title": f"{words}: {minutes(value, 1)}",
            "fill": CAUSE_MARKS[_MARK_OF.get(code, code)].fill,
            "edge": CAUSE_MARKS[_MARK_OF.get(code, code)].edge,
            "whisker_fill": INK,
            "whisker_edge": PAPER,
        }
        for (code, words, value, span), whole in zip(kept, shown, strict=True)
    ]
    whole_row = {
        "code": "whole", "words": _("Sum, beyond a warm battery"),
        "minutes": number(sum(shown)), "interval": "", "width": None, "low_x": None,
        "high_x": None, "title": "",
    }  # fmt: skip
    return [*rows, whole_row]


def _minutes_note(data: StopData, rows: list[Row]) -> str:
    stop = data.stop
    if not rows:
        return ""
    if not any(row["interval"] for row in rows):
        return _("No interval: too few like charges are known.")
    said = ngettext(
        "90 % intervals, as far as {n} like charge of this model shows.",
        "90 % intervals, as far as {n} like charges of this model show.",
        len(data.residual_rate),
    )
    avoidable = stop["avoidable_min"]
    if avoidable is not None:
        said += " " + (
            _("Of the cold minutes {n} were avoidable.", n=minutes(avoidable))
            if round(avoidable) > 0
            else _("None of the cold minutes counts as avoidable.")
        )
    return said


def _file_row(row: Row) -> Row:
    kinds = {
        "samples": _("time series"),
        "nav_events": _("destinations"),
        "sessions": _("summary"),
    }
    return {
        "kind": kinds.get(row["kind"], row["kind"]),
        "path": name(row["file_path"], 70),
        "rows": f"{number(row['first_file_row'])} – {number(row['last_file_row'])}",
        "rows_n": row["rows_n"],
        "sha256": row["content_sha256"],
    }


def _more_files(more_n: int) -> str:
    if more_n <= 0:
        return ""
    return ngettext(
        "and {n} more file, in tables/stop_inputs.csv",
        "and {n} more files, in tables/stop_inputs.csv",
        more_n,
    )

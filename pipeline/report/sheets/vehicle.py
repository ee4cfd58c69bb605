"""The vehicle sheet: one vehicle's week on one page, with a workshop box where it needs one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import duckdb

from pipeline.config import Fleet
from pipeline.report.doubts import doubt_row
from pipeline.report.filters import name, one_line
from pipeline.report.language import _, ngettext
from pipeline.report.pages import lines_of
from pipeline.report.rows import coverage_row, finding, stop_row
from pipeline.report.sheets.paper import Sheet, file_stem, heading_name, sheet_html
from pipeline.report.sheets.vehicle_charts import Compared, against_fleet
from pipeline.report.sheets.vehicle_data import Vehicles, read_vehicles
from pipeline.report.sheets.vehicle_figures import fleet_words, has_band, number_rows, week_cards
from pipeline.report.sheets.vehicle_workshop import FEW_STOPS, workshop_box
from pipeline.report.weekdata import Row, WeekData, read_week, week_words
from pipeline.report.words import isolated

_MOST_FINDINGS = 2
_MOST_STOPS = 26
_LEAST_STOPS = 1
_ROOM_MM = 126.0
"""Height for stops, signals and workshop: the page less head, figures and cautions."""
_LOW_MM = 16.0
_TALL_MM = 26.0
_STOP_MM = 3.9
_NOTE_MM = 3.4
_BESIDE_MM = 7.0


def vehicle_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    *,
    instant: datetime,
    version: str,
    method_version: str,
    vehicle_ids: Sequence[str] | None = None,
    week: WeekData | None = None,
) -> list[Sheet]:
    """One page for each vehicle with a finding of the week, or for those asked for.

    Parameters
    ----------
    vehicle_ids
        Vehicles asked for; None takes those that the findings name. Unknown ones make no sheet.
    week
        The weekly tables where they are read already.
    instant, version, method_version
        Of the edition, as `pipeline.report.sheets.paper.sheet_html` takes them.

    Raises
    ------
    ColdMinutesError
        ``REPORT-02`` where the weekly tables hold no such week.

    Notes
    -----
    Needs the weekly tables of the connection. Rental stops carry their local date and no time; no
    driver is named.
    """
    week = week or read_week(con, week_id, fleet)
    wanted = set(vehicle_ids) if vehicle_ids is not None else found_vehicles(week)
    rows = [row for row in week.vehicles if row["vehicle_id"] in wanted]
    if not rows:
        return []
    vehicles = read_vehicles(con, fleet, week)
    return [
        Sheet(
            path=f"vehicles/{file_stem(row['vehicle_id'])}",
            html=sheet_html(
                "vehicle_sheet.html.j2",
                fleet,
                vehicle_context(vehicles, row, fleet),
                title=_(
                    "{vehicle}, {week_id}", vehicle=name(row["vehicle_name"], 60), week_id=week_id
                ),
                running=_(
                    "{operator} · {vehicle} · {week_id} · method {method}",
                    operator=isolated(fleet.settings.operator),
                    vehicle=isolated(row["vehicle_name"]),
                    week_id=week_id,
                    method=method_version,
                ),
                instant=instant,
                version=version,
                method_version=method_version,
            ),
        )
        for row in rows
    ]


def found_vehicles(week: WeekData) -> set[str]:
    """Ids of the vehicles that a finding of the week is about."""
    return {row["subject_id"] for row in week.attention if row["kind"] == "vehicle"}


def vehicle_context(vehicles: Vehicles, vehicle: Row, fleet: Fleet) -> Row:
    """Every variable of the template that is the sheet's own."""
    week = vehicles.week
    vehicle_id = vehicle["vehicle_id"]
    box = workshop_box(vehicles, vehicle, fleet)
    found = [
        row
        for row in week.attention
        if row["kind"] == "vehicle" and row["subject_id"] == vehicle_id
    ]
    # The box takes the room of a second finding; its own is the most important one.
    findings = [finding(row, {}) for row in found[: 1 if box else _MOST_FINDINGS]]
    signals = _signals(vehicles, vehicle_id, is_short=box is not None)
    if box and _room_mm(findings, box, signals) < _LEAST_STOPS * _STOP_MM:
        box = workshop_box(vehicles, vehicle, fleet, FEW_STOPS)
    stops = [_stop(stop_row(row)) for row in week.stops if row["vehicle_id"] == vehicle_id]
    shown = _most_cold(stops, _stops_that_fit(_room_mm(findings, box, signals)))
    return {
        "vehicle_name": heading_name(vehicle["vehicle_name"]),
        "is_long_name": len(one_line(vehicle["vehicle_name"])) > 34,
        "vehicle_id": name(vehicle_id, 40),
        "model_name": name(vehicle["model_name"], 34)
        if vehicle["model_name"]
        else _("model not known"),
        "week_words": week_words(week.week_id),
        "week_id": week.week_id,
        "findings": findings,
        "summary": "" if findings else _summary_words(vehicle),
        "cards": week_cards(vehicles, vehicle, fleet, _LOW_MM if box else _TALL_MM),
        "has_band": has_band(vehicles, vehicle_id),
        "numbers": number_rows(vehicles, vehicle),
        "against": against_fleet(_lines(vehicles, vehicle_id), fleet.settings.target_hit_rate),
        "against_words": fleet_words(vehicles, vehicle_id),
        "stops": shown,
        "stops_more": _more_stops(len(stops) - len(shown)),
        "signals": signals,
        "box": box,
        "degree": "°F" if fleet.settings.units.temperature == "degf" else "°C",
    }


def _lines(vehicles: Vehicles, vehicle_id: str) -> list[Compared]:
    week = vehicles.week
    n = len(vehicles.week_ids)
    whole = ngettext("{n} week", "{n} weeks", n)
    return [
        Compared(_("Vehicle, this week"), vehicles.by_id(week.vehicles, vehicle_id), True),
        Compared(_("Fleet, this week"), week.edition, False),
        Compared(_("Vehicle, {weeks}", weeks=whole), vehicles.pooled.get(vehicle_id), True),
        Compared(_("Fleet, {weeks}", weeks=whole), vehicles.pooled.get(None), False),
    ]


def _summary_words(vehicle: Row) -> str:
    if vehicle["is_silent"]:
        return _("No data came from it this week, so nothing can be said about it.")
    if not vehicle["stops_n"]:
        return _("It made no fast-charge stop this week.")
    return _("No finding of the week is about this vehicle; its figures are here on request.")


def _stop(row: Row) -> Row:
    """A stop of the table; its reason, or why its cause is not known."""
    return {
        **row,
        "site": name(row["site_name"], 26),
        "stop_words": row["why_words"] or row["null_words"],
    }


def _most_cold(stops: list[Row], most_n: int) -> list[Row]:
    """As many stops as fit, those that lost most to the cold, in the order they came in."""
    if len(stops) <= most_n:
        return stops
    order = sorted(range(len(stops)), key=lambda at: (-(stops[at]["lost_cold_min"] or 0.0), at))
    return [stops[at] for at in sorted(order[:most_n])]


def _signals(vehicles: Vehicles, vehicle_id: str, *, is_short: bool) -> list[str]:
    """Which signals are missing or doubted, and, unless short, what each would unlock."""
    cover = vehicles.by_id(vehicles.week.coverage, vehicle_id)
    doubts = [row for row in vehicles.week.doubts if row["vehicle_id"] == vehicle_id]
    said = [_doubt_words(doubt_row(row), is_short=is_short) for row in doubts]
    if cover is None:
        return [*said, _("No data of this week.")]
    words = coverage_row(cover)
    if not words["missing_words"] and not said:
        said.append(_("All signals came."))
    if words["missing_words"]:
        said.append(_("Missing: {missing}.", missing=words["missing_words"]))
        if not is_short:
            said.append(_("The first of them would unlock: {unlocks}.", unlocks=words["unlocks"]))
    if cover["missing_min"] and cover["missing_min"] >= 1:
        said.append(
            ngettext(
                "{n} minute without samples at its stops or on the way to them.",
                "{n} minutes without samples at its stops or on the way to them.",
                round(cover["missing_min"]),
            )
        )
    return said


def _doubt_words(told: Row, *, is_short: bool) -> str:
    if is_short:
        return _(
            "Doubted and not used: {signal} ({days}).", signal=told["signal"], days=told["days"]
        )
    return _(
        "Doubted and not used: {signal} ({days}), {why}. It would unlock: {unlocks}.",
        **{key: told[key] for key in ("signal", "days", "why", "unlocks")},
    )


def _room_mm(findings: Sequence[Row], box: Row | None, signals: Sequence[str]) -> float:
    """Height left for the rows of the stop table, estimated from the words around it."""
    words_mm = (
        sum(4.4 * lines_of(f"{each['evidence']} {each['advice']}", 96) + 1.6 for each in findings)
        or 6.0
    )
    # They stand beside the numbers, and cost height only where they are longer than these.
    signals_mm = _NOTE_MM * lines_of(" ".join(signals), 60)
    box_mm = _box_mm(box) if box is not None else _TALL_MM - _LOW_MM
    return _ROOM_MM - words_mm - max(0.0, signals_mm - _BESIDE_MM) - box_mm


def _stops_that_fit(room_mm: float) -> int:
    return max(_LEAST_STOPS, min(_MOST_STOPS, int(room_mm / _STOP_MM)))


def _box_mm(box: Row) -> float:
    left = (f"{box['asked']} {box['doubt']}", box["expected"])
    left_mm = sum(_NOTE_MM * lines_of(each, 52) + 1.2 for each in left)
    right_mm = 3.4 + sum(_NOTE_MM * lines_of(each, 76) for each in box["checks"])
    return 31.0 + 4.2 * len(box["stops"]) + max(left_mm, right_mm) + (4.0 if box["more"] else 0.0)


def _more_stops(more_n: int) -> str:
    if more_n <= 0:
        return ""
    return ngettext(
        "Those that lost most to the cold; and {n} more stop, in tables/stops.csv",
        "Those that lost most to the cold; and {n} more stops, in tables/stops.csv",
        more_n,
    )

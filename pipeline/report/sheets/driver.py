"""The driver sheet: one page of respectful coaching, where the level of driver analysis allows it.

It compares nobody with anybody. Only stops at which warming was possible and worth it count; what
the vehicle, the place, the frost or a low charge decided is explained and does not.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import duckdb

from pipeline.advice import ADVICE_WEEKS_N
from pipeline.config import Fleet
from pipeline.judgement.shrinkage import shrunk_rates
from pipeline.privacy import driver_labels
from pipeline.report.filters import name, one_line, quantity_filters
from pipeline.report.language import N_, _, ngettext, speaking, spoken
from pipeline.report.rows import range_bar
from pipeline.report.sheets.driver_weeks import COUNTED, weeks_chart
from pipeline.report.sheets.driver_words import (
    Row,
    explained_rows,
    opening_words,
    place_rows,
    tips,
    well_words,
)
from pipeline.report.sheets.paper import Sheet, file_stem, sheet_html
from pipeline.report.words import FEW_STOPS
from pipeline.statistics import wilson_interval
from pipeline.warehouse import query
from pipeline.weeks import monday_of, weeks_before

LEAST_DRIVERS_N = 3
"""Among fewer, a pseudonym hides nobody; nor does a language that fewer drivers read."""

_MOST_LETTERS = 60


def driver_sheets(
    con: duckdb.DuckDBPyConnection,
    fleet: Fleet,
    week_id: str,
    *,
    instant: datetime,
    version: str,
    method_version: str,
) -> list[Sheet]:
    """One sheet per driver with a stop in the 13 weeks that end with ``week_id``.

    None at the levels ``off`` and ``totals`` of driver analysis, at ``pseudonyms`` without a full
    record, and there where fewer than `LEAST_DRIVERS_N` drivers had a stop. Rentals are never in
    it. A pseudonym's sheet holds no day and no time of a stop. Reads ``judged_stops`` and
    ``weekly_site_advice``; the order is that of the labels, which says nothing about the figures.
    """
    level = fleet.settings.privacy.shown_level
    if level not in ("pseudonyms", "names"):
        return []
    weeks = [*weeks_before(week_id, ADVICE_WEEKS_N - 1), week_id]
    params = {"week_ids": weeks, "zone": fleet.settings.time_zone}
    by_driver: dict[str, list[Row]] = {}
    for row in query(con, "sheets/driver_stops", params).iter_rows(named=True):
        by_driver.setdefault(row["driver_id"], []).append(row)
    if not by_driver or (level == "pseudonyms" and len(by_driver) < LEAST_DRIVERS_N):
        return []
    # Weeks before the fleet's first stop would show as weeks in which nobody charged.
    first = min(row["week_id"] for rows in by_driver.values() for row in rows)
    weeks = [each for each in weeks if each >= first]
    advised = con.sql("select * from weekly_site_advice").pl().to_dicts()
    labels = {
        row["driver_id"]: row["driver_label"]
        for row in driver_labels(fleet, sorted(by_driver)).iter_rows(named=True)
    }
    languages = _languages(fleet, sorted(by_driver), spoken().code)
    likely = _likely(by_driver) if not fleet.settings.privacy.missing_record else {}
    made = []
    for driver_id, label in sorted(labels.items(), key=lambda each: (each[1], each[0])):
        with speaking(languages[driver_id]):
            own = likely.get(driver_id)
            context = _context(fleet, by_driver[driver_id], weeks, advised, label, own)
            html = sheet_html(
                "driver.html.j2",
                fleet,
                context,
                title=_("Charging in the cold: {name}", name=context["driver_name"]),
                running=_(
                    "For {name} and nobody else. {operator}, method {method}",
                    name=name(context["driver_name"], 50),
                    operator=name(fleet.settings.operator, 40),
                    method=method_version,
                ),
                instant=instant,
                version=version,
                method_version=method_version,
            )
        made.append(Sheet(f"drivers/{sheet_stem(fleet, driver_id, label)}", html))
    return made


def sheet_stem(fleet: Fleet, driver_id: str, label: str) -> str:
    """Name, without suffix, of the file of a driver's sheet.

    Two drivers may bear one name; at the level of names the id is no secret.
    """
    is_named = fleet.settings.privacy.driver_analysis == "names"
    return file_stem(f"{label} {driver_id}" if is_named else label)


def _likely(by_driver: Mapping[str, Sequence[Row]]) -> dict[str, Row]:
    """Each driver's start rate over the stops that count, drawn towards the fleet's, by id.

    The sheet's own count of stops is used, so that the rate stands on the squares it prints.
    """
    ids = sorted(by_driver)
    verdicts = [Counter(row["verdict"] for row in by_driver[each]) for each in ids]
    began = [counts["went_well"] + counts["sooner"] for counts in verdicts]
    counted = [sum(counts[code] for code in COUNTED) for counts in verdicts]
    found = shrunk_rates(began, counted)
    return {
        each: {
            "start_rate": float(rate),
            "start_rate_low": float(low),
            "start_rate_high": float(high),
        }
        for each, n, rate, low, high in zip(ids, counted, *found, strict=True)
        if n
    }


def _languages(fleet: Fleet, driver_ids: Sequence[str], default: str) -> dict[str, str]:
    """The language of each driver's sheet.

    A pseudonym's language must not tell who it is: below `LEAST_DRIVERS_N` readers of it, the
    sheet is in the fleet's.
    """
    wanted = {
        each: (fleet.drivers[each].language if each in fleet.drivers else None) or default
        for each in driver_ids
    }
    if fleet.settings.privacy.driver_analysis == "names":
        return wanted
    readers = Counter(wanted.values())
    return {
        each: code if readers[code] >= LEAST_DRIVERS_N else default for each, code in wanted.items()
    }


def _context(
    fleet: Fleet,
    stops: Sequence[Row],
    weeks: Sequence[str],
    advised: Sequence[Row],
    label: str,
    likely: Row | None,
) -> dict[str, Any]:
    """Everything the page prints about one driver."""
    settings = fleet.settings
    filters = quantity_filters(settings)
    is_named = settings.privacy.driver_analysis == "names"
    counts = Counter(row["verdict"] for row in stops)
    counted_n = sum(counts[code] for code in COUNTED)
    began_n = counts["went_well"] + counts["sooner"]
    missed = [row for row in stops if row["verdict"] in ("missed", "sooner")]
    saved_min = _sum(stops, "net_saved_min")
    missed_min = _sum(missed, "net_missed_min")
    last_day = monday_of(weeks[-1]) + timedelta(days=6)
    return {
        "driver_name": _driver_name(label, is_named=is_named),
        "is_long_name": len(one_line(label)) > 40,
        "period": ngettext(
            "{n} week to {day}", "{n} weeks to {day}", len(weeks), day=spoken().long_day(last_day)
        ),
        "stands_on": ngettext("It stands on {n} stop.", "It stands on {n} stops.", len(stops)),
        "opening": opening_words(began_n, counted_n, saved_min, missed_min, filters["minutes"]),
        "figures": _figures(began_n, counted_n, saved_min, missed_min, filters, likely),
        "is_likely": likely is not None,
        "is_few": 0 < counted_n < FEW_STOPS,
        "chart": weeks_chart(stops, weeks),
        "well": well_words(stops, filters["minutes"]),
        "tips": tips(stops, filters["minutes"], filters["local_time"] if is_named else None),
        "places": place_rows(stops, advised, filters),
        "explained": explained_rows(stops),
        "explained_n": counts["explained"],
        "is_named": is_named,
        "purpose": name(settings.privacy.purpose, 160).rstrip("."),
    }


def _driver_name(label: str, *, is_named: bool) -> str:
    """A name from an export or the configuration may be of any length; the page has one line."""
    if is_named:
        return name(label, _MOST_LETTERS)
    return _("Driver {code}", code=label.removeprefix("driver "))


def _sum(rows: Sequence[Row], key: str) -> float | None:
    known = [row[key] for row in rows if row[key] is not None]
    return sum(known) if known else None


def _figures(
    began_n: int,
    counted_n: int,
    saved_min: float | None,
    missed_min: float | None,
    filters: Mapping[str, Callable[..., str]],
    likely: Row | None = None,
) -> list[Row]:
    """The three figures under the opening; the rate with its interval.

    With a full record that of `_likely`, which so few stops can bear; else Wilson's.
    """
    interval = wilson_interval(began_n, counted_n)
    has_rate = counted_n > 0
    rate = {
        "start_rate": began_n / counted_n if has_rate else None,
        "start_rate_low": float(interval.low) if has_rate else None,
        "start_rate_high": float(interval.high) if has_rate else None,
    }
    words = N_("of the stops that count; as a habit, between {low} and {high}")
    if likely is not None:
        rate = dict(likely)
        words = N_("of the stops that count; as a habit likely {rate}, between {low} and {high}")
    show, count = filters["rate"], filters["count"]
    return [
        {
            "title": _("Warming began on the way"),
            "value": _("{some} of {all}", some=count(began_n), all=count(counted_n))
            if has_rate
            else filters["count"](None),
            "bar": range_bar(rate, "start_rate", None),
            "detail": _(
                words,
                rate=show(rate["start_rate"]),
                low=show(rate["start_rate_low"]),
                high=show(rate["start_rate_high"]),
            )
            if has_rate
            else _("no stop counts"),
        },
        {
            "title": _("Saved by warming"),
            "value": filters["minutes"](saved_min),
            "bar": None,
            "detail": _("charging minutes, less those for putting its energy back"),
        },
        {
            "title": _("More to be had"),
            "value": filters["minutes"](missed_min),
            "bar": None,
            "detail": _("on the drives as they were, counted the same way"),
        },
    ]

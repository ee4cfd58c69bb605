"""One row of a weekly table becomes one row of the page: words for codes, bars for rates."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from pipeline.report.causes import main_cause
from pipeline.report.filters import kw, kwh, minutes, name, number, one_line
from pipeline.report.finding_words import advice_words, evidence_words
from pipeline.report.language import N_, _, ngettext
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import (
    EXPECTED_WORDS,
    FINDING_WORDS,
    MAIN_CAUSE_WORDS,
    OUTCOME_WORDS,
    WHY_WORDS,
    in_print,
    words_of,
)

_PSEUDONYM = re.compile(r"driver ([0-9A-Z]{4,12})")
_NO_DRIVER = (N_("unassigned"), N_("all drivers"))
_WORTH_A_WORD_MIN = 0.5
"""Cold minutes that print as 0 need no reason why they could not be avoided."""


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


def with_bar(row: Row, target: float | None) -> Row:
    """A row of rates with its bars."""
    return {
        **row,
        "hit_bar": range_bar(row, "hit_rate", target),
        "start_bar": range_bar(row, "start_rate", None),
    }


def with_label(row: Row) -> Row:
    """A driver's row with the words that stand for several, or for nobody, in print."""
    label = row["driver_label"]
    if label in _NO_DRIVER:
        return {**row, "driver_label": _(label)}
    pseudonym = _PSEUDONYM.fullmatch(label or "")
    return {**row, "driver_label": _("Driver {code}", code=pseudonym[1]) if pseudonym else label}


def costliest(stops: Sequence[Row], most: int) -> list[Row]:
    """The stops that cost most minutes, cold ones first, in the order they came in."""

    def cost(number: int) -> tuple[float, float]:
        stop = stops[number]
        other = stop["excess_min"] if stop["excess_min"] is not None else stop["lost_at_most_min"]
        return -(stop["lost_cold_min"] or 0.0), -(other or 0.0)

    chosen = sorted(range(len(stops)), key=cost)[:most]
    return [stops[number] for number in sorted(chosen)]


def finding(row: Row, site_words: Mapping[str, str]) -> Row:
    """A finding in words, with at most four of its stops.

    A site named for its avoidable minutes says when to set it, from ``site_words``.
    """
    stop_ids = [one_line(stop_id) for stop_id in row["stop_ids"] or []]
    shown = ", ".join(stop_ids[:4])
    if len(stop_ids) > 4:
        shown = ngettext(
            "{stops} and {n} more", "{stops} and {n} more", len(stop_ids) - 4, stops=shown
        )
    return {
        "kind": row["kind"],
        "subject": name(row["subject_name"] or row["subject_id"] or _("unknown place"), 44),
        "label": words_of(row["code"], FINDING_WORDS),
        "evidence": evidence_words(row),
        "advice": advice_words(row, site_words),
        "avoidable_min": row["avoidable_min"],
        "lost_cold_min": row["lost_cold_min"],
        "stops_n": row["stops_n"],
        "stop_ids": shown,
        "worth": _worth(row["facts"]),
    }


def _worth(facts: Row) -> Row | None:
    """What mending it would save a week, with its interval; None where that is not known."""
    if facts.get("worth_min") is None:
        return None
    return {
        "minutes": minutes(facts["worth_min"]),
        "interval": _(
            "{low} to {high}",
            low=number(facts["worth_low_min"]),
            high=number(facts["worth_high_min"]),
        ),
    }


def stop_row(row: Row) -> Row:
    """A stop in words; what is not known carries its reason."""
    return {
        **row,
        "outcome_words": words_of(row["outcome"], OUTCOME_WORDS),
        "why_words": _summary_words(row)
        if row["why"] == "summary_only"
        else words_of(row["why"], WHY_WORDS),
        "null_words": words_of(row["lost_why_null"], WHY_WORDS),
        "cause_words": words_of(main_cause(row), MAIN_CAUSE_WORDS),
        "why_not_words": _why_not_avoidable(row),
        "has_warming": bool(row["warming_min"]),
        "has_bound": row["excess_min"] is None and row["lost_at_most_min"] is not None,
        "is_cold_miss": row["outcome"] in ("part_warmed", "not_warmed"),
    }


def _why_not_avoidable(row: Row) -> str:
    """Why none of a stop's minutes count as avoidable; empty where warming was expected."""
    if row["excess_min"] is None:
        return ""
    if row["lost_cold_min"] is None:
        return words_of(row["split_why_null"], WHY_WORDS)
    if abs(row["lost_cold_min"]) < _WORTH_A_WORD_MIN and row["avoidable_min"] is not None:
        return ""
    return words_of(row["expected_why_not"], EXPECTED_WORDS)


def _summary_words(row: Row) -> str:
    """Energy, stay and highest power of a charge of which no more is known."""
    told = [f"{kwh(row['energy_kwh'], 0)}, {minutes(row['stay_min'])}"]
    if row["power_max_kw"] is not None:
        told.append(_("{power} max", power=kw(row["power_max_kw"])))
    return ", ".join(told)


_NO_MILD_WHY = {
    "too_few_mild_stops": N_("too few stays in mild weather to compare with"),
    "no_outside_temperature": N_("no outside temperature to tell mild weather by"),
}


def mild_power_row(row: Row) -> Row:
    """Average power of charges of which no more is known, against mild weather; no minutes."""
    if row["power_kw"] is None:
        return {"vehicle_name": row["vehicle_name"], "words": _("average power not known")}
    own = {
        "power": kw(row["power_kw"]),
        "interval": _interval(row["power_low_kw"], row["power_high_kw"]),
    }
    said = ngettext(
        "{power} on average over {n} stay{interval}",
        "{power} on average over {n} stays{interval}",
        row["stops_n"],
        **own,
    )
    if row["mild_power_kw"] is None:
        why = words_of(row["why_null"], _NO_MILD_WHY)
        return {"vehicle_name": row["vehicle_name"], "words": f"{said}; {why}"}
    mild = {
        "power": kw(row["mild_power_kw"]),
        "interval": _interval(row["mild_power_low_kw"], row["mild_power_high_kw"]),
    }
    against = (
        ngettext(
            "against {power}{interval} over its own {n} stay in mild weather",
            "against {power}{interval} over its own {n} stays in mild weather",
            row["mild_stops_n"],
            **mild,
        )
        if row["compared_with"] == "vehicle"
        else ngettext(
            "against {power}{interval} over all vehicles' {n} stay in mild weather at the same "
            "sites",
            "against {power}{interval} over all vehicles' {n} stays in mild weather at the same "
            "sites",
            row["mild_stops_n"],
            **mild,
        )
    )
    return {"vehicle_name": row["vehicle_name"], "words": f"{said}, {against}"}


def _interval(low: float | None, high: float | None) -> str:
    """In brackets after a blank; empty where there is none."""
    if low is None or high is None:
        return ""
    return " " + _("({low} to {high})", low=number(low), high=number(high))


def has_gap(row: Row) -> bool:
    """Whether a vehicle's data lack anything that the report would use."""
    counts = ("missing_min", "dc_unknown_n", "reported_only_n")
    return bool(not row["samples_n"] or row["missing_signals"] or any(row[key] for key in counts))


def coverage_row(row: Row) -> Row:
    """A vehicle's coverage with its missing signals in words."""
    signals = [in_print(signal) for signal in row["missing_signals"] or []]
    return {**row, "missing_words": ", ".join(signals), "unlocks": in_print(row["unlocks"])}


def coverage_facts(week: WeekData) -> Row:
    """Sums over the coverage of all vehicles."""
    rows = week.coverage
    return {
        "vehicles_n": max(len(rows), len(week.vehicles)),
        "with_data_n": sum(1 for row in rows if row["samples_n"] or row["dc_stops_n"]),
        "samples_n": sum(row["samples_n"] or 0 for row in rows),
        "ac_charges_n": sum(row["ac_charges_n"] or 0 for row in rows),
        "dc_unknown_n": sum(row["dc_unknown_n"] or 0 for row in rows),
        "reported_only_n": sum(row["reported_only_n"] or 0 for row in rows),
        "missing_min": sum(row["missing_min"] or 0 for row in rows),
    }

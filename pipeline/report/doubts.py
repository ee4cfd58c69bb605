"""Signals that failed a test of plausibility: which, why, and which figure each would unlock."""

from __future__ import annotations

from pipeline.report.filters import date_words, number
from pipeline.report.language import _, ngettext, pgettext
from pipeline.report.weekdata import Row
from pipeline.report.words import in_print, words_of


def doubt_row(row: Row) -> Row:
    """A doubted signal in words."""
    return {
        "vehicle_name": row["vehicle_name"] or row["vehicle_id"],
        "signal": in_print(row["signal_name"]),
        "why": _why(row),
        "days": _days(row),
        "unlocks": in_print(row["unlocks"]),
    }


def _why(row: Row) -> str:
    kelvin = number(row["evidence_kelvin"], signed=True)
    hours = number(row["evidence_h"])
    if row["doubt"] == "frozen":
        return ngettext(
            "one and the same value in {n} reading, through {hours} h of driving and charging",
            "one and the same value in {n} readings, through {hours} h of driving and charging",
            row["evidence_n"],
            hours=hours,
        )
    if row["doubt"] == "is_outside":
        return _(
            "never more than {kelvin} K from the outside temperature, through {hours} h of driving "
            "and charging: it seems to be that one",
            kelvin=number(row["evidence_kelvin"], 1),
            hours=hours,
        )
    if row["doubt"] == "offset":
        return _(
            "{kelvin} K from the outside temperature: the offset of 40 that raw bytes carry seems "
            "to be left in, or taken off twice",
            kelvin=kelvin,
        )
    if row["doubt"] == "not_at_outside":
        return ngettext(
            "{kelvin} K from the outside temperature after {n} long stand in the open, of up to "
            "{hours} h",
            "{kelvin} K from the outside temperature after {n} long stands in the open, of up to "
            "{hours} h",
            row["evidence_n"],
            kelvin=kelvin,
            hours=hours,
        )
    return words_of(row["doubt"], {})


def _days(row: Row) -> str:
    first, last = row["from_date"], row["to_date"]
    if first == last:
        return date_words(first)
    return pgettext("days", "{first} to {last}", first=date_words(first), last=date_words(last))


def with_doubt(row: Row, doubted: dict[str, Row]) -> Row:
    """A row of coverage in words, with its doubted signal among the missing ones."""
    doubt = doubted.get(row["vehicle_id"])
    if doubt is None:
        return row
    words = _("{signal} (doubted, see below)", signal=doubt_row(doubt)["signal"])
    return row | {
        "missing_words": ", ".join(part for part in (words, row["missing_words"]) if part),
        "unlocks": row["unlocks"] or in_print(doubt["unlocks"]),
    }

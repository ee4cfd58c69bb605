"""Signals that failed a test of plausibility: which, why, and which figure each would unlock."""

from __future__ import annotations

from pipeline.report.filters import date_words, number, one_line
from pipeline.report.weekdata import Row
from pipeline.report.words import counted, words_of


def doubt_row(row: Row) -> Row:
    """A doubted signal in words."""
    return {
        "vehicle_name": row["vehicle_name"] or row["vehicle_id"],
        "signal": words_of(row["signal_name"], {}),
        "why": _why(row),
        "days": _days(row),
        "unlocks": one_line(row["unlocks"]),
    }


def _why(row: Row) -> str:
    kelvin = number(row["evidence_kelvin"], signed=True)
    hours = number(row["evidence_h"])
    if row["doubt"] == "frozen":
        return (
            f"one and the same value in {counted(row['evidence_n'], 'reading')}, through {hours} h "
            "of driving and charging"
        )
    if row["doubt"] == "is_outside":
        return (
            f"never more than {number(row['evidence_kelvin'], 1)} K from the outside temperature, "
            f"through {hours} h of driving and charging: it seems to be that one"
        )
    if row["doubt"] == "offset":
        return (
            f"{kelvin} K from the outside temperature: the offset of 40 that raw bytes carry seems "
            "to be left in, or taken off twice"
        )
    if row["doubt"] == "not_at_outside":
        return (
            f"{kelvin} K from the outside temperature after "
            f"{counted(row['evidence_n'], 'long stand')} in the open, of up to {hours} h"
        )
    return words_of(row["doubt"], {})


def _days(row: Row) -> str:
    first, last = row["from_date"], row["to_date"]
    return date_words(first) if first == last else f"{date_words(first)} to {date_words(last)}"


def with_doubt(row: Row, doubted: dict[str, Row]) -> Row:
    """A row of coverage in words, with its doubted signal among the missing ones."""
    doubt = doubted.get(row["vehicle_id"])
    if doubt is None:
        return row
    words = f"{doubt_row(doubt)['signal']} (doubted, see below)"
    return row | {
        "missing_words": ", ".join(part for part in (words, row["missing_words"]) if part),
        "unlocks": row["unlocks"] or one_line(doubt["unlocks"]),
    }

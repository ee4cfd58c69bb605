"""Quantities in print: one filter per quantity, named after it. Null prints as an en dash."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, datetime
from typing import Any

from pipeline.config import FleetSettings
from pipeline.report.language import spoken
from pipeline.units import degf_from_degc, miles_from_km

NONE = "–"
NBSP = "\u00a0"
MINUS = "\u2212"


def number(value: Any, digits: int = 0, *, signed: bool = False) -> str:
    """A decimal number with a true minus sign and groups of three; en dash for null.

    Examples
    --------
    >>> number(-1234.56, 1).replace(NBSP, " ")
    '−1 234.6'
    """
    if value is None:
        return NONE
    rounded = round(float(value), digits)
    if not math.isfinite(rounded):
        return NONE
    text = spoken().decimal(abs(rounded), digits)
    if rounded < 0:
        return MINUS + text
    return f"+{text}" if signed and rounded > 0 else text


def _with_unit(value: Any, digits: int, unit: str) -> str:
    text = number(value, digits)
    return text if text == NONE else f"{text}{NBSP}{unit}"


def minutes(value: Any, digits: int = 0) -> str:
    """Minutes with their unit."""
    return _with_unit(value, digits, "min")


def kwh(value: Any, digits: int = 1) -> str:
    """Energy with its unit."""
    return _with_unit(value, digits, "kWh")


def kw(value: Any) -> str:
    """Power with its unit."""
    return _with_unit(value, 0, "kW")


def rate(value: Any) -> str:
    """A share of 0 to 1 in per cent."""
    return NONE if value is None else _with_unit(float(value) * 100, 0, "%")


def soc(value: Any) -> str:
    """State of charge, bare number: the unit stands in the column's head."""
    return number(value)


def one_line(value: Any) -> str:
    """Text on one line, without control characters; names come from exports."""
    text = "" if value is None else str(value)
    kept = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(kept.split())


def name(value: Any, longest: int = 200) -> str:
    """A name on one line, shortened with an ellipsis where it is longer than asked."""
    text = one_line(value)
    if not text:
        return NONE
    return text if len(text) <= longest else text[: longest - 1].rstrip(" ,") + "…"


def plain(value: Any) -> str:
    """Number without unit, for columns whose head carries it."""
    return number(value)


def plain_tenths(value: Any) -> str:
    """As `plain`, one decimal."""
    return number(value, 1)


def amount(value: Any) -> str:
    """A sum of money without its currency, for columns whose head carries it."""
    return number(value, 2)


def count(value: Any) -> str:
    """A count."""
    return NONE if value is None else number(int(value))


def date_words(value: date | None) -> str:
    """``Mon 12 Jan``."""
    return NONE if value is None else spoken().day(value)


def local_time(value: datetime | None) -> str:
    """``Mon 12 Jan 07:40`` of a stamp that is already local; en dash for null."""
    return NONE if value is None else f"{date_words(value)} {value:%H:%M}"


def quantity_filters(settings: FleetSettings) -> dict[str, Callable[..., str]]:
    """All filters, with the fleet's currency and display units bound."""
    in_degf = settings.units.temperature == "degf"
    in_miles = settings.units.distance == "mi"

    def money(value: Any) -> str:
        return _with_unit(value, 2, settings.currency)

    def temperature(value: Any) -> str:
        if value is None:
            return NONE
        shown = degf_from_degc(float(value)) if in_degf else float(value)
        return _with_unit(shown, 0, "°F" if in_degf else "°C")

    def degrees(value: Any) -> str:
        if value is None:
            return NONE
        return number(degf_from_degc(float(value)) if in_degf else float(value))

    def distance(value: Any) -> str:
        if value is None:
            return NONE
        shown = miles_from_km(float(value)) if in_miles else float(value)
        return _with_unit(shown, 0, "mi" if in_miles else "km")

    return {
        "minutes": minutes,
        "kwh": kwh,
        "kw": kw,
        "rate": rate,
        "soc": soc,
        "name": name,
        "plain": plain,
        "plain_tenths": plain_tenths,
        "amount": amount,
        "count": count,
        "date_words": date_words,
        "local_time": local_time,
        "money": money,
        "temperature": temperature,
        "degrees": degrees,
        "distance": distance,
    }

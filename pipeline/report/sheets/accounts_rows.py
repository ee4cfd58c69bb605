"""Rows of money that add up: sites and vehicles, billed and estimated apart; bills by state."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.report.causes import adding_up
from pipeline.report.filters import NONE, name, number
from pipeline.report.language import N_, _, ngettext

Row = Mapping[str, Any]

_KWH_DIGITS = 1
_MEASURES = ("energy_kwh", "billed_cost", "estimated_cost")


@dataclass(frozen=True)
class Amounts:
    """How sums of money are printed: ISO 4217 code, and the digits its minor unit has."""

    currency: str
    digits: int

    def bare(self, value: float | None, *, signed: bool = False) -> str:
        """A sum without its currency, which stands in the head."""
        return number(value, self.digits, signed=signed)

    def named(self, value: float | None) -> str:
        """A sum with its currency."""
        text = self.bare(value)
        return text if text == NONE else f"{text}\u00a0{self.currency}"


def apportioned(values: Sequence[float | None], digits: int) -> list[int | None]:
    """Figures for print in units of the last digit, adding up to the rounded exact sum.

    Each is the figure below or above the exact one (largest remainder), so that two tables of the
    same charges end in the same total. Null stays null.

    Examples
    --------
    >>> apportioned([0.114, 0.114, 0.114, None], 2)
    [12, 11, 11, None]
    """
    known = [value * 10**digits for value in values if value is not None]
    whole = iter(adding_up(known)) if known else iter(())
    return [None if value is None else next(whole) for value in values]


def cost_table(
    rows: Sequence[Row], most: int, unknown: Callable[[], str] | None, amounts: Amounts
) -> dict[str, Any]:
    """Rows for print with their totals; what does not fit is summed up in a row of its own.

    Parameters
    ----------
    rows
        Of ``accounts_by_site`` or ``accounts_by_vehicle``, most money first.
    unknown
        Names the row without a name.

    Notes
    -----
    Each total is the sum of the printed figures of its column, and each row's sum that of its
    printed parts: nothing on the page is rounded twice.
    """
    shown = [_named(row, unknown) for row in rows[:most]]
    if rows[most:]:
        shown.append(_rest(rows[most:]))
    digits = {"energy_kwh": _KWH_DIGITS, "billed_cost": amounts.digits,
              "estimated_cost": amounts.digits}  # fmt: skip
    columns = {
        # Apportioned over all rows, not those shown: the rest is then a sum of printed figures too.
        key: apportioned([row[key] for row in shown], digits[key])
        for key in _MEASURES
    }
    sums = [
        _together([columns["billed_cost"][at], columns["estimated_cost"][at]])
        for at in range(len(shown))
    ]
    # The rest is no row among rows: it would flatten the bars of all others.
    longest = max((each for each in sums[:most] if each is not None), default=0)
    return {
        "rows": [
            {
                "name": row["name"],
                "charges": number(row["charges_n"]),
                "energy": _unscaled(columns["energy_kwh"][at], _KWH_DIGITS),
                "billed": _unscaled(columns["billed_cost"][at], amounts.digits),
                "estimated": _unscaled(columns["estimated_cost"][at], amounts.digits),
                "total": _unscaled(sums[at], amounts.digits),
                "basis": basis_words(row),
                "bar": _bar(columns["billed_cost"][at], columns["estimated_cost"][at], longest)
                if at < most
                else None,
            }
            for at, row in enumerate(shown)
        ],
        "total": {
            "charges": number(sum(row["charges_n"] for row in shown)),
            "energy": _unscaled(_together(columns["energy_kwh"]), _KWH_DIGITS),
            "billed": _unscaled(_together(columns["billed_cost"]), amounts.digits),
            "estimated": _unscaled(_together(columns["estimated_cost"]), amounts.digits),
            "total": _unscaled(_together(sums), amounts.digits),
        },
    }


def basis_words(row: Row) -> str:
    """Whether a row's money is billed or estimated, and by what."""
    priced = {
        N_("billed"): row["billed_n"],
        N_("estimate: tariff"): row["tariff_n"],
        N_("estimate: fleet’s price"): row["fleet_price_n"],
        N_("estimate: price assumed"): row["assumed_n"],
    }
    found = [words for words, n in priced.items() if n]
    if len(found) == 1:
        return _(found[0])
    if row["billed_n"]:
        return _("billed in part, {n} of {all}", n=row["billed_n"], all=row["charges_n"])
    return _("estimate: tariff in part") if found else NONE


def _named(row: Row, unknown: Callable[[], str] | None) -> dict[str, Any]:
    said = row["subject_name"] or row["subject_id"]
    return {**row, "name": unknown() if said is None and unknown else name(said, 25)}


def _rest(rows: Sequence[Row]) -> dict[str, Any]:
    counts = [key for key in rows[0] if key.endswith("_n")]
    return {
        **{key: sum(row[key] for row in rows) for key in counts},
        **{key: _sum(row[key] for row in rows) for key in _MEASURES},
        "name": ngettext("{n} more", "{n} more together", len(rows)),
    }


def _sum(values: Any) -> float | None:
    known = [value for value in values if value is not None]
    return math.fsum(known) if known else None


def _together(values: Sequence[int | None]) -> int | None:
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def _unscaled(value: int | None, digits: int) -> str:
    return number(None if value is None else value / 10**digits, digits)


def _bar(billed: int | None, estimated: int | None, longest: int) -> dict[str, float] | None:
    """A row's money on a scale of 0 to 100 that all rows share."""
    if longest <= 0:
        return None
    billed_x = max(billed or 0, 0) / longest * 100
    estimated_x = max(estimated or 0, 0) / longest * 100
    return {
        "billed": round(billed_x, 2),
        "estimated": round(min(estimated_x, 100 - billed_x), 2),
    }


def shares_bar(
    totals: Row | None, filters: Mapping[str, Callable[..., str]], amounts: Amounts
) -> dict[str, Any] | None:
    """How much of the month's money is billed; None without money."""
    if totals is None or not totals["total_cost"] or totals["total_cost"] <= 0:
        return None
    share = min(1.0, max(0.0, (totals["billed_cost"] or 0.0) / totals["total_cost"]))
    return {
        "billed_x": round(share * 100, 2),
        "estimated_x": round((1 - share) * 100, 2),
        "billed_words": _(
            "billed {sum}, {share}",
            sum=amounts.named(totals["billed_cost"] or 0.0),
            share=filters["rate"](share),
        ),
        "estimated_words": _(
            "estimated {sum}, {share}",
            sum=amounts.named(totals["estimated_cost"] or 0.0),
            share=filters["rate"](1 - share),
        ),
    }


_STATES = {
    "matched": N_("vehicle and bill agree"),
    "idle_fee": N_("agree, with a fee for standing on"),
    "energy_differs": N_("energy differs"),
    "cost_differs": N_("cost differs from the site’s tariff"),
    "billed_twice": N_("billed twice"),
    "billed_never_seen": N_("billed, not seen by the vehicle"),
    "seen_never_billed": N_("seen, not billed (yet)"),
}


def bill_rows(
    bills: Sequence[Row], filters: Mapping[str, Callable[..., str]], amounts: Amounts
) -> dict[str, Any] | None:
    """States of the month's charges between vehicle and bill; None without bills."""
    if not any(row["billed_cost"] is not None or row["billed_kwh"] is not None for row in bills):
        return None
    order = list(_STATES)
    found = sorted(
        bills, key=lambda row: order.index(row["status"]) if row["status"] in order else len(order)
    )
    energy = apportioned([row["billed_kwh"] for row in found], _KWH_DIGITS)
    money = apportioned([row["billed_cost"] for row in found], amounts.digits)
    return {
        "rows": [
            {
                "words": _(_STATES[row["status"]]) if row["status"] in _STATES else row["status"],
                "charges": filters["count"](row["charges_n"]),
                "energy": _unscaled(energy[at], _KWH_DIGITS),
                "cost": _unscaled(money[at], amounts.digits),
            }
            for at, row in enumerate(found)
        ],
        "total": {
            "charges": filters["count"](sum(row["charges_n"] for row in found)),
            "energy": _unscaled(_together(energy), _KWH_DIGITS),
            "cost": _unscaled(_together(money), amounts.digits),
        },
    }

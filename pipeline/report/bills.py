"""The section on bills: what vehicle, charger and bill agree on, and what to do where they differ.

Nothing is claimed here that `weekly_reconciliation` does not claim; what it leaves open is said.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pipeline.method import CONSTANTS
from pipeline.report.filters import NONE, date_words, kwh, local_time, name, number, one_line
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import counted
from pipeline.sides import (
    COST_TOLERANCE_RATE,
    EFFICIENCY_TOLERANCE,
    ENERGY_LEAST_KWH,
)

_MOST_EXCEPTIONS = 4
"""A third of a page has room for so many; the table has all of them."""
_MOST_NUMBER = 24
"""So many letters of a biller's number are printed; the table has all of them."""

_WHAT_WORDS = {
    "billed_twice": "billed twice",
    "no_charge_then": "billed, never seen",
    "seen_never_billed": "seen, never billed",
    "above_received": "more energy than losses explain",
    "below_received": "less energy than the pack took",
    "charger_differs": "charger's meter and pack differ",
    "above_tariff": "billed above the site's tariff",
    "below_tariff": "billed below the site's tariff",
    "idle_fee": "fee for standing on",
}
_NEXT = {
    "billed_twice": "Ask the biller to cancel one of the two bills for that time.",
    "no_charge_then": "Ask who used the card; if nobody did, dispute the bill.",
    "no_charge_then_logged": "The charger's log has it: find the vehicle, and whose card it is.",
    "seen_never_billed": "Expect a late bill; if none comes, ask the operator.",
    "above_received": "Ask the biller for the meter's readings.",
    "below_received": "Nothing to claim. If it recurs, check the power signal.",
    "charger_differs": "If it recurs, check the meter, then the power signal.",
    "above_tariff": "Taxes in it, or an old price in sites.toml? Else dispute it.",
    "below_tariff": "Nothing to claim. Bring the price in sites.toml up to date.",
    "idle_fee": "Unplug when the charge ends.",
}

_TALLY = (
    ("Seen and billed", "seen_billed", True),
    ("Seen, at an own charger that logs it", "own_charger", False),
    ("Seen, never billed where bills come", "never_billed", True),
    ("Billed, never seen", "never_seen", True),
    ("Billed twice", "billed_twice", False),
    ("More energy billed than losses explain", "energy_above", False),
    ("Less energy billed than the pack took", "energy_below", False),
    ("Charger's meter and pack differ", "charger_differs", False),
    ("Billed above the site's tariff", "cost_above", False),
    ("Billed below the site's tariff", "cost_below", False),
    ("Fees for standing on, as billed", "idle_fee", False),
)
"""Words, key, and whether the line stands there even where it counts nothing."""


def bills_section(week: WeekData, filters: dict[str, Callable[..., str]]) -> Row | None:
    """What the section prints; None in a week without bills and chargers' logs."""
    bills = week.bills
    if bills is None:
        return None
    efficiency = float(CONSTANTS["charging_efficiency"])
    exceptions = sorted((row for row in week.reconciliation if row["is_exception"]), key=_weight)
    return {
        "tally": [_line(bills, *line[:2]) for line in _TALLY if line[2] or bills[f"{line[1]}_n"]],
        "open": _open_words(bills, filters["money"]),
        "exceptions": [_exception(row) for row in exceptions[:_MOST_EXCEPTIONS]],
        "least_loss_rate": 1 - efficiency - EFFICIENCY_TOLERANCE,
        "most_loss_rate": 1 - efficiency + EFFICIENCY_TOLERANCE,
        "least_kwh": ENERGY_LEAST_KWH,
        "price_rate": COST_TOLERANCE_RATE,
        "has_logs": bills["readings_n"] > 0,
        "more_n": max(0, len(exceptions) - _MOST_EXCEPTIONS),
    }


def _weight(row: Row) -> tuple[float, str, str]:
    """Most money first; equal sums are settled by what is printed."""
    money = row["idle_fee_cost"] if row["status"] == "idle_fee" else row["difference_cost"]
    return (-abs(money or 0.0), str(row["charge_date"]), f"{row['vehicle_name']} {row['stop_id']}")


def _line(bills: Row, words: str, key: str) -> Row:
    count_n, priced_n = bills[f"{key}_n"], bills.get(f"{key}_priced_n")
    if priced_n is not None and priced_n < count_n:
        words += f" (money of {priced_n})"
    return {
        "words": words,
        "count_n": count_n,
        "energy_kwh": bills.get(f"{key}_kwh"),
        "money_cost": bills.get(f"{key}_cost"),
    }


def _open_words(bills: Row, money: Callable[..., str]) -> list[str]:
    """What is not claimed, and why; nothing that counts none."""
    unlinked_n = bills["unlinked_records_n"]
    silent = bills["vehicle_silent_cost"]
    said = (
        (
            unlinked_n,
            f"{counted(unlinked_n, 'record')} of cards that lead to no vehicle: add them to "
            "cards.toml"
            + (
                f". {_charges(bills['bill_unlinked_n'])} without a bill may be theirs"
                if bills["bill_unlinked_n"]
                else ""
            ),
        ),
        (
            bills["vehicle_silent_n"],
            f"{_charges(bills['vehicle_silent_n'])} billed ({money(silent)}) while the vehicle "
            "sent nothing",
        ),
        (
            bills["not_billed_yet_n"],
            f"{_charges(bills['not_billed_yet_n'])} later than the last bill that came: not "
            "billed yet",
        ),
        (
            bills["site_never_bills_n"],
            f"{_charges(bills['site_never_bills_n'])} at sites that never sent a bill",
        ),
        (
            bills["place_unknown_n"],
            f"{_charges(bills['place_unknown_n'])} without a bill at an unknown place",
        ),
        (
            bills["clock_not_set_n"],
            f"{_charges(bills['clock_not_set_n'])} with another energy in the log of a charger "
            "whose clock cannot be set: too few charges seen by both",
        ),
        (
            bills["heating_n"],
            f"{_charges(bills['heating_n'])} with more energy at the meter, which heating the "
            "battery at the plug explains or may explain",
        ),
        (
            bills["no_log_n"],
            f"{_charges(bills['no_log_n'])} at the fleet's own chargers, whose logs do not show "
            f"{'it' if bills['no_log_n'] == 1 else 'them'}",
        ),
        (
            bills["energy_not_judged_n"],
            f"energy of {_charges(bills['energy_not_judged_n'])}, for want of samples or of an "
            "energy billed",
        ),
        (
            bills["no_tariff_n"],
            f"price of {_charges(bills['no_tariff_n'])}: the site's tariff is not known",
        ),
    )
    return [words for count_n, words in said if count_n]


def _charges(count_n: int) -> str:
    return counted(count_n, "charge")


def _kind(row: Row) -> str:
    if row["status"] in ("seen_never_billed", "idle_fee"):
        return str(row["status"])
    if row["status"] == "energy_differs" and not row["is_billed"]:
        return "charger_differs"
    return str(row["why"])


def _exception(row: Row) -> Row:
    """A charge with what is wrong with it, and what to do next."""
    kind = _kind(row)
    is_logged = kind == "no_charge_then" and row["is_charger_seen"] and row["is_clock_set"]
    record = one_line(row["record_id"])
    is_billed, metered = row["is_billed"], row["charger_kwh"]
    return {
        "when": date_words(row["charge_date"]) if row["is_rental"] else _when(row),
        "stop_id": row["stop_id"],
        "vehicle_name": row["vehicle_name"],
        "site_name": row["site_name"],
        "what": _WHAT_WORDS[kind],
        "record": name(record, _MOST_NUMBER) if record else None,
        "energy": _energy(row["expected_kwh"], row["billed_kwh"] if is_billed else metered),
        "billed_cost": row["billed_cost"],
        "difference": _difference(row, kind),
        "next": _NEXT[f"{kind}_logged" if is_logged else kind],
    }


def _when(row: Row) -> str:
    local = row["charge_local"]
    # A bill that knows only the day runs from midnight; a charge seen then did begin then.
    is_day = not row["is_seen"] and local is not None and (local.hour, local.minute) == (0, 0)
    return date_words(row["charge_date"]) if is_day else local_time(local)


def _energy(expected: float | None, metered: float | None) -> str:
    if expected is None and metered is None:
        return NONE
    return f"{number(expected, 1)} / {number(metered, 1)}"


def _difference(row: Row, kind: str) -> str:
    """Money in the fleet's disfavour with a plus; energy where no money is known."""
    if kind == "idle_fee":
        return f"fee {number(row['idle_fee_cost'], 2)}"
    if row["difference_cost"] is not None:
        return number(row["difference_cost"], 2, signed=True)
    unexplained: Any = row["unexplained_kwh"]
    return NONE if unexplained is None else kwh(unexplained)

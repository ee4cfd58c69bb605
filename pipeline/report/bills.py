"""The section on bills: what vehicle, charger and bill agree on, and what to do where they differ.

Nothing is claimed here that `weekly_reconciliation` does not claim; what it leaves open is said.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pipeline.method import CONSTANTS
from pipeline.report.filters import NONE, date_words, kwh, local_time, name, number, one_line
from pipeline.report.language import N_, NN_, _, ngettext
from pipeline.report.weekdata import Row, WeekData
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
    "billed_twice": N_("billed twice"),
    "no_charge_then": N_("billed, never seen"),
    "seen_never_billed": N_("seen, never billed"),
    "above_received": N_("more energy than losses explain"),
    "below_received": N_("less energy than the pack took"),
    "charger_differs": N_("charger's meter and pack differ"),
    "above_tariff": N_("billed above the site's tariff"),
    "below_tariff": N_("billed below the site's tariff"),
    "idle_fee": N_("fee for standing on"),
}
_NEXT = {
    "billed_twice": N_("Ask the biller to cancel one of the two bills for that time."),
    "no_charge_then": N_("Ask who used the card; if nobody did, dispute the bill."),
    "no_charge_then_logged": N_(
        "The charger's log has it: find the vehicle, and whose card it is."
    ),
    "seen_never_billed": N_("Expect a late bill; if none comes, ask the operator."),
    "above_received": N_("Ask the biller for the meter's readings."),
    "below_received": N_("Nothing to claim. If it recurs, check the power signal."),
    "charger_differs": N_("If it recurs, check the meter, then the power signal."),
    "above_tariff": N_("Taxes in it, or an old price in sites.toml? Else dispute it."),
    "below_tariff": N_("Nothing to claim. Bring the price in sites.toml up to date."),
    "idle_fee": N_("Unplug when the charge ends."),
}

_TALLY = (
    (N_("Seen and billed"), "seen_billed", True),
    (N_("Seen, at an own charger that logs it"), "own_charger", False),
    (N_("Seen, never billed where bills come"), "never_billed", True),
    (N_("Billed, never seen"), "never_seen", True),
    (N_("Billed twice"), "billed_twice", False),
    (N_("More energy billed than losses explain"), "energy_above", False),
    (N_("Less energy billed than the pack took"), "energy_below", False),
    (N_("Charger's meter and pack differ"), "charger_differs", False),
    (N_("Billed above the site's tariff"), "cost_above", False),
    (N_("Billed below the site's tariff"), "cost_below", False),
    (N_("Fees for standing on, as billed"), "idle_fee", False),
)
"""Words, key, and whether the line stands there even where it counts nothing."""


_OPEN = {
    "not_billed_yet": NN_(
        "{n} charge later than the last bill that came: not billed yet",
        "{n} charges later than the last bill that came: not billed yet",
    ),
    "site_never_bills": NN_(
        "{n} charge at sites that never sent a bill", "{n} charges at sites that never sent a bill"
    ),
    "place_unknown": NN_(
        "{n} charge without a bill at an unknown place",
        "{n} charges without a bill at an unknown place",
    ),
    "clock_not_set": NN_(
        "{n} charge with another energy in the log of a charger whose clock cannot be set: too few "
        "charges seen by both",
        "{n} charges with another energy in the log of a charger whose clock cannot be set: too "
        "few charges seen by both",
    ),
    "heating": NN_(
        "{n} charge with more energy at the meter, which heating the battery at the plug explains "
        "or may explain",
        "{n} charges with more energy at the meter, which heating the battery at the plug explains "
        "or may explain",
    ),
    "no_log": NN_(
        "{n} charge at the fleet's own chargers, whose logs do not show it",
        "{n} charges at the fleet's own chargers, whose logs do not show them",
    ),
    "energy_not_judged": NN_(
        "energy of {n} charge, for want of samples or of an energy billed",
        "energy of {n} charges, for want of samples or of an energy billed",
    ),
    "no_tariff": NN_(
        "price of {n} charge: the site's tariff is not known",
        "price of {n} charges: the site's tariff is not known",
    ),
}
"""What is not claimed, by the count of it in ``weekly_bills``."""


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
    said = _(words)
    if priced_n is not None and priced_n < count_n:
        said += " " + _("(money of {n})", n=number(priced_n))
    return {
        "words": said,
        "count_n": count_n,
        "energy_kwh": bills.get(f"{key}_kwh"),
        "money_cost": bills.get(f"{key}_cost"),
    }


def _open_words(bills: Row, money: Callable[..., str]) -> list[str]:
    """What is not claimed, and why; nothing that counts none."""
    said = [
        ngettext(one, many, bills[f"{key}_n"])
        for key, (one, many) in _OPEN.items()
        if bills[f"{key}_n"]
    ]
    if silent_n := bills["vehicle_silent_n"]:
        silent = ngettext(
            "{n} charge billed ({money}) while the vehicle sent nothing",
            "{n} charges billed ({money}) while the vehicle sent nothing",
            silent_n,
            money=money(bills["vehicle_silent_cost"]),
        )
        said.insert(0, silent)
    return [*_unlinked_words(bills), *said]


def _unlinked_words(bills: Row) -> list[str]:
    unlinked_n, unbilled_n = bills["unlinked_records_n"], bills["bill_unlinked_n"]
    if not unlinked_n:
        return []
    said = ngettext(
        "{n} record of cards that lead to no vehicle: add them to cards.toml",
        "{n} records of cards that lead to no vehicle: add them to cards.toml",
        unlinked_n,
    )
    if not unbilled_n:
        return [said]
    theirs = ngettext(
        "{n} charge without a bill may be theirs",
        "{n} charges without a bill may be theirs",
        unbilled_n,
    )
    return [f"{said}. {theirs}"]


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
        "what": _(_WHAT_WORDS[kind]),
        "record": name(record, _MOST_NUMBER) if record else None,
        "energy": _energy(row["expected_kwh"], row["billed_kwh"] if is_billed else metered),
        "billed_cost": row["billed_cost"],
        "difference": _difference(row, kind),
        "next": _(_NEXT[f"{kind}_logged" if is_logged else kind]),
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
        return _("fee {money}", money=number(row["idle_fee_cost"], 2))
    if row["difference_cost"] is not None:
        return number(row["difference_cost"], 2, signed=True)
    unexplained: Any = row["unexplained_kwh"]
    return NONE if unexplained is None else kwh(unexplained)

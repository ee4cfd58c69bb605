"""What could be done another time, and what the warming of one stop was worth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pipeline.config import Fleet
from pipeline.report.filters import minutes, number, quantity_filters
from pipeline.report.language import N_, _
from pipeline.report.sheets.stop_data import StopData
from pipeline.report.words import EXPECTED_WORDS, words_of

_NEXT = {
    "no_destination": N_(
        "Set the charger as the destination before setting off, never while driving: none was set."
    ),
    "set_too_late": N_(
        "Set the charger as the destination before setting off, never while driving: here it was "
        "set too late."
    ),
    "began_late": N_(
        "Set the charger as the destination before setting off, never while driving: here the "
        "warming began too late."
    ),
    "destination_not_recognised": N_(
        "Pick the charger from the vehicle's own list of charging places, before setting off: here "
        "another place was set, or one that the vehicle does not know as a charger."
    ),
    "approach_too_short": N_(
        "Charge after the longer drive, or warm on the cable before departure: this drive was too "
        "short."
    ),
    "too_cold_for_the_time": N_(
        "Begin on a warmer battery, on the cable or indoors: warming ran as long as it could."
    ),
    "cut_off_low_charge": N_(
        "Stop for charge a little earlier: low charge switched the warming off."
    ),
    "ended_early": N_(
        "Ask why warming ended before arrival; a destination cleared on the way is the usual thing "
        "to look for."
    ),
    "vehicle_did_not_respond": N_(
        "Have the vehicle checked; its own sheet holds a box for the workshop. Until then warm on "
        "the cable, or charge after a long drive."
    ),
    "vehicle_cannot_warm": N_(
        "This vehicle cannot warm on the way: charge it after a long drive, warm it on the cable, "
        "or park it indoors."
    ),
}


def next_steps(data: StopData, fleet: Fleet) -> list[str]:
    """What could be done another time, and whether it would be worth it here."""
    stop = data.stop
    said = [_(_NEXT[stop["why"]])] if stop["why"] in _NEXT else []
    if stop["outcome"] in ("warmed", "already_warm"):
        said.append(_("Nothing to mend: the battery was warm in time."))
    elif stop["outcome"] == "warmed_unneeded":
        said.append(_("Warming was not needed here; its energy could have been kept."))
    elif stop["outcome"] == "low_charge_hold":
        said.append(_("Stop for charge a little earlier: this low, the vehicle does not warm."))
    if stop["expected_why_not"] and stop["outcome"] in ("not_warmed", "part_warmed"):
        said.append(
            _(
                "Warming is not counted as expected at this stop: {why}.",
                why=words_of(stop["expected_why_not"], EXPECTED_WORDS),
            )
        )
    if stop["evidence_grade"] == "B":
        said.append(_("Export battery heater power: then it can be told when warming began."))
    if stop["evidence_grade"] in ("C", "D", "E"):
        said.append(
            _("Export cell temperatures and battery heater power: then the cause can be told.")
        )
    return said or [_("The evidence does not say what would have helped.")]


def worth_rows(data: StopData, fleet: Fleet) -> list[tuple[str, str]]:
    """Worth of the warming, or of what was missed; cash and valued time never added."""
    stop = data.stop
    money = quantity_filters(fleet.settings)["money"]
    price = stop["warming_price_per_kwh"]
    rows: list[tuple[str, str | None]] = [
        (_("Saved by the warming, net"), _known(stop["net_saved_min"], minutes)),
        (_("Missed by not warming, net"), _known(stop["net_missed_min"], minutes)),
        (_("In cash, fees saved taken off"), _known(stop["worth_cash"], money)),
        (_("Valued time, apart from cash"), _known(stop["worth_time"], money)),
        (_("In cash, had it warmed"), _known(stop["missed_worth_cash"], money)),
        (_("Valued time, had it warmed"), _known(stop["missed_worth_time"], money)),
        (
            _("Energy of the warming, cost"),
            f"{money(stop['warming_cost'])}"
            + (f" ({number(price, 2)}/kWh)" if price is not None else "")
            if stop["warming_min"] and stop["warming_cost"] is not None
            else None,
        ),
        (_("Idle at the plug"), _known(stop["idle_min"] or None, minutes)),
    ]
    return [(name, value) for name, value in rows if value is not None]


def _known(value: float | None, show: Callable[[Any], str]) -> str | None:
    return None if value is None else show(value)

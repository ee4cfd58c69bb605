"""`coldminutes signals`: one page that asks whoever provides the exports for what is needed.

Names, units and meanings are those of `pipeline.columns`; a signal that is there and not asked
for here is listed as such, so that the page cannot go stale without being seen.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any

from pipeline.columns import SAMPLE_SIGNALS, SIGNALS_BY_KIND, Signal
from pipeline.units import CONVERSIONS
from pipeline.weekly import UNLOCKS

WIDTH = 80


@dataclass(frozen=True)
class Wish:
    """How urgently and how often a sampled signal is wanted.

    Parameters
    ----------
    need
        ``least``: without it the report says little; ``better``: it unlocks a figure; ``else``:
        it makes a figure surer.
    least_s, better_s
        Longest useful interval and a good one [s]; None where every change counts.
    unlocks
        What it shows.
    """

    need: str
    least_s: int | None
    better_s: int | None
    unlocks: str


WISHES: dict[str, Wish] = {
    "sampled_at": Wish("least", 60, 10, "everything; with the offset from UTC"),
    "soc_pct": Wish("least", 60, 10, UNLOCKS["soc"][1]),
    "pack_power_kw": Wish("least", 60, 10, UNLOCKS["pack_power"][1]),
    "pack_current_a": Wish("else", 60, 10, "pack power, with the voltage, where it is missing"),
    "pack_voltage_v": Wish("else", 60, 10, "pack power, with the current, where it is missing"),
    "cell_temp_min_degc": Wish("least", 60, 10, UNLOCKS["cell_temp"][1]),
    "cell_temp_max_degc": Wish("else", 60, 10, "how even the warming is"),
    "ambient_degc": Wish("better", 600, 60, UNLOCKS["ambient"][1]),
    "heater_power_kw": Wish("better", 60, 10, UNLOCKS["heater"][1]),
    "is_conditioning": Wish("better", 60, 10, "warming, where the heater's power is not exported"),
    "speed_kmh": Wish("least", 60, 10, UNLOCKS["speed"][1]),
    "odometer_km": Wish("better", 300, 60, UNLOCKS["odometer"][1]),
    "is_connected": Wish("better", None, None, "waiting at the plug before and after the charge"),
    "charge_mode": Wish("better", None, None, "DC told from AC without guessing by power"),
    "site_id": Wish("else", None, None, UNLOCKS["place"][1]),
    "latitude_deg": Wish("better", 60, 10, UNLOCKS["place"][1]),
    "longitude_deg": Wish("better", 60, 10, UNLOCKS["place"][1]),
}
_NEEDS = {"least": "At least", "better": "Better with", "else": "Also welcome"}
_OTHERS = (
    ("nav_events", "Destinations, one row each time one is set or cleared: why a vehicle did not "
     "warm its battery"),
    ("sessions", "Charges, one row each, from a charge card or charger, where no samples are to "
     "be had: an upper bound of the minutes, and costs"),
    ("driver_spans", "Who drove what, only if drivers are to be told apart; ask whoever "
     "represents the staff first"),
)  # fmt: skip


def request_lines() -> list[str]:
    """The page, at most 80 columns wide."""
    lines = [
        "DATA REQUEST: cold batteries at fast chargers",
        "",
        *textwrap.wrap(
            "One row per vehicle and instant, in CSV, Parquet or XLSX, all weeks of the winter. "
            "A vehicle's name in each row, or in the file's name. Times in UTC or with their "
            "offset. Raw values rather than averages; an empty cell where there is no reading. "
            "Charging power and temperatures matter from half an hour before a fast charge to "
            "its end; in between a row a minute is plenty.",
            WIDTH,
        ),
    ]
    for need, title in _NEEDS.items():
        lines += ["", f"{title:<20}{'unit':<7}{'least':>7}{'better':>8}   shows"]
        for signal in SAMPLE_SIGNALS:
            wish = WISHES.get(signal.name, Wish("else", 60, 10, signal.meaning))
            if wish.need == need:
                lines += _row(signal, wish)
    lines += [
        "",
        *textwrap.wrap(f"Other units are fine if they are named: {_unit_words()}.", WIDTH),
    ]
    for kind, why in _OTHERS:
        names = ", ".join(name for name in SIGNALS_BY_KIND[kind])
        lines += ["", *textwrap.wrap(f"{why}. Columns: {names}.", WIDTH)]
    return lines


def request_rows() -> list[dict[str, Any]]:
    """The same as a table, one row per signal of any kind."""
    rows = []
    for kind, signals in SIGNALS_BY_KIND.items():
        for signal in signals.values():
            wish = WISHES.get(signal.name) if kind == "samples" else None
            rows.append(
                {
                    "kind": kind,
                    "signal": signal.name,
                    "unit": signal.unit or signal.value_type,
                    "need": wish.need if wish else None,
                    "least_interval_s": wish.least_s if wish else None,
                    "better_interval_s": wish.better_s if wish else None,
                    "shows": wish.unlocks if wish else None,
                    "meaning": signal.meaning,
                }
            )
    return rows


REQUEST_COLUMNS = (
    "kind", "signal", "unit", "need", "least_interval_s", "better_interval_s", "shows", "meaning",
)  # fmt: skip


def _row(signal: Signal, wish: Wish) -> list[str]:
    unit = signal.unit or {"flag": "0/1", "time": "time", "text": "text"}[signal.value_type]
    left = f"{signal.name:<20}{unit:<7}{_every(wish.least_s):>7}{_every(wish.better_s):>8}   "
    told = textwrap.wrap(wish.unlocks, WIDTH - len(left)) or [""]
    return [left + told[0], *(" " * len(left) + line for line in told[1:])]


def _every(interval_s: int | None) -> str:
    return "change" if interval_s is None else f"{interval_s} s"


def _unit_words() -> str:
    wanted = ("pct", "kw", "degc", "kmh", "km")
    return "; ".join(", ".join(CONVERSIONS[name]) for name in wanted)

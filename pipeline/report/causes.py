"""Where minutes went: the parts of a sum by cause, in the order in which they are drawn."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from pipeline.report.language import N_

Row = Mapping[str, Any]

CAUSE_WORDS = {
    "avoidable": N_("cold, avoidable"),
    "unavoidable": N_("cold, unavoidable"),
    "unjudged": N_("cold, not judged"),
    "site": N_("charger's own limit"),
    "held_back": N_("held back by the site"),
    "unexplained": N_("unexplained"),
    "unsplit": N_("cause not known"),
}
_LEAST_MIN = 0.05
"""A part below this, either way, is not drawn; it is rounding, or a charge that went as it should.
"""


class Part(NamedTuple):
    """A share of the minutes; may be negative (faster than the curve)."""

    code: str
    minutes: float


def parts_of(row: Row) -> list[Part]:
    """Minutes beyond a warm battery at an unlimited charger, by cause; they add up to `whole_of`.

    Reads the sums of ``weekly_fleet`` and its like. Cold minutes of stops at which nobody can say
    whether warming was possible are ``unjudged``; stops whose causes cannot be told are
    ``unsplit``.
    """
    held = row["held_back_min"] or 0.0
    values: dict[str, float] = {}
    if row["lost_cold_min"] is not None:
        avoidable, unavoidable = row["avoidable_min"] or 0.0, row["unavoidable_min"] or 0.0
        values = {
            "avoidable": avoidable,
            "unavoidable": unavoidable,
            "unjudged": row["lost_cold_min"] - avoidable - unavoidable,
            "site": row["lost_site_min"] or 0.0,
            "held_back": held,
            "unexplained": (row["lost_unexplained_min"] or 0.0) - held,
        }
    values["unsplit"] = row["unsplit_excess_min"] or 0.0
    return [Part(code, value) for code, value in values.items() if abs(value) >= _LEAST_MIN]


def cold_shown(row: Row) -> dict[str, int]:
    """Avoidable, unavoidable and not judged cold minutes for print; they add up to the cold."""
    cold = row["lost_cold_min"]
    if cold is None:
        return {}
    could, could_not = row["avoidable_min"] or 0.0, row["unavoidable_min"] or 0.0
    shown = adding_up([could, could_not, cold - could - could_not], cold)
    return dict(zip(("avoidable", "unavoidable", "unjudged"), shown, strict=True))


def parts_shown(row: Row) -> list[int]:
    """The minutes of `parts_of` for print, the same whole numbers as in every sentence."""
    shown = cold_shown(row)
    if row["lost_unexplained_min"] is not None:
        held = row["held_back_min"] or 0.0
        shown["held_back"], shown["unexplained"] = adding_up(
            [held, row["lost_unexplained_min"] - held], row["lost_unexplained_min"]
        )
    return [shown.get(part.code, round(part.minutes)) for part in parts_of(row)]


def whole_of(row: Row) -> float | None:
    """Minutes beyond a warm battery at an unlimited charger; None where no stop has them."""
    known = [row[key] for key in ("split_excess_min", "unsplit_excess_min") if row[key] is not None]
    return math.fsum(known) if known else None


def main_cause(stop: Row) -> str | None:
    """Code of the cause that took most of a stop's extra minutes; None below one minute."""
    if stop["lost_cold_min"] is None:
        return "unsplit" if stop["excess_min"] is not None else None
    held = stop["held_back_min"] or 0.0
    sizes = {
        "cold": stop["lost_cold_min"],
        "site": stop["lost_site_min"] or 0.0,
        "held_back": held,
        "unexplained": (stop["lost_unexplained_min"] or 0.0) - held,
    }
    code, most = max(sizes.items(), key=lambda pair: pair[1])
    return code if most >= 1.0 else None


def adding_up(parts: Sequence[float], whole: float | None = None) -> list[int]:
    """Whole numbers for print that add up to the rounded whole.

    Each is the figure below or above the exact one; those with the largest remainders go up
    (Hamilton's method of apportionment).

    Examples
    --------
    >>> adding_up([84.07, 91.47])
    [84, 92]
    >>> adding_up([-141.6, -55.6, -46.2], -243.4)
    [-141, -56, -46]
    """
    total = round(math.fsum(parts) if whole is None else whole)
    floors = [math.floor(part) for part in parts]
    up_n = total - sum(floors)
    order = sorted(range(len(parts)), key=lambda at: (floors[at] - parts[at], at))
    chosen = set(order[: max(0, up_n)])
    return [floor + (at in chosen) for at, floor in enumerate(floors)]

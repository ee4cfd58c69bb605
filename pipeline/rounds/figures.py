"""The figures kept of each edition, and which of them print otherwise than before. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

DIGITS: dict[str, int] = {
    "stops_n": 0,
    "rated_n": 0,
    "needed_warming_n": 0,
    "warmed_n": 0,
    "part_warmed_n": 0,
    "not_warmed_n": 0,
    "already_warm_n": 0,
    "unknown_n": 0,
    "cold_arrival_n": 0,
    "silent_n": 0,
    "hit_rate": 2,
    "start_rate": 2,
    "lost_min": 0,
    "lost_cold_min": 0,
    "lost_site_min": 0,
    "lost_unexplained_min": 0,
    "avoidable_min": 0,
    "net_saved_min": 0,
    "warming_kwh": 1,
    "warming_cost": 2,
    "idle_warming_kwh": 1,
    "range_given_up_km": 0,
    "worth_cash": 2,
}
"""Figures of the whole fleet in the order told, with the decimals that the report prints."""

Figures = Mapping[str, float | None]


@dataclass(frozen=True)
class Change:
    """One figure that prints otherwise; None is *not computable*."""

    figure: str
    before: float | None
    now: float | None


def changes_between(before: Figures, now: Figures) -> list[Change]:
    """The figures known to both that print otherwise, in the order of `DIGITS`.

    Examples
    --------
    >>> changes_between({"stops_n": 3.0, "lost_min": 9.9}, {"stops_n": 4.0, "lost_min": 10.1})
    [Change(figure='stops_n', before=3.0, now=4.0)]
    """
    return [
        Change(figure, before[figure], now[figure])
        for figure in DIGITS
        if figure in before
        and figure in now
        and _printed(figure, before[figure]) != _printed(figure, now[figure])
    ]


def as_json(changes: Sequence[Change]) -> str:
    """Text for the warehouse."""
    return json.dumps([asdict(change) for change in changes])


def from_json(text: str) -> list[Change]:
    """What `as_json` wrote."""
    return [Change(**entry) for entry in json.loads(text)]


def _printed(figure: str, value: float | None) -> float | None:
    # Adding 0 makes of -0.0, which prints like 0, the same number.
    return None if value is None else round(value, DIGITS[figure]) + 0.0

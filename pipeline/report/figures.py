"""The headline figures: number, what it is of, comparison with earlier weeks, small trend."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.report.filters import kwh, minutes, number, quantity_filters, rate
from pipeline.report.trends import trend_bars, trend_rates
from pipeline.report.weekdata import Row, WeekData, mean_of, pooled_rate
from pipeline.report.words import FEW_STOPS, change, counted


@dataclass(frozen=True)
class Figure:
    """One headline figure, ready to print."""

    label: str
    value: str
    unit: str
    detail: str
    change: str
    trend: Markup


def headline_figures(week: WeekData, fleet: Fleet) -> list[Figure]:
    """The four figures of page 1."""
    return [
        _lost(week),
        _rate(
            week,
            "Warming hit rate",
            "hit_rate",
            ("warmed_n",),
            "stops that needed it were warmed in time",
            fleet.settings.target_hit_rate,
        ),
        _rate(
            week,
            "Warming start rate",
            "start_rate",
            ("warmed_n", "part_warmed_n"),
            "such stops saw warming begin",
            None,
        ),
        _energy(week, fleet),
    ]


def _weeks(week: WeekData) -> list[Row]:
    return [*week.earlier[-4:], week.edition]


def _lost(week: WeekData) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    cold_n = now["cold_arrival_n"]
    lost = now["lost_cold_arrival_min"]
    # A sum over no stop is 0 where there was no cold arrival, and unknown where there was one.
    value = 0.0 if lost is None and cold_n == 0 and now["rated_n"] else lost
    detail = f"{counted(cold_n, 'stop')} arrived cold" if now["rated_n"] else "no stop is rated"
    cold = [
        stop["lost_min"]
        for stop in week.stops
        if stop["outcome"] in ("part_warmed", "not_warmed", "low_charge_hold")
        and stop["lost_min"] is not None
    ]
    if cold:
        detail += f", {minutes(sum(cold) / len(cold))} each on average"
    if now["lost_at_most_min"] is not None:
        detail += (
            f"; apart from this at most {minutes(now['lost_at_most_min'])} at "
            f"{counted(now['lost_at_most_stops_n'], 'stop')} known from summaries"
        )
    return Figure(
        "Lost at stops that arrived cold",
        number(value),
        "" if value is None else "min",
        detail,
        change(mean_of(earlier, "lost_cold_arrival_min"), len(earlier), minutes, " a week"),
        Markup(
            trend_bars(
                "Minutes lost at cold arrivals",
                [(row["week_id"], row["lost_cold_arrival_min"]) for row in _weeks(week)],
            )
        ),
    )


def _rate(
    week: WeekData,
    label: str,
    key: str,
    parts: tuple[str, ...],
    meaning: str,
    target: float | None,
) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    needed = now["needed_warming_n"]
    hits = sum(now[part] for part in parts)
    detail = "no stop needed warming" if now["rated_n"] else "no stop is rated"
    if needed:
        detail = (
            f"{hits} of {needed} {meaning}; "
            f"95 % interval {number(now[f'{key}_low'] * 100)} to {rate(now[f'{key}_high'])}"
        )
        if needed < FEW_STOPS:
            detail += "; too few to judge by"
    if target is not None:
        detail += f"; target {rate(target)}"
    value = now[key]
    return Figure(
        label,
        number(None if value is None else value * 100),
        "" if value is None else "%",
        detail,
        change(pooled_rate(earlier, parts, "needed_warming_n"), len(earlier), rate),
        Markup(
            trend_rates(
                label,
                [
                    (row["week_id"], row[key], row[f"{key}_low"], row[f"{key}_high"])
                    for row in _weeks(week)
                ],
                target,
            )
        ),
    )


def _energy(week: WeekData, fleet: Fleet) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    shown = quantity_filters(fleet.settings)
    detail = f"cost {shown['money'](now['warming_cost'])}"
    if now["range_given_up_km"] is not None:
        detail += f"; {shown['distance'](now['range_given_up_km'])} of range given up"
    if now["warming_unmeasured_n"]:
        detail += f"; {counted(now['warming_unmeasured_n'], 'warmed stop')} not measured"
    return Figure(
        "Energy for warming",
        number(now["warming_kwh"], 1),
        "" if now["warming_kwh"] is None else "kWh",
        detail,
        change(mean_of(earlier, "warming_kwh"), len(earlier), kwh, " a week"),
        Markup(
            trend_bars(
                "Energy for warming [kWh]",
                [(row["week_id"], row["warming_kwh"]) for row in _weeks(week)],
            )
        ),
    )

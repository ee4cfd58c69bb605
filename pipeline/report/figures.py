"""The headline figures: number, what it is of, comparison with earlier weeks, small trend."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.report.causes import cold_shown
from pipeline.report.filters import kwh, minutes, number, quantity_filters, rate
from pipeline.report.trends import trend_bars, trend_rates
from pipeline.report.weekdata import Row, WeekData, mean_of, pooled_rate
from pipeline.report.words import FEW_STOPS, between, change, counted


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
        _avoidable(week),
        _hit_rate(week, fleet.settings.target_hit_rate),
        _worth(week, fleet),
        _energy(week, fleet),
    ]


def _weeks(week: WeekData) -> list[Row]:
    return [*week.earlier[-4:], week.edition]


def _avoidable(week: WeekData) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    value = now["avoidable_min"]
    return Figure(
        "Avoidable cold minutes",
        number(None if value is None else cold_shown(now)["avoidable"]),
        "" if value is None else "min",
        _avoidable_detail(now),
        change(mean_of(earlier, "avoidable_min"), len(earlier), minutes, " a week"),
        Markup(
            trend_bars(
                "Avoidable cold minutes",
                [(row["week_id"], row["avoidable_min"]) for row in _weeks(week)],
            )
        ),
    )


def _avoidable_detail(now: Row) -> str:
    cold = now["lost_cold_min"]
    if cold is None:
        if not now["rated_n"]:
            detail = "no stop is rated"
        elif now["lost_stops_n"]:
            detail = "the minutes cannot be split by cause"
        else:
            detail = "no stop's minutes are known"
        if now["lost_at_most_min"] is not None:
            detail += (
                f"; at most {minutes(now['lost_at_most_min'])} from any cause at "
                f"{counted(now['lost_at_most_stops_n'], 'stop')} known from summaries"
            )
    else:
        said = between(now["lost_cold_low_min"], now["lost_cold_high_min"])
        detail = f"of {minutes(cold)} lost to cold{f' ({said})' if said else ''}"
        detail += (
            f"; {minutes(cold_shown(now)['unavoidable'])} unavoidable"
            if now["avoidable_min"] is not None
            else "; whether they were avoidable is not known"
        )
    return detail


def _hit_rate(week: WeekData, target: float | None) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    needed = now["needed_warming_n"]
    detail = "no stop needed warming" if now["rated_n"] else "no stop is rated"
    if needed:
        detail = (
            f"{now['warmed_n']} of {needed} stops that needed it were warmed in time; 95 % "
            f"interval {number(now['hit_rate_low'] * 100)} to {rate(now['hit_rate_high'])}; "
            f"warming began at {now['warmed_n'] + now['part_warmed_n']}"
        )
        if needed < FEW_STOPS:
            detail += "; too few to judge by"
    if target is not None:
        detail += f"; target {rate(target)}"
    value = now["hit_rate"]
    return Figure(
        "Warming hit rate",
        number(None if value is None else value * 100),
        "" if value is None else "%",
        detail,
        change(pooled_rate(earlier, ("warmed_n",), "needed_warming_n"), len(earlier), rate),
        Markup(
            trend_rates(
                "Warming hit rate",
                [
                    (row["week_id"], row["hit_rate"], row["hit_rate_low"], row["hit_rate_high"])
                    for row in _weeks(week)
                ],
                target,
            )
        ),
    )


def _worth(week: WeekData, fleet: Fleet) -> Figure:
    """Minutes, cash and valued time stand beside each other; nothing here adds them."""
    now, earlier = week.edition, week.earlier[-4:]
    money = quantity_filters(fleet.settings)["money"]
    saved = now["net_saved_min"]
    if saved is None:
        detail = (
            "what the warming saved cannot be computed"
            if now["warmed_n"] + now["part_warmed_n"] + now["warmed_unneeded_n"]
            else "no stop was warmed"
        )
    else:
        detail = f"at {counted(now['saved_stops_n'], 'warmed stop')}, energy put back"
        if now["worth_cash"] is not None:
            detail += f"; in cash {money(now['worth_cash'])}"
        if now["worth_time"] is not None and fleet.settings.driver_value_per_hour > 0:
            detail += f"; time worth {money(now['worth_time'])} stands apart"
        if now["break_even_per_hour"] is not None:
            detail += f"; pays where an hour is worth {money(now['break_even_per_hour'])}"
    return Figure(
        "Saved by warming, net",
        number(saved),
        "" if saved is None else "min",
        detail,
        change(mean_of(earlier, "net_saved_min"), len(earlier), minutes, " a week"),
        Markup(
            trend_bars(
                "Net minutes saved by warming",
                [(row["week_id"], row["net_saved_min"]) for row in _weeks(week)],
            )
        ),
    )


def _energy(week: WeekData, fleet: Fleet) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    shown = quantity_filters(fleet.settings)
    detail = (
        f"cost {shown['money'](now['warming_cost'])}"
        if now["warming_cost"] is not None
        else "cost not known"
        if now["warming_kwh"] is not None
        else "no heater was measured"
    )
    if now["range_given_up_km"] is not None:
        detail += f"; {shown['distance'](now['range_given_up_km'])} of range given up"
    if now["idle_warming_kwh"]:
        detail += f"; {kwh(now['idle_warming_kwh'])} warmed for nothing" + (
            f" ({shown['money'](now['idle_warming_cost'])})"
            if now["idle_warming_cost"] is not None
            else ""
        )
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

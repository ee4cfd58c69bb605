"""The headline figures: number, what it is of, comparison with earlier weeks, small trend."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.report.causes import cold_shown
from pipeline.report.filters import kwh, minutes, number, quantity_filters, rate
from pipeline.report.language import _, ngettext
from pipeline.report.trends import trend_bars, trend_rates
from pipeline.report.weekdata import Row, WeekData, mean_of, pooled_rate
from pipeline.report.words import FEW_STOPS, between, change


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
        _("Avoidable cold minutes"),
        number(None if value is None else cold_shown(now)["avoidable"]),
        "" if value is None else "min",
        _avoidable_detail(now),
        change(mean_of(earlier, "avoidable_min"), len(earlier), minutes, is_a_week=True),
        Markup(
            trend_bars(
                _("Avoidable cold minutes"),
                [(row["week_id"], row["avoidable_min"]) for row in _weeks(week)],
            )
        ),
    )


def _avoidable_detail(now: Row) -> str:
    cold = now["lost_cold_min"]
    if cold is None:
        if not now["rated_n"]:
            said = [_("no stop is rated")]
        elif now["lost_stops_n"]:
            said = [_("the minutes cannot be split by cause")]
        else:
            said = [_("no stop's minutes are known")]
        if now["lost_at_most_min"] is not None:
            said.append(
                ngettext(
                    "at most {minutes} from any cause at {n} stop known from summaries",
                    "at most {minutes} from any cause at {n} stops known from summaries",
                    now["lost_at_most_stops_n"],
                    minutes=minutes(now["lost_at_most_min"]),
                )
            )
        return _clauses(said)
    interval = between(now["lost_cold_low_min"], now["lost_cold_high_min"])
    of_cold = (
        _("of {minutes} lost to cold ({interval})", minutes=minutes(cold), interval=interval)
        if interval
        else _("of {minutes} lost to cold", minutes=minutes(cold))
    )
    rest = (
        _("{minutes} unavoidable", minutes=minutes(cold_shown(now)["unavoidable"]))
        if now["avoidable_min"] is not None
        else _("whether they were avoidable is not known")
    )
    return _clauses([of_cold, rest])


def _clauses(said: Sequence[str]) -> str:
    return "; ".join(said)


def _hit_rate(week: WeekData, target: float | None) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    needed = now["needed_warming_n"]
    said = [_("no stop needed warming") if now["rated_n"] else _("no stop is rated")]
    if needed:
        began_n = now["warmed_n"] + now["part_warmed_n"]
        said = [
            ngettext(
                "{warmed} of {n} stops that needed it were warmed in time",
                "{warmed} of {n} stops that needed it were warmed in time",
                needed,
                warmed=number(now["warmed_n"]),
            ),
            _(
                "95 % interval {low} to {high}",
                low=number(now["hit_rate_low"] * 100),
                high=rate(now["hit_rate_high"]),
            ),
            _("warming began at {stops}", stops=number(began_n)),
        ]
        if needed < FEW_STOPS:
            said.append(_("too few to judge by"))
    if target is not None:
        said.append(_("target {rate}", rate=rate(target)))
    value = now["hit_rate"]
    return Figure(
        _("Warming hit rate"),
        number(None if value is None else value * 100),
        "" if value is None else "%",
        _clauses(said),
        change(pooled_rate(earlier, ("warmed_n",), "needed_warming_n"), len(earlier), rate),
        Markup(
            trend_rates(
                _("Warming hit rate"),
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
        warmed_n = now["warmed_n"] + now["part_warmed_n"] + now["warmed_unneeded_n"]
        said = [
            _("what the warming saved cannot be computed") if warmed_n else _("no stop was warmed")
        ]
    else:
        said = [
            ngettext(
                "at {n} warmed stop, energy put back",
                "at {n} warmed stops, energy put back",
                now["saved_stops_n"],
            )
        ]
        if now["worth_cash"] is not None:
            said.append(_("in cash {money}", money=money(now["worth_cash"])))
        if now["worth_time"] is not None and fleet.settings.driver_value_per_hour > 0:
            said.append(_("time worth {money} stands apart", money=money(now["worth_time"])))
        if now["break_even_per_hour"] is not None:
            said.append(
                _("pays where an hour is worth {money}", money=money(now["break_even_per_hour"]))
            )
    return Figure(
        _("Saved by warming, net"),
        number(saved),
        "" if saved is None else "min",
        _clauses(said),
        change(mean_of(earlier, "net_saved_min"), len(earlier), minutes, is_a_week=True),
        Markup(
            trend_bars(
                _("Net minutes saved by warming"),
                [(row["week_id"], row["net_saved_min"]) for row in _weeks(week)],
            )
        ),
    )


def _energy(week: WeekData, fleet: Fleet) -> Figure:
    now, earlier = week.edition, week.earlier[-4:]
    shown = quantity_filters(fleet.settings)
    if now["warming_cost"] is not None:
        said = [_("cost {money}", money=shown["money"](now["warming_cost"]))]
    elif now["warming_kwh"] is not None:
        said = [_("cost not known")]
    else:
        said = [_("no heater was measured")]
    if now["range_given_up_km"] is not None:
        said.append(
            _("{distance} of range given up", distance=shown["distance"](now["range_given_up_km"]))
        )
    if now["idle_warming_kwh"]:
        energy = kwh(now["idle_warming_kwh"])
        said.append(
            _(
                "{energy} warmed for nothing ({money})",
                energy=energy,
                money=shown["money"](now["idle_warming_cost"]),
            )
            if now["idle_warming_cost"] is not None
            else _("{energy} warmed for nothing", energy=energy)
        )
    if now["warming_unmeasured_n"]:
        said.append(
            ngettext(
                "{n} warmed stop not measured",
                "{n} warmed stops not measured",
                now["warming_unmeasured_n"],
            )
        )
    return Figure(
        _("Energy for warming"),
        number(now["warming_kwh"], 1),
        "" if now["warming_kwh"] is None else "kWh",
        _clauses(said),
        change(mean_of(earlier, "warming_kwh"), len(earlier), kwh, is_a_week=True),
        Markup(
            trend_bars(
                _("Energy for warming [kWh]"),
                [(row["week_id"], row["warming_kwh"]) for row in _weeks(week)],
            )
        ),
    )

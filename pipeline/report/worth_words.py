"""The section *What warming was worth*, and the change of the week, ready to print."""

from __future__ import annotations

from collections.abc import Callable

from pipeline.config import Fleet
from pipeline.report.filters import minutes, number, quantity_filters
from pipeline.report.language import _, ngettext
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import joined
from pipeline.report.worth_charts import change_chart, change_parts, worth_chart


def worth_section(week: WeekData, fleet: Fleet) -> Row:
    """Chart, sentences and columns; ``chart`` is None where no stop could be judged.

    Cash and valued time stand in columns of their own; nothing here adds them.
    """
    now = week.edition
    return {
        "chart": worth_chart(now, week.vehicles),
        "sentences": _sentences(now, fleet),
        "has_value": fleet.settings.driver_value_per_hour > 0,
    }


def _sentences(now: Row, fleet: Fleet) -> list[str]:
    money = quantity_filters(fleet.settings)["money"]
    value = fleet.settings.driver_value_per_hour
    said = []
    if now["net_saved_min"] is not None:
        said.append(_saved(now, money))
        if now["valued_min"] is not None:
            said.append(
                _(
                    "{minutes} of it fell into no break and no idle time at the plug; at {price} "
                    "an hour they are worth {money}. That is valued time, not cash, and is not "
                    "added to it.",
                    minutes=minutes(now["valued_min"]),
                    price=money(value),
                    money=money(now["worth_time"]),
                )
                if value > 0
                else _(
                    "No value of a driver's hour is set, so the minutes are not turned into money."
                )
            )
        if now["break_even_per_hour"] is not None:
            said.append(
                _(
                    "Warming pays where a driver's hour is worth {money} or more.",
                    money=money(now["break_even_per_hour"]),
                )
            )
    if now["net_missed_min"] is not None and round(now["net_missed_min"]) > 0:
        said.append(
            _(
                "At stops where warming was expected and did not happen, or not in full, it would "
                "have saved another {minutes} net.",
                minutes=minutes(now["net_missed_min"]),
            )
        )
    if now["cold_fees"]:
        said.append(
            _("Cold minutes caused {money} of time-based fees.", money=money(now["cold_fees"]))
        )
    return said


def _saved(now: Row, money: Callable[..., str]) -> str:
    said = ngettext(
        "Warming saved {saved} net at {n} stop, after the {refill} that putting its energy back "
        "took.",
        "Warming saved {saved} net at {n} stops, after the {refill} that putting its energy back "
        "took.",
        now["saved_stops_n"],
        saved=minutes(now["net_saved_min"]),
        refill=minutes(now["refill_min"]),
    )
    cash = now["worth_cash"]
    if cash is None:
        return said
    if cash < 0:
        return joined(
            said,
            _(
                "In cash it cost {money}, time-based fees saved already taken off.",
                money=money(-cash),
            ),
        )
    return joined(
        said,
        _("In cash it brought {money}: the fees it saved outweigh the energy.", money=money(cash)),
    )


def change_section(change: Row | None) -> Row | None:
    """The change of the cold minutes in words and as a chart; None without earlier weeks."""
    if change is None:
        return None
    parts = change_parts(change)
    split = ", ".join(
        f"{word} {number(value, signed=True)}"
        for word, value in (
            (_("weather"), parts.weather),
            (_("mix of vehicles, drivers and sites"), parts.mix),
            (_("behaviour"), parts.behaviour),
        )
    )
    said = [
        ngettext(
            "Cold took {now} this week, against {before} in the week before: {split}.",
            "Cold took {now} this week, against {before} a week in the {n} weeks before: {split}.",
            change["weeks_before_n"],
            now=minutes(parts.now),
            before=minutes(parts.before),
            split=split,
        )
    ]
    low, high = change["usual_low_min"], change["usual_high_min"]
    if low is None or high is None:
        said.append(_("Too little went before to say what is usual."))
    else:
        usual = {"low": number(low), "high": minutes(high)}
        cold_min = change["cold_now_min"]
        if cold_min < low:
            where = _(
                "Usual range, by the spread between vehicles: {low} to {high}; this week lies "
                "below it.",
                **usual,
            )
        elif cold_min > high:
            where = _(
                "Usual range, by the spread between vehicles: {low} to {high}; this week lies "
                "above it.",
                **usual,
            )
        else:
            where = _(
                "Usual range, by the spread between vehicles: {low} to {high}; this week lies "
                "within it.",
                **usual,
            )
        told = _("It says what was usual, not how well this week was measured.")
        said.append(joined(where, told))
    return {"sentences": said, "chart": change_chart(change)}

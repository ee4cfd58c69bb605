"""The section *What warming was worth*, and the change of the week, ready to print."""

from __future__ import annotations

from pipeline.config import Fleet
from pipeline.report.filters import minutes, number, quantity_filters
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import counted
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
        text = (
            f"Warming saved {minutes(now['net_saved_min'])} net at "
            f"{counted(now['saved_stops_n'], 'stop')}, after the "
            f"{minutes(now['refill_min'])} that putting its energy back took."
        )
        if now["worth_cash"] is not None:
            cash = now["worth_cash"]
            text += (
                f" In cash it cost {money(-cash)}, time-based fees saved already taken off."
                if cash < 0
                else f" In cash it brought {money(cash)}: the fees it saved outweigh the energy."
            )
        said.append(text)
        if now["valued_min"] is not None:
            if value > 0:
                said.append(
                    f"{minutes(now['valued_min'])} of it fell into no break and no idle time at "
                    f"the plug; at {money(value)} an hour they are worth "
                    f"{money(now['worth_time'])}. That is valued time, not cash, and is not "
                    "added to it."
                )
            else:
                said.append(
                    "No value of a driver's hour is set, so the minutes are not turned into money."
                )
        if now["break_even_per_hour"] is not None:
            said.append(
                f"Warming pays where a driver's hour is worth {money(now['break_even_per_hour'])} "
                "or more."
            )
    if now["net_missed_min"] is not None and round(now["net_missed_min"]) > 0:
        said.append(
            f"At stops where warming was expected and did not happen, or not in full, it would "
            f"have saved another {minutes(now['net_missed_min'])} net."
        )
    if now["cold_fees"]:
        said.append(f"Cold minutes caused {money(now['cold_fees'])} of time-based fees.")
    return said


def change_section(change: Row | None) -> Row | None:
    """The change of the cold minutes in words and as a chart; None without earlier weeks."""
    if change is None:
        return None
    parts = change_parts(change)
    n = change["weeks_before_n"]
    before = "the week before" if n == 1 else f"the {n} weeks before"
    split = ", ".join(
        f"{word} {number(value, signed=True)}"
        for word, value in (
            ("weather", parts.weather),
            ("mix of vehicles, drivers and sites", parts.mix),
            ("behaviour", parts.behaviour),
        )
    )
    said = [
        f"Cold took {minutes(parts.now)} this week, against {minutes(parts.before)} "
        f"{'' if n == 1 else 'a week '}in {before}: {split}."
    ]
    low, high = change["usual_low_min"], change["usual_high_min"]
    if low is not None and high is not None:
        where = (
            "below"
            if change["cold_now_min"] < low
            else "above"
            if change["cold_now_min"] > high
            else "within"
        )
        said.append(
            f"Usual range, by the spread between vehicles: {number(low)} to {minutes(high)}; this "
            f"week lies {where} it. It says what was usual, not how well this week was measured."
        )
    else:
        said.append("Too little went before to say what is usual.")
    return {"sentences": said, "chart": change_chart(change)}

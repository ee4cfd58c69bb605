"""What the budget says in words: its names, its opening, what drives it, what to decide."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import polars as pl
from babel.dates import format_date

from pipeline.budget.drivers import PRICE_STEP_RATE
from pipeline.budget.scenario import Scenario
from pipeline.config import FleetSettings
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.figures import Lookup, Shown
from pipeline.report.filters import name, number, quantity_filters, rate
from pipeline.report.language import N_, _, listed, ngettext, spoken

QUANTITY_WORDS = {
    "stops_n": N_("Fast-charge stops"),
    "needed_n": N_("Stops that need warming"),
    "warmed_n": N_("of them warmed"),
    "warming_kwh": N_("Energy for warming"),
    "range_given_up_km": N_("Range given up"),
    "cold_min": N_("Charging minutes lost to cold"),
    "driver_min": N_("Drivers' time"),
    "warming_cost": N_("Cost of warming"),
    "cold_fees": N_("Fees for cold minutes"),
    "cost": N_("Cost"),
}

SCENARIO_WORDS = {
    "as_today": N_("As today"),
    "everyone": N_("Everyone warms"),
    "nobody": N_("Nobody warms"),
}

DRIVER_WORDS = {
    "winter": N_("Winter"),
    "stops": N_("Fast-charge stops"),
    "starts": N_("Share who warm"),
    "price": N_("Price of energy"),
    "packs": N_("How packs behave"),
}

CAUSE_WORDS = {
    "weather": N_("weather"),
    "volume": N_("number of stops"),
    "price": N_("price"),
    "behaviour": N_("behaviour"),
}

WHY_NO_COURSE = {
    "no_month_ended": N_("No whole month of the season lies behind the data yet."),
    "no_vehicle_known": N_("No vehicle's stops tell what the cold cost: nothing can be compared."),
    "no_month_covered": N_(
        "No month of the season that has ended is covered by data well enough to be compared."
    ),
}


def scenario_words(scenario: str, target: float | None) -> str:
    """A scenario's name; an operator's own as it was given."""
    if scenario in SCENARIO_WORDS:
        return _(SCENARIO_WORDS[scenario])
    if scenario == "target" and target is not None:
        return _("Target: {rate} arrive warm", rate=rate(target))
    return name(scenario, 40)


def scenario_detail(scenario: Scenario, currency: str) -> str:
    """What is different in an operator's own scenario."""
    said = []
    if scenario.warming == "everyone":
        said.append(_("everyone warms"))
    elif scenario.warming == "nobody":
        said.append(_("nobody warms"))
    elif scenario.target_hit_rate is not None:
        said.append(_("{rate} arrive warm", rate=rate(scenario.target_hit_rate)))
    if scenario.price_per_kwh is not None:
        price = number(scenario.price_per_kwh, 2)
        said.append(_("{price} {currency} a kWh", price=price, currency=currency))
    if scenario.fleet_size is not None:
        said.append(ngettext("{n} vehicle", "{n} vehicles", scenario.fleet_size))
    if scenario.mileage_growth_rate:
        growth = number(scenario.mileage_growth_rate * 100, signed=True)
        said.append(_("{growth} % kilometres", growth=growth))
    if scenario.vehicle_model is not None:
        said.append(_("all of model {model}", model=name(scenario.vehicle_model, 30)))
    if scenario.starts_earlier_min:
        said.append(_("begun {minutes} min earlier", minutes=number(scenario.starts_earlier_min)))
    if scenario.winter_shift_kelvin:
        shift = number(scenario.winter_shift_kelvin, 1, signed=True)
        said.append(_("{shift} K outside", shift=shift))
    return ", ".join(said)


def opening(paper: BudgetPaper, look: Lookup, shown: Shown) -> list[str]:
    """The number, its interval, and how much of the fleet stands behind it."""
    cost, kwh = look.ends("as_today", "cost"), look.ends("as_today", "warming_kwh")
    said = [
        _(
            "Budget {cost} for {kwh} of battery warming and what cold charging adds in fees. In "
            "eight winters of ten it will be between {low} and {high}.",
            cost=shown.named("cost", cost[1]),
            kwh=shown.named("warming_kwh", kwh[1]),
            low=shown.bare("cost", cost[0]),
            high=shown.named("cost", cost[2]),
        )
    ]
    if not paper.history.stops_n:
        said.append(
            _(
                "No fast charge of this fleet has been seen yet: the figures rest on assumptions "
                "and the interval is as wide as that makes it."
            )
        )
    return said


def known_words(paper: BudgetPaper) -> str:
    """What the budget knows, on one line."""
    history = paper.history
    parts = [_("Known on the morning of {day}", day=spoken().long_day(paper.as_of))]
    if history.first_day is None or history.last_day is None:
        parts.append(_("no data of the fleet"))
    else:
        days_n = (history.last_day - history.first_day).days + 1
        parts.append(ngettext("{n} day of data", "{n} days of data", days_n))
        parts.append(ngettext("{n} fast charge", "{n} fast charges", history.stops_n))
    parts.append(ngettext("{n} vehicle", "{n} vehicles", paper.learned.given.vehicles.height))
    parts.append(ngettext("{n} simulated winter", "{n} simulated winters", paper.winters_n))
    return "; ".join(parts) + "."


def setting_words(driver: str, low: float, high: float) -> tuple[str, str]:
    """The two settings of a driver."""
    if driver == "winter":
        return (
            _("{kelvin} K colder", kelvin=number(abs(low), 1)),
            _("{kelvin} K warmer", kelvin=number(high, 1)),
        )
    if driver == "starts":
        return rate(low), rate(high)
    if driver == "packs":
        return _("less energy"), _("more energy")
    return tuple(number(value * 100, signed=True) + "\u00a0%" for value in (low, high))  # type: ignore[return-value]


def drives_words(swings: pl.DataFrame, shown: Shown, scale: float) -> str:
    """The drivers of cost in one paragraph, the widest first; those that hardly move it left out.

    Parameters
    ----------
    scale
        The season's P50: a driver counts from 2 % of it on.
    """
    said = []
    for row in swings.filter(pl.col("quantity") == "cost").iter_rows(named=True):
        low, high = row["low_value"], row["high_value"]
        if max(abs(low), abs(high)) < 0.02 * abs(scale):
            continue
        words = setting_words(row["driver"], row["low_setting_value"], row["high_setting_value"])
        said.append(
            _(
                "{driver} ({low_setting}: {low}; {high_setting}: {high})",
                driver=_(DRIVER_WORDS[row["driver"]]),
                low_setting=words[0],
                low=shown.bare("cost", low, signed=True),
                high_setting=words[1],
                high=shown.bare("cost", high, signed=True),
            )
        )
    if not said:
        return _("No single driver moves the cost by more than 2 %.")
    return _(
        "What moves the cost most, in {currency}: {drivers}. The price is shown a tenth either "
        "way, the others at what one winter in ten goes beyond.",
        currency=shown.currency,
        drivers=listed(said),
    )


def season_words(paper: BudgetPaper) -> str:
    """``October 2026 to April 2027``."""
    season = paper.budget.season
    first, last = season.edges[0], season.edges[-2]
    if season.months_n == 1:
        return spoken().month(first)
    return _("{first} to {last}", first=spoken().month(first), last=spoken().month(last))


def weather_words(paper: BudgetPaper, look: Lookup, shown: Shown, settings: FleetSettings) -> str:
    """What a hard and a mild winter cost, and what the past ones would have."""
    swing = paper.swings.filter((pl.col("quantity") == "cost") & (pl.col("driver") == "winter"))
    row = swing.row(0, named=True)
    mean = look.mean("as_today", "cost")
    said = _(
        "A winter {kelvin} K colder than usual, as one in ten is, would cost {cold} on average; "
        "one as much warmer {warm}; the usual one {mean}.",
        kelvin=number(abs(row["low_setting_value"]), 1),
        cold=shown.named("cost", mean + row["low_value"]),
        warm=shown.named("cost", mean + row["high_value"]),
        mean=shown.named("cost", mean),
    )
    seasons = paper.weather.season_degc
    if len(seasons) >= 2 and row["low_setting_value"]:
        average = sum(degc for _year, degc in seasons) / len(seasons)
        year, coldest = min(seasons, key=lambda one: one[1])
        kelvin = average - coldest
        cost = mean + row["low_value"] * kelvin / abs(row["low_setting_value"])
        said += " " + _(
            "The coldest of the {n} seasons in the series ({year}, {temperature} on average) would "
            "cost about {cost} today.",
            n=number(len(seasons)),
            year=season_year(year, paper),
            temperature=quantity_filters(settings)["temperature"](coldest),
            cost=shown.named("cost", cost),
        )
    if paper.budget.shift_seasons_n:
        said += " " + ngettext(
            "How far winters lie apart was learned from {n} season of the series.",
            "How far winters lie apart was learned from {n} seasons of the series.",
            paper.budget.shift_seasons_n,
        )
    else:
        said += " " + _(
            "The series is too short to tell how far winters lie apart: 2 K is assumed, as for any "
            "series of less than ten seasons."
        )
    return said


def season_year(year: int, paper: BudgetPaper) -> str:
    """``2020/21`` where the season runs over the turn of the year, else ``2020``."""
    season = paper.budget.season
    later = season.edges[-2].year - season.edges[0].year
    return f"{year}/{(year + later) % 100:02d}" if later else str(year)


def price_step() -> str:
    """The step of the price in the tornado, in per cent."""
    return number(PRICE_STEP_RATE * 100)


def months_short(month_ids: Sequence[str]) -> list[str]:
    """``Oct``, ``Nov`` and so on."""
    return [
        str(format_date(date(int(m[:4]), int(m[5:7]), 1), "LLL", locale=spoken().locale)).rstrip(
            "."
        )
        for m in month_ids
    ]

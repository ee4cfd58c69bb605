"""When to begin warming, as lines for a terminal; reads the tables of `pipeline.advice`."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

import polars as pl

from pipeline.config import FleetSettings
from pipeline.fits import StoredFit

WIDTH_N = 88

CAUTION = (
    "Set the charger as destination before setting off, never while driving. The maker's manual "
    "and local law come first."
)

_VERDICTS = {
    "never_warm": "never warm",
    "already_warm": "warm",
    "not_worth_it": "-",
    "unknown": "?",
}

_WAYS = {
    "on_the_way": "warming on the way",
    "on_cable": "heating on the cable before departure",
    "indoors": "parking indoors",
    "after_drive": "charging after the drive, not before it",
}

WHY_NOT = {
    "no_stops": "no fast-charge stop up to that week",
    "vehicle_cannot_warm": "these vehicles cannot warm their battery (models.toml)",
    "no_warm_curve": "no warm curve is known: configure warm_curve in models.toml",
    "no_usable_kwh": "usable_kwh is not configured in models.toml",
    "cold_limit_unknown": "too few cold charges yet to know what the cold takes",
    "no_typical_charge": "charge or energy of the stops is not known",
    "site_limit_unknown": "what the chargers can give is not known: set power_kw in sites.toml",
}


def leadtime_lines(
    tables: dict[str, pl.DataFrame],
    fits: dict[str, StoredFit],
    settings: FleetSettings,
    week_id: str,
) -> Iterator[str]:
    """Everything there is to say, the caution first, then model by model.

    Parameters
    ----------
    tables
        ``leadtime``, ``site_advice``, ``other_ways``, ``no_advice`` as `advice` leaves them.
    """
    yield f"When to begin warming, from what was learned up to {week_id}"
    yield from textwrap.wrap(CAUTION, WIDTH_N)
    for model_id in tables["leadtime"]["model_id"].unique(maintain_order=True):
        mine = {
            name: frame.filter(pl.col("model_id") == model_id) for name, frame in tables.items()
        }
        yield ""
        yield str(mine["leadtime"]["model_name"][0])
        yield from _basis(fits.get(model_id))
        yield from _sites(mine["site_advice"], settings)
        yield from _tables(mine["leadtime"])
        yield from _ways(mine["other_ways"], settings.currency, fits.get(model_id))
    for row in tables["no_advice"].iter_rows(named=True):
        yield ""
        yield f"{row['model_id']}: no advice, because {WHY_NOT.get(row['why'], row['why'])}."
    if tables["leadtime"].is_empty() and tables["no_advice"].is_empty():
        yield ""
        yield "No vehicle model is known, so nothing can be said: see models.toml."


def _basis(fit: StoredFit | None) -> Iterator[str]:
    if fit is None:
        return
    source = fit.counts["thermal_source"]
    if source != "learned":
        yield "  How fast the pack warms rests on defaults, not on this fleet's drives."
    if fit.counts["cold_source"] == "configured":
        yield "  What the cold takes is the configured cold limit, not yet learned."


def _sites(sites: pl.DataFrame, settings: FleetSettings) -> Iterator[str]:
    if sites.is_empty():
        return
    yield (
        f"  By site, with the pack as it usually is {settings.lead_window_min:.0f} min before "
        "arrival there"
    )
    for row in sites.iter_rows(named=True):
        yield f"    {row['site_name']}: {site_line(row, settings.expected_saving_min)}"


def site_line(row: dict[str, Any], least_saved_min: float) -> str:
    """One plain sentence for a row of ``weekly_site_advice``.

    Warming is worth it from `least_saved_min` net minutes.
    """
    state = ""
    if row["pack_degc"] is not None and row["outside_degc"] is not None:
        stops = f"{row['stops_n']} stops" if row["stops_n"] != 1 else "1 stop"
        basis = "the model's median, too few stops" if row["is_fleet_median"] else stops
        if row["is_extrapolated"]:
            basis += "; colder than any charge yet seen"
        state = (
            f" (pack {_whole(row['pack_degc'])}, outside {_whole(row['outside_degc'])} °C; {basis})"
        )
    verdict = row["verdict"]
    if verdict == "begin":
        text = (
            f"set the charger {row['begin_min']:.0f} min before arrival; saves "
            f"{row['net_saved_min']:.0f} min net, takes {row['warming_kwh']:.1f} kWh"
        )
        approach = row["approach_min"]
        if approach is not None and approach < row["begin_min"]:
            text += (
                f"; the way there is usually {approach:.0f} min, so begin before departure, "
                "on the cable if you can"
            )
    elif verdict == "not_worth_it":
        text = "warming is not worth it here"
        net_min = row["net_saved_min"]
        if net_min is not None and net_min > 0:
            text += f": it would save less than {least_saved_min:g} min net"
        elif net_min is not None and net_min > -0.5:
            text += ": it would save nothing net"
        elif net_min is not None:
            text += f": it would take {-net_min:.0f} min more than it saves"
    elif verdict == "already_warm":
        text = "the battery usually comes warm; nothing to do"
    elif verdict == "never_warm":
        text = "the heater alone does not get the battery warm there"
    else:
        text = "not known, for want of the site's power or of cell temperatures"
    return text + state


def _tables(rows: pl.DataFrame) -> Iterator[str]:
    outside = sorted(rows["outside_degc"].unique())
    yield ""
    yield "  Minutes before arrival / minutes saved net / kWh, by pack (rows) and outside (columns)"
    yield "  temperature; - is not worth it"
    grids: dict[tuple[str, ...], list[str]] = {}
    for site_kw in sorted(rows["site_power_kw"].unique()):
        here = rows.filter(pl.col("site_power_kw") == site_kw)
        # A charger beyond what the vehicle takes changes nothing: say it once.
        grids.setdefault(tuple(_grid(here)), []).append(f"{site_kw:.0f}")
    for lines, powers in grids.items():
        yield f"    at {', '.join(powers)} kW"
        yield "      pack °C" + "".join(f"{f'{degc:.0f} °C':>19}" for degc in outside)
        yield from lines
    if rows["is_extrapolated"].any():
        yield "    * colder than any charge yet seen: the cold limit is drawn on by its slope"


def _grid(rows: pl.DataFrame) -> Iterator[str]:
    for pack in sorted(rows["pack_degc"].unique()):
        cells = rows.filter(pl.col("pack_degc") == pack).sort("outside_degc")
        yield (
            f"      {pack:7.0f}"
            + "".join(f"{_cell(row):>19}" for row in cells.iter_rows(named=True)).rstrip()
        )


def _cell(row: dict[str, Any]) -> str:
    mark = "*" if row["is_extrapolated"] else " "
    if row["verdict"] != "begin":
        return _VERDICTS.get(row["verdict"], "?") + mark
    return f"{row['begin_min']:.0f} / {row['net_saved_min']:.0f} / {row['warming_kwh']:.1f}{mark}"


def _whole(degc: float) -> str:
    """A whole number that is never -0."""
    return f"{round(degc):d}"


def _ways(ways: pl.DataFrame, currency: str, fit: StoredFit | None) -> Iterator[str]:
    if ways.is_empty():
        return
    first = ways.row(0, named=True)
    yield ""
    yield (
        f"  Ways to arrive warm, leaving with the pack at {_whole(first['pack_degc'])} °C, "
        f"{_whole(first['outside_degc'])} °C outside, to {first['site_power_kw']:.0f} kW"
    )
    yield f"    {'':<40}{'arrives °C':>11}{'saves min':>11}{f'costs {currency}':>11}"
    for row in ways.iter_rows(named=True):
        yield (
            f"    {_WAYS.get(row['way'], row['way']):<40}{_number(row['arrival_degc'], 11, 0)}"
            f"{_number(row['saved_min'], 11, 1)}{_number(row['cost'], 11, 2)}"
        )
    prices = {row["way"]: row for row in ways.iter_rows(named=True)}
    notes = (
        f"Assumed: {first['drive_min']:.0f} min of driving; indoors {first['indoor_degc']:.0f} °C; "
        f"the cable heats to at most {first['heating_end_degc']:.0f} °C, and "
        f"{100 * first['cable_efficiency']:.0f} per cent of its energy arrives; energy "
        f"{_price(prices['on_the_way'], currency)} on the way, "
        f"{_price(prices['on_cable'], currency)} on the cable; what a warm place costs is not "
        "counted."
    )
    heater = fit.plug_heater if fit else None
    if heater is not None:
        notes += (
            f" A pack that arrives below {heater.below_degc:.0f} °C is heated at the plug, so a "
            "pack a little warmer may take longer."
        )
    yield from (f"    {line}" for line in textwrap.wrap(notes, WIDTH_N - 4))


def _price(row: dict[str, Any], currency: str) -> str:
    if row["price_per_kwh"] is None:
        return "at an unknown price"
    source = {
        "tariff": "the site's tariff",
        "fleet_price": "the fleet's price",
        "assumed": "assumed",
    }.get(row["price_source"] or "", "assumed")
    return f"{row['price_per_kwh']:.2f} {currency} per kWh ({source})"


def _number(value: float | None, width: int, digits: int) -> str:
    return f"{'-':>{width}}" if value is None else f"{value:{width}.{digits}f}"

"""A week held against others: why its cold minutes changed, and power against mild weather."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.change import split_change
from pipeline.statistics import usual_range

MILD_FROM_DEGC = 12.0
"""Days from here on count as mild: packs that stand outdoors are then warm enough to be charged at
most of their power (common practice, no source)."""
LEAST_STOPS_N = 5


def change_row(stops: pl.DataFrame, weeks: Sequence[str]) -> pl.DataFrame:
    """One row: how the week's cold minutes changed against the weeks before, and why.

    Parameters
    ----------
    stops
        Rows of ``sql/weekly/weekly_changes``.
    weeks
        The weeks compared, the edition's last.

    Returns
    -------
    DataFrame
        ``weeks_before_n, cold_before_min, cold_now_min, mix_min, weather_min, behaviour_min``
        and ``usual_low_min, usual_high_min``: what so many stops would have lost in the weeks
        before, by the spread between vehicles. Null without earlier weeks.
    """
    earlier = [week for week in weeks[:-1] if week in set(stops["week_id"])]
    found = split_change(stops, len(earlier))
    before = (
        stops.filter(~pl.col("is_now"))
        .group_by("vehicle_id", maintain_order=True)
        .agg(pl.col("lost_cold_min").sum(), pl.len().alias("stops_n"))
    )
    usual = usual_range(before["lost_cold_min"].to_numpy(), before["stops_n"].to_numpy())
    now_n = stops.filter("is_now").height
    row = {
        "weeks_before_n": len(earlier),
        "cold_before_min": found.before_min if found else None,
        "cold_now_min": found.now_min if found else None,
        "mix_min": found.mix_min if found else None,
        "weather_min": found.weather_min if found else None,
        "behaviour_min": found.behaviour_min if found else None,
        "usual_low_min": _number(float(usual.low[0]) * now_n) if found else None,
        "usual_high_min": _number(float(usual.high[0]) * now_n) if found else None,
    }
    schema = {name: pl.Int64 if name.endswith("_n") else pl.Float64 for name in row}
    return pl.DataFrame([row], schema=schema)


POWER_SCHEMA = {
    "vehicle_id": pl.String,
    "vehicle_name": pl.String,
    "compared_with": pl.String,
    "power_kw": pl.Float64,
    "power_low_kw": pl.Float64,
    "power_high_kw": pl.Float64,
    "stops_n": pl.Int64,
    "mild_power_kw": pl.Float64,
    "mild_power_low_kw": pl.Float64,
    "mild_power_high_kw": pl.Float64,
    "mild_stops_n": pl.Int64,
    "why_null": pl.String,
}


def mild_power(stops: pl.DataFrame) -> pl.DataFrame:
    """Average power of the week's summary-only stops against mild weather, by vehicle.

    No minutes are claimed: average power is energy over the whole stay, and who stood on after the
    charge lowers it. Intervals (90 %) come from a bootstrap over stops.

    Parameters
    ----------
    stops
        Rows of ``sql/weekly/weekly_power``.

    Returns
    -------
    DataFrame
        One row per vehicle with such stops in the week, in the columns of `POWER_SCHEMA`.
        ``compared_with`` is ``vehicle``, or ``site`` where the vehicle itself has fewer than five
        mild stops; else the mild figures are null and ``why_null`` says why.
    """
    rows = []
    mild = stops.filter((pl.col("day_degc") >= MILD_FROM_DEGC) & ~pl.col("is_now"))
    has_temperature = stops["day_degc"].is_not_null().any()
    for (vehicle_id, name), mine in stops.filter("is_now").group_by(
        "vehicle_id", "vehicle_name", maintain_order=True
    ):
        own = mild.filter(pl.col("vehicle_id") == vehicle_id)
        sites = [site for site in mine["site_key"].unique() if site]
        there = mild.filter(pl.col("site_key").is_in(sites))
        compared = (
            ("vehicle", own)
            if own.height >= LEAST_STOPS_N
            else ("site", there)
            if there.height >= LEAST_STOPS_N
            else (None, own.clear())
        )
        power, low, high = _mean_power(mine)
        mild_kw, mild_low, mild_high = _mean_power(compared[1])
        why = None
        if compared[0] is None:
            why = "too_few_mild_stops" if has_temperature else "no_outside_temperature"
        rows.append(
            {
                "vehicle_id": vehicle_id,
                "vehicle_name": name,
                "compared_with": compared[0],
                "power_kw": power,
                "power_low_kw": low,
                "power_high_kw": high,
                "stops_n": mine.height,
                "mild_power_kw": mild_kw,
                "mild_power_low_kw": mild_low,
                "mild_power_high_kw": mild_high,
                "mild_stops_n": compared[1].height,
                "why_null": why,
            }
        )
    return pl.DataFrame(rows, schema=POWER_SCHEMA).sort("vehicle_name", "vehicle_id")


def _mean_power(stops: pl.DataFrame) -> tuple[float | None, float | None, float | None]:
    """Energy over time of all stops together, with its 90 % interval; null without stops."""
    if stops.is_empty():
        return None, None, None
    energy, hours = stops["energy_kwh"].to_numpy(), stops["stay_h"].to_numpy()
    spread = usual_range(energy, hours)
    return (
        float(energy.sum() / hours.sum()),
        _number(float(spread.low[0])),
        _number(float(spread.high[0])),
    )


def _number(value: float) -> float | None:
    return value if np.isfinite(value) else None

"""When to begin warming, what it saves, and the other ways to arrive warm (method, section 6)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import ArrayLike

from pipeline.forward import Charging, PlugHeater, charge_forward
from pipeline.thermal import Array, ThermalModel

PACK_DEGC = (-10.0, -5.0, 0.0, 5.0, 10.0, 15.0)
OUTSIDE_DEGC = (-15.0, -5.0, 5.0)
LEAST_SAVED_MIN = 3.0
"""Fewer net minutes are not worth a driver's thought (method, section 4)."""


@dataclass(frozen=True)
class Case:
    """One vehicle model and the charge it typically takes.

    `drive_i2_a2` is the mean of pack current squared while driving, heater off, current being
    power / ``thermal.nominal_v``: it warms the pack whether the heater runs or not.
    """

    charging: Charging
    thermal: ThermalModel
    warm_threshold_degc: float
    soc_start_pct: float
    energy_kwh: float
    drive_i2_a2: float = 0.0
    plug_heater: PlugHeater | None = None
    least_saved_min: float = LEAST_SAVED_MIN


@dataclass(frozen=True)
class OtherWays:
    """Assumptions behind the other ways to arrive warm; each stands in a column of the result."""

    drive_min: float = 30.0
    depot_price_per_kwh: float = np.nan
    site_price_per_kwh: float = np.nan
    cable_efficiency: float = 0.9
    charging_efficiency: float = 0.93
    indoor_degc: float = 10.0
    heating_end_degc: float = 22.0


def lead_times(
    case: Case,
    site_kw: Sequence[float],
    pack_degc: Sequence[float] = PACK_DEGC,
    outside_degc: Sequence[float] = OUTSIDE_DEGC,
) -> pl.DataFrame:
    """The *when to begin* table: one row per site power, outside and pack temperature.

    Returns
    -------
    DataFrame
        ``site_power_kw, outside_degc, pack_degc`` (when warming would begin), ``needed_min`` and
        ``warming_kwh`` to the threshold, ``charge_cold_min`` and ``charge_warm_min`` for the
        typical charge without and with warming, ``refill_min`` to put the warming energy back,
        ``net_saved_min``, ``begin_min`` (whole minutes before arrival, where worth it) and
        ``verdict``: ``begin``, ``not_worth_it``, ``never_warm``, ``already_warm`` or
        ``unknown``. Not computable is null.
    """
    kw, outside, pack = (
        grid.ravel() for grid in np.meshgrid(site_kw, outside_degc, pack_degc, indexing="ij")
    )
    head = pl.DataFrame({"site_power_kw": kw, "outside_degc": outside, "pack_degc": pack})
    return pl.concat(
        [head, _judged(case, kw, outside, pack, case.soc_start_pct, case.energy_kwh)],
        how="horizontal",
    )


def site_advice(case: Case, sites: pl.DataFrame) -> pl.DataFrame:
    """One row per site: when to set the charger there, in the fleet's median arrival state.

    Parameters
    ----------
    sites
        ``site_id, site_power_kw, outside_degc, pack_degc, soc_start_pct, energy_kwh``, the last
        five being medians over stops there (pack temperature un-warmed); null is unknown.

    Returns
    -------
    DataFrame
        The rows of `sites` with the columns of `lead_times`.
    """
    numbers = {
        name: sites[name].cast(pl.Float64).to_numpy()
        for name in ("site_power_kw", "outside_degc", "pack_degc", "soc_start_pct", "energy_kwh")
    }
    kw, outside, pack, soc_pct, energy_kwh = numbers.values()
    return pl.concat(
        [sites, _judged(case, kw, outside, pack, soc_pct, energy_kwh)], how="horizontal"
    )


def other_ways(
    case: Case, site_kw: float, outside_degc: float, pack_degc: float, ways: OtherWays
) -> pl.DataFrame:
    """Ways to arrive warm beside each other, for a van that leaves with its pack at `pack_degc`.

    Returns
    -------
    DataFrame
        One row per ``way``: ``on_the_way`` (as long as the drive allows), ``on_cable`` (before
        departure, so warm that the threshold outlasts the drive, at most `heating_end_degc`),
        ``indoors`` (parked at `indoor_degc`), ``after_drive`` (charging at the end of the drive
        rather than before it). ``arrival_degc``, ``charge_min``, ``saved_min`` (against
        ``compared_with_min``: arriving without any of it, or for ``after_drive`` charging before
        the drive), ``heating_min``, ``energy_kwh`` (from the pack, or for ``on_cable`` from the
        depot's meter), ``price_per_kwh``, ``cost``; and the assumptions. ``on_the_way`` pays its
        refill in ``charge_min`` and at the site's price over the charging efficiency.
    """
    thermal, threshold = case.thermal, case.warm_threshold_degc
    heater_kw, drive_min = thermal.heater_power_kw, ways.drive_min

    def arrive(start_degc: float, minutes: float) -> float:
        return float(thermal.after(start_degc, outside_degc, minutes, 0.0, case.drive_i2_a2))

    needed_min = float(
        thermal.minutes_to(threshold, pack_degc, outside_degc, heater_kw, case.drive_i2_a2)
    )
    # Begun so late that it ends on arrival; before it the pack only drives.
    warming_min = min(needed_min, drive_min)
    began_degc = arrive(pack_degc, drive_min - warming_min)
    warmed_degc = float(
        thermal.after(began_degc, outside_degc, warming_min, heater_kw, case.drive_i2_a2)
    )
    leave_degc = max(
        pack_degc, min(_outlasting(case, outside_degc, drive_min), ways.heating_end_degc)
    )
    cable_min = float(thermal.minutes_to(leave_degc, pack_degc, outside_degc, heater_kw))
    road_kwh = heater_kw * warming_min / 60
    cable_kwh = heater_kw * cable_min / 60 / ways.cable_efficiency
    cable_kwh = cable_kwh if np.isfinite(cable_min) else np.nan
    unwarmed_degc = arrive(pack_degc, drive_min)
    rows = {
        "way": ["on_the_way", "on_cable", "indoors", "after_drive"],
        "arrival_degc": [
            warmed_degc,
            arrive(leave_degc, drive_min) if np.isfinite(cable_min) else np.nan,
            arrive(max(ways.indoor_degc, pack_degc), drive_min),
            unwarmed_degc,
        ],
        "heating_min": [warming_min, cable_min, 0.0, 0.0],
        "energy_kwh": [road_kwh, cable_kwh, 0.0, 0.0],
        "price_per_kwh": [
            ways.site_price_per_kwh / ways.charging_efficiency,
            ways.depot_price_per_kwh,
            0.0,
            0.0,
        ],
    }
    frame = pl.DataFrame(rows)
    extra_kwh = np.array([road_kwh, 0.0, 0.0, 0.0])
    charge_min = _charge(
        case,
        site_kw,
        outside_degc,
        frame["arrival_degc"].to_numpy(),
        case.soc_start_pct - extra_kwh / case.charging.usable_kwh * 100,
        case.energy_kwh + extra_kwh,
    )
    plain_min, before_min = _charge(
        case,
        site_kw,
        outside_degc,
        np.array([unwarmed_degc, pack_degc]),
        case.soc_start_pct,
        case.energy_kwh,
    )
    compared_min = np.array([plain_min, plain_min, plain_min, before_min])
    return _nulls(
        frame.with_columns(
            charge_min=charge_min,
            compared_with_min=compared_min,
            saved_min=_minus(compared_min, charge_min),
            cost=pl.when(pl.col("energy_kwh") == 0)
            .then(0.0)
            .otherwise(pl.col("energy_kwh") * pl.col("price_per_kwh")),
            site_power_kw=pl.lit(site_kw),
            outside_degc=pl.lit(outside_degc),
            pack_degc=pl.lit(pack_degc),
            drive_min=pl.lit(drive_min),
            indoor_degc=pl.lit(ways.indoor_degc),
            heating_end_degc=pl.lit(ways.heating_end_degc),
            cable_efficiency=pl.lit(ways.cable_efficiency),
            charging_efficiency=pl.lit(ways.charging_efficiency),
        )
    )


def _outlasting(case: Case, outside_degc: float, drive_min: float) -> float:
    """Temperature at departure that has fallen (or risen) to the threshold after the drive.

    The closed form run backwards: the map from start to end is affine, so two values give it.
    """
    zero, one = case.thermal.after(
        np.array([0.0, 1.0]), outside_degc, drive_min, 0.0, case.drive_i2_a2
    )
    return float((case.warm_threshold_degc - zero) / (one - zero))


def _judged(
    case: Case,
    site_kw: Array,
    outside_degc: Array,
    pack_degc: Array,
    soc_start_pct: ArrayLike,
    energy_kwh: ArrayLike,
) -> pl.DataFrame:
    """The judging columns of `lead_times`, for arrays of one shape."""
    thermal, threshold = case.thermal, case.warm_threshold_degc
    heater_kw, i2_a2 = thermal.heater_power_kw, case.drive_i2_a2
    needed_min = thermal.minutes_to(threshold, pack_degc, outside_degc, heater_kw, i2_a2)
    is_finite = np.isfinite(needed_min)
    warming_min = np.where(is_finite, needed_min, np.nan)
    warming_kwh = heater_kw * warming_min / 60
    unwarmed_degc = thermal.after(pack_degc, outside_degc, warming_min, 0.0, i2_a2)
    warmed_degc = np.maximum(pack_degc, threshold)

    def minutes(cell_degc: Array, extra_kwh: ArrayLike) -> Array:
        spent_pct = np.asarray(extra_kwh) / case.charging.usable_kwh * 100
        return _charge(
            case,
            site_kw,
            outside_degc,
            cell_degc,
            np.asarray(soc_start_pct) - spent_pct,
            np.asarray(energy_kwh) + extra_kwh,
        )

    cold_min = minutes(unwarmed_degc, 0.0)
    warm_min = minutes(warmed_degc, 0.0)
    refill_min = _minus(minutes(warmed_degc, warming_kwh), warm_min)
    net_min = _minus(cold_min, warm_min + refill_min)
    verdict = np.select(
        [
            np.isnan(needed_min),
            needed_min == 0,
            ~is_finite,
            np.isnan(net_min),
            net_min >= case.least_saved_min,
        ],
        ["unknown", "already_warm", "never_warm", "unknown", "begin"],
        "not_worth_it",
    )
    return _nulls(
        pl.DataFrame(
            {
                "needed_min": warming_min,
                "warming_kwh": warming_kwh,
                "charge_cold_min": cold_min,
                "charge_warm_min": warm_min,
                "refill_min": refill_min,
                "net_saved_min": net_min,
                "begin_min": np.where(verdict == "begin", np.ceil(warming_min), np.nan),
                "verdict": verdict,
            }
        )
    )


def _charge(
    case: Case,
    site_kw: ArrayLike,
    outside_degc: ArrayLike,
    cell_degc: ArrayLike,
    soc_start_pct: ArrayLike,
    energy_kwh: ArrayLike,
) -> Array:
    return charge_forward(
        case.charging,
        case.thermal,
        np.maximum(soc_start_pct, 0.0),
        energy_kwh,
        cell_degc,
        outside_degc,
        site_kw,
        case.plug_heater,
    )


def _minus(left_min: Array, right_min: Array) -> Array:
    """Difference; NaN where both never end."""
    with np.errstate(invalid="ignore"):
        result: Array = left_min - right_min
    return result


def _nulls(frame: pl.DataFrame) -> pl.DataFrame:
    """NaN and infinite as null: not computable."""
    number = pl.selectors.float()
    return frame.with_columns(pl.when(number.is_finite()).then(number).name.keep())

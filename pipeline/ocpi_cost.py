"""OCPI tariffs applied to frames of charges: the bridge between `pipeline.cost` and the standard.

Instants are cut to whole seconds and energy to a tenth of a watt-hour before blocks are rounded
up, so that noise in the last digit of a float is never billed as another block. Pure arithmetic.
"""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ocpi_periods import Period, Use
from pipeline.ocpi_tariff import Bill, price, rate, time_fee
from pipeline.ocpi_tariff_config import Dimension, OcpiTariff
from pipeline.tariffs import FloatArray, Tariffs, floats

PARTS: dict[str, Dimension] = {
    "energy_cost": "ENERGY",
    "time_cost": "TIME",
    "idle_cost": "PARKING_TIME",
    "flat_cost": "FLAT",
}
_NOUGHT = Decimal(0)


def ocpi_sites(
    site_id: pl.Series, tariffs: Tariffs, *instants_s: FloatArray
) -> list[tuple[NDArray[np.int64], OcpiTariff]]:
    """Per site with an OCPI tariff: numbers of its rows that have all instants, and the tariff.

    Rows outside the time in which the tariff is in force are left out.
    """
    usable = ~np.any(np.isnan(np.stack(instants_s)), axis=0)
    found = []
    for site in sorted(set(site_id.drop_nulls().to_list()) & set(tariffs)):
        tariff = tariffs[site]
        if not isinstance(tariff, OcpiTariff):
            continue
        is_own = (site_id == site).fill_null(False).to_numpy() & usable
        rows = np.flatnonzero(is_own)
        is_in_force = [tariff.holds_at(_instant(instants_s[0][row])) for row in rows]
        if any(is_in_force):
            found.append((rows[np.array(is_in_force)], tariff))
    return found


def session_parts(
    tariff: OcpiTariff,
    zone: str,
    start_s: FloatArray,
    charged_s: FloatArray,
    end_s: FloatArray,
    meter_kwh: FloatArray,
) -> dict[str, FloatArray]:
    """Cost by part of sessions that charge first and then stand.

    Parameters
    ----------
    start_s, charged_s, end_s
        (n,) seconds since 1970: plug-in, end of charging, plug-out.
    meter_kwh
        (n,) energy at the meter; where it is NaN a tariff on energy has no cost.

    Returns
    -------
    dict
        By the names of `PARTS`, (n,); they add up to the sum before taxes, or to what is paid
        where the tariff includes a tax that it does not state. A least or highest price that is
        reached is shared among the parts in proportion, or is flat where there are none.
    """
    parts = {name: np.full(len(start_s), np.nan) for name in PARTS}
    needs_energy = bool(tariff.by_dimension["ENERGY"])
    place = ZoneInfo(zone)
    for row in range(len(start_s)):
        if needs_energy and np.isnan(meter_kwh[row]):
            continue
        periods = _periods(start_s[row], charged_s[row], end_s[row], meter_kwh[row])
        for name, amount in _shared(price(tariff, periods, place)).items():
            parts[name][row] = float(amount)
    return parts


def energy_rates(
    tariff: OcpiTariff,
    zone: str,
    at_s: FloatArray,
    power_kw: FloatArray,
    elapsed_s: FloatArray,
    energy_kwh: FloatArray,
) -> FloatArray:
    """Price of one more kWh at the meter, at instants of sessions in the states given."""
    place = ZoneInfo(zone)
    rates = np.zeros(len(at_s))
    for row in range(len(at_s)):
        state = Period(
            "charging",
            _instant(at_s[row]),
            _NOUGHT,
            power_kw=_decimal(power_kw[row]),
            elapsed_s=_decimal(elapsed_s[row]) or _NOUGHT,
            before_kwh=_decimal(energy_kwh[row]) or _NOUGHT,
        )
        component = rate(tariff, "ENERGY", state, place)
        rates[row] = 0.0 if component is None else float(component.price)
    return rates


def time_fees(
    tariff: OcpiTariff,
    dimension: Dimension,
    zone: str,
    start_s: FloatArray,
    from_s: FloatArray,
    to_s: FloatArray,
    power_kw: FloatArray,
) -> FloatArray:
    """What the time between pairs of instants costs, by the second and signed.

    Blocks are not rounded: one minute less is worth its price, not sometimes nothing and
    sometimes a whole block.
    """
    place = ZoneInfo(zone)
    fees = np.zeros(len(start_s))
    use: Use = "parking" if dimension == "PARKING_TIME" else "charging"
    for row in range(len(start_s)):
        low, high = sorted((from_s[row], to_s[row]))
        if np.isnan(low) or np.isnan(high):
            fees[row] = np.nan
            continue
        period = Period(
            use,
            _instant(low),
            Decimal(round(high - low, 6)),
            power_kw=_decimal(power_kw[row]),
            elapsed_s=Decimal(round(max(low - start_s[row], 0.0), 6)),
        )
        fee = float(time_fee(tariff, dimension, period, place))
        fees[row] = fee if to_s[row] >= from_s[row] else -fee
    return fees


def mean_power_kw(stops: pl.DataFrame, charging_efficiency: float) -> FloatArray:
    """Mean power at the meter over the active minutes; NaN where a frame does not tell."""
    if not {"energy_kwh", "active_min"} <= set(stops.columns):
        return np.full(len(stops), np.nan)
    active_h = floats(stops["active_min"]) / 60
    kwh = floats(stops["energy_kwh"]) / charging_efficiency
    mean: FloatArray = np.divide(kwh, np.where(active_h > 0, active_h, np.nan))
    return mean


def _periods(start_s: float, charged_s: float, end_s: float, meter_kwh: float) -> list[Period]:
    start, charged, end = (round(instant) for instant in (start_s, charged_s, end_s))
    kwh = Decimal(0 if np.isnan(meter_kwh) else round(meter_kwh * 10_000)) / 10_000
    power = kwh * 3600 / (charged - start) if charged > start else None
    periods = [Period("charging", _instant(start), Decimal(charged - start), kwh, power_kw=power)]
    if end > charged:
        periods.append(
            Period("parking", _instant(charged), Decimal(end - charged), power_kw=_NOUGHT)
        )
    return periods


def _shared(bill: Bill) -> dict[str, Decimal]:
    """The sum of a bill by its parts."""
    stated = {name: bill.part(dimension) for name, dimension in PARTS.items()}
    total = sum(stated.values(), _NOUGHT)
    if total == bill.cost:
        return stated
    if total == 0:
        return {**stated, "flat_cost": bill.cost}
    return {name: amount * bill.cost / total for name, amount in stated.items()}


def _instant(instant_s: float) -> datetime:
    return datetime.fromtimestamp(float(instant_s), UTC)


def _decimal(value: float) -> Decimal | None:
    return None if np.isnan(value) else Decimal(round(float(value), 6))

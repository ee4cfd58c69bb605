"""What energy and time at a charger cost, and which of that time was a break.

Pure arithmetic on frames; `pipeline.inventory` follows the cost into the pack.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.ocpi_cost import (
    energy_rates,
    mean_power_kw,
    ocpi_sites,
    session_parts,
    time_fees,
)
from pipeline.tariffs import (
    MIN_PRICED_KWH,
    FleetPrice,
    FloatArray,
    Tariffs,
    by_site,
    floats,
    nullable,
    seconds,
)


def session_costs(
    charges: pl.DataFrame,
    tariffs: Tariffs,
    zone: str,
    fleet_price: FleetPrice,
    charging_efficiency: float,
) -> pl.DataFrame:
    """Each charge with its cost.

    An invoiced sum is taken as it is; else the site's tariff is applied, its own elements or those
    of an OCPI tariff; else the fleet's price
    to the energy. Energy at the meter is the energy into the pack divided by
    ``charging_efficiency``. It is spread evenly over the charging minutes, which come first;
    the rest of the stay is idle. Where charging minutes are not known, an AC charge took its
    highest power throughout, and any other charge took power during its whole stay.

    Parameters
    ----------
    charges
        One row per charge: ``plug_in_at``, ``plug_out_at`` (instants), ``site_id``, ``mode``,
        ``energy_kwh`` (into the pack), ``power_max_kw``, ``charging_min``, ``invoiced_cost``,
        ``soc_start_pct``, ``soc_end_pct``, ``usable_kwh``; all but the instants may be null.
        Where energy is null, the rise of charge stands for it.
    tariffs
        Elements by site id.
    zone
        IANA name of the zone of all local times in the tariffs.

    Returns
    -------
    polars.DataFrame
        The rows in their order with ``priced_kwh`` (energy into the pack that the price is for),
        ``energy_cost``, ``time_cost``, ``idle_cost``, ``flat_cost`` (null where the source does
        not split its sum), ``total_cost``, ``price_per_kwh`` (of all parts, into the pack; null
        without energy) and ``cost_source``: ``invoice``, ``tariff``, ``ocpi_tariff``,
        ``fleet_price`` or ``assumed``.
    """
    priced_kwh = _pack_kwh(charges)
    start_s, end_s = seconds(charges["plug_in_at"]), seconds(charges["plug_out_at"])
    charged_s = start_s + 60 * _charging_min(charges, priced_kwh, (end_s - start_s) / 60)
    parts = {
        name: np.full(len(charges), np.nan)
        for name in ("energy_cost", "time_cost", "idle_cost", "flat_cost")
    }
    for rows, line in by_site(charges["site_id"], tariffs, zone, start_s, end_s):
        begin, stop, end = start_s[rows], charged_s[rows], end_s[rows]
        with np.errstate(invalid="ignore", divide="ignore"):
            mean_price = line.integral(line.rate("energy_per_kwh"), begin, stop) * 60
            mean_price /= stop - begin
        at_once = line.rate_at("energy_per_kwh", begin)
        price = np.where(stop > begin, mean_price, at_once)
        meter_kwh = priced_kwh[rows] / charging_efficiency
        parts["energy_cost"][rows] = np.where(price == 0, 0.0, meter_kwh * price)
        parts["time_cost"][rows] = line.time_cost(begin, stop)
        parts["idle_cost"][rows] = line.idle_cost(stop, end)
        parts["flat_cost"][rows] = line.rate_at("flat", begin)
    is_ocpi = np.zeros(len(charges), dtype=np.bool_)
    for rows, tariff in ocpi_sites(charges["site_id"], tariffs, start_s, charged_s, end_s):
        meter_kwh = priced_kwh[rows] / charging_efficiency
        found = session_parts(tariff, zone, start_s[rows], charged_s[rows], end_s[rows], meter_kwh)
        for name, part in found.items():
            parts[name][rows] = part
        is_ocpi[rows] = ~np.isnan(found["flat_cost"])
    has_tariff = ~np.isnan(parts["flat_cost"])
    invoiced = floats(charges["invoiced_cost"])
    is_invoiced = ~np.isnan(invoiced)
    parts["energy_cost"] = np.where(
        has_tariff, parts["energy_cost"], priced_kwh * fleet_price.per_kwh
    )
    by_tariff = sum(parts.values(), np.zeros(len(charges)))
    total = np.where(has_tariff, by_tariff, parts["energy_cost"])
    total = np.where(is_invoiced, invoiced, total)
    for name, part in parts.items():
        parts[name] = np.where(is_invoiced, np.nan, part)
    has_energy = priced_kwh >= MIN_PRICED_KWH
    default_source = "assumed" if fleet_price.is_assumed else "fleet_price"
    by_tariff_source = np.where(is_ocpi, "ocpi_tariff", "tariff")
    source = np.where(
        is_invoiced, "invoice", np.where(has_tariff, by_tariff_source, default_source)
    )
    return charges.with_columns(
        nullable("priced_kwh", priced_kwh),
        *(nullable(name, part) for name, part in parts.items()),
        nullable("total_cost", total),
        nullable("price_per_kwh", np.divide(total, np.where(has_energy, priced_kwh, np.nan))),
        pl.Series("cost_source", source.tolist(), dtype=pl.String),
    )


def marginal_price(
    stops: pl.DataFrame,
    tariffs: Tariffs,
    zone: str,
    fleet_price: FleetPrice,
    charging_efficiency: float,
    at_column: str = "plug_in_at",
) -> pl.DataFrame:
    """Price of one more kWh into the pack at each stop: the method's price for *worth*.

    The tariff's energy price at the site and instant, divided by the charging efficiency, for the
    meter counts what the pack does not get. The fleet's price is one of energy in the pack
    already.

    Returns
    -------
    polars.DataFrame
        In the order of ``stops``: ``marginal_price_per_kwh`` and ``price_source``, one of
        ``tariff``, ``ocpi_tariff``, ``fleet_price``, ``assumed``. Where an OCPI tariff depends on
        energy, power or duration, it is that at the end of the charge, if ``stops`` tells of it.
    """
    at_s = seconds(stops[at_column])
    price = np.full(len(stops), np.nan)
    is_ocpi = np.zeros(len(stops), dtype=np.bool_)
    power = mean_power_kw(stops, charging_efficiency)
    for rows, tariff in ocpi_sites(stops["site_id"], tariffs, at_s):
        is_told = not np.isnan(power[rows]).all()
        active_s = 60 * floats(stops["active_min"])[rows] if is_told else np.zeros(len(rows))
        kwh = power[rows] * active_s / 3600
        rates = energy_rates(tariff, zone, at_s[rows], power[rows], active_s, kwh)
        price[rows], is_ocpi[rows] = rates / charging_efficiency, True
    for rows, line in by_site(stops["site_id"], tariffs, zone, at_s, at_s):
        price[rows] = line.rate_at("energy_per_kwh", at_s[rows]) / charging_efficiency
    default_source = "assumed" if fleet_price.is_assumed else "fleet_price"
    source = np.where(np.isnan(price), default_source, np.where(is_ocpi, "ocpi_tariff", "tariff"))
    price = np.where(np.isnan(price), fleet_price.per_kwh, price)
    return pl.DataFrame(
        [
            nullable("marginal_price_per_kwh", price),
            pl.Series("price_source", source.tolist(), dtype=pl.String),
        ]
    )


def minute_fees(
    stops: pl.DataFrame,
    from_min: FloatArray,
    to_min: FloatArray,
    tariffs: Tariffs,
    zone: str,
    stays_until_min: FloatArray | None = None,
) -> FloatArray:
    """What a charge pays by the minute for charging from one minute to another.

    Parameters
    ----------
    stops
        ``site_id`` and ``plug_in_at``.
    from_min, to_min
        (n,) minutes since plug-in: where the charge would have ended, and where it ended; signed.
    stays_until_min
        (n,) minutes since plug-in at which the vehicle left, where it stayed on anyway, else
        NaN: minutes not charged are then idle ones, whose fee is taken off.

    Returns
    -------
    numpy.ndarray
        (n,) fees in the fleet's currency; NaN where minutes are missing or the site's tariff is
        not known.
    """
    from_min, to_min = np.asarray(from_min, np.float64), np.asarray(to_min, np.float64)
    start_s = seconds(stops["plug_in_at"])
    leaves_s = start_s + 60 * (
        np.full(len(stops), np.nan)
        if stays_until_min is None
        else np.asarray(stays_until_min, np.float64)
    )
    from_s, to_s = start_s + 60 * from_min, start_s + 60 * to_min
    lowest_s = np.fmin(start_s, np.fmin(from_s, to_s))
    highest_s = np.fmax(np.fmax(start_s, leaves_s), np.fmax(from_s, to_s))
    fees = np.full(len(stops), np.nan)
    for rows, line in by_site(stops["site_id"], tariffs, zone, lowest_s, highest_s):
        begin, end, leaves = from_s[rows], to_s[rows], leaves_s[rows]
        is_kept = ~np.isnan(leaves)
        idle = line.idle_cost(begin, np.fmax(leaves, begin)) - line.idle_cost(
            end, np.fmax(leaves, end)
        )
        fees[rows] = line.time_cost(begin, end) - np.where(is_kept, idle, 0.0)
    power = mean_power_kw(stops, 1.0)
    for rows, tariff in ocpi_sites(stops["site_id"], tariffs, start_s, from_s, to_s):
        begin, end, leaves = from_s[rows], to_s[rows], leaves_s[rows]
        # Idling from the earlier end of the charge, less idling from the later one.
        stays = np.fmax(leaves, np.fmax(begin, end))
        plug_in, none = start_s[rows], np.full(len(rows), np.nan)
        idle = time_fees(tariff, "PARKING_TIME", zone, plug_in, begin, stays, none)
        idle -= time_fees(tariff, "PARKING_TIME", zone, plug_in, end, stays, none)
        charged = time_fees(tariff, "TIME", zone, plug_in, begin, end, power[rows])
        fees[rows] = charged - np.where(np.isnan(leaves), 0.0, idle)
    return fees


def recorded_breaks(
    stops: pl.DataFrame,
    spans: pl.DataFrame,
    from_column: str = "plug_in_at",
    to_column: str = "plug_out_at",
) -> FloatArray:
    """Minutes of each stop, or of a part of it, that lie inside recorded breaks.

    Overlapping breaks count once. A break that names nobody counts for whoever is at the stop;
    one that names somebody else than the stop's driver does not.

    Parameters
    ----------
    stops
        ``vehicle_id``, ``driver_id`` and the two instants.
    spans
        Rows of ``driver_spans``: ``vehicle_id``, ``from_at``, ``to_at``, ``driver_id``, ``use``.

    Returns
    -------
    numpy.ndarray
        (n,) minutes, 0 where there is no break, NaN where an instant is missing.
    """
    parts = stops.select(
        "vehicle_id", "driver_id", begins_at=from_column, ends_at=to_column
    ).with_row_index("row_no")
    breaks = spans.filter(pl.col("use") == "break").select(
        "vehicle_id", "from_at", "to_at", break_driver_id="driver_id"
    )
    # Joined by the days they touch; a pair that meets on two days overlaps itself, so counts once.
    inside = (
        _per_day(parts, "begins_at", "ends_at")
        .join(_per_day(breaks, "from_at", "to_at"), on=["vehicle_id", "day"])
        .filter(pl.col("begins_at") < pl.col("to_at"), pl.col("ends_at") > pl.col("from_at"))
        .filter((pl.col("driver_id") == pl.col("break_driver_id")).fill_null(True))
        .select(
            "row_no",
            from_at=pl.max_horizontal("from_at", "begins_at"),
            to_at=pl.min_horizontal("to_at", "ends_at"),
        )
        .sort("row_no", "from_at", "to_at")
        .with_columns(covered_at=pl.col("to_at").cum_max().shift(1).over("row_no"))
        .with_columns(new=pl.col("to_at") - pl.max_horizontal("from_at", "covered_at"))
        .group_by("row_no")
        .agg(break_min=pl.col("new").dt.total_microseconds().clip(0).sum() / 60e6)
    )
    is_known = parts["begins_at"].is_not_null() & parts["ends_at"].is_not_null()
    minutes = parts.join(inside, on="row_no", how="left", maintain_order="left")["break_min"]
    return np.where(is_known.to_numpy(), floats(minutes.fill_null(0.0)), np.nan)


def _per_day(spans: pl.DataFrame, from_column: str, to_column: str) -> pl.DataFrame:
    """Each span once per UTC day that it touches; spans without both ends are left out."""
    whole = spans.drop_nulls([from_column, to_column])
    return whole.with_columns(
        day=pl.date_ranges(pl.col(from_column).dt.date(), pl.col(to_column).dt.date())
    ).explode("day")


def _pack_kwh(charges: pl.DataFrame) -> FloatArray:
    """Energy into the pack; where it is not known, the rise of charge times the capacity."""
    rise = (charges["soc_end_pct"] - charges["soc_start_pct"]) / 100 * charges["usable_kwh"]
    given = floats(charges["energy_kwh"])
    return np.where(np.isnan(given), np.maximum(floats(rise), 0.0), given)


def _charging_min(charges: pl.DataFrame, pack_kwh: FloatArray, stay_min: FloatArray) -> FloatArray:
    """Minutes of charging, within the stay."""
    told = floats(charges["charging_min"])
    power = floats(charges["power_max_kw"])
    is_ac = (charges["mode"] == "ac").fill_null(False).to_numpy() & (power > 0)
    guess = np.where(is_ac, pack_kwh / np.where(power > 0, power, np.nan) * 60, stay_min)
    guess = np.where(np.isnan(guess), stay_min, guess)
    return np.where(np.isnan(told), guess, told).clip(0.0, stay_min)

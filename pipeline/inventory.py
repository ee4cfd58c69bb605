"""What the energy in each pack had cost: a weighted-average inventory over its charges."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.tariffs import MIN_PRICED_KWH, FleetPrice

UNSEEN_RISE_PCT = 5.0
"""Charge that rose by more between two charges was charged unseen (our choice, no source):
less is what a display's rounding, rest recalibration or a long descent explain."""

ASSUMED_ABOVE_RATE = 0.5
"""A pack's price is called assumed where more of its energy than this has an assumed price."""


def pack_inventory(costs: pl.DataFrame, fleet_price: FleetPrice) -> pl.DataFrame:
    """What the energy in each pack had cost, by weighted average over its charges.

    Before a charge the pack holds its charge times its capacity at the average price so far; the
    charge adds its energy at its own price, all parts included. Warming on the approach is drawn
    before plug-in, hence at the price before. A vehicle's first charge finds the fleet's price in
    the pack. Charge that rose by more than `UNSEEN_RISE_PCT` since the last charge came in unseen,
    at the fleet's price.

    Parameters
    ----------
    costs
        Rows of `session_costs`, in any order, with ``vehicle_id``, ``plug_in_at``,
        ``soc_start_pct``, ``soc_end_pct``, ``usable_kwh``.

    Returns
    -------
    polars.DataFrame
        One row per charge in the order given: ``vehicle_id``, ``plug_in_at``, ``held_kwh`` (in
        the pack at plug-in), ``unseen_kwh`` (part of it charged unseen), ``price_before_per_kwh``,
        ``price_after_per_kwh``, ``assumed_before_rate`` and ``assumed_after_rate`` (0 to 1, share
        of the energy whose price is assumed), ``is_price_assumed`` (more than
        `ASSUMED_ABOVE_RATE` before plug-in) and ``price_why`` where it is a fallback:
        ``first_charge``, ``unseen_charge``, ``no_state_of_charge`` or ``no_capacity`` (after the
        charge: the share of the new energy is not known), ``no_cost``.
    """
    order = costs.with_row_index("row_no").sort(
        "vehicle_id", "plug_in_at", "plug_out_at", "total_cost", "priced_kwh"
    )
    wanted = (
        "vehicle_id", "soc_start_pct", "soc_end_pct", "usable_kwh", "priced_kwh", "total_cost",
        "cost_source",
    )  # fmt: skip
    found: list[tuple[Any, ...]] = []
    vehicle_id, price, assumed, last_pct = None, fleet_price.per_kwh, 1.0, None
    for vehicle, soc_from, soc_to, usable, added, cost, source in order.select(wanted).iter_rows():
        why = None
        if vehicle != vehicle_id:
            vehicle_id, price, assumed, last_pct = vehicle, fleet_price.per_kwh, 1.0, None
            why = "first_charge"
        held = None if soc_from is None or usable is None else soc_from / 100 * usable
        unseen = 0.0 if held is not None else None
        if held and last_pct is not None and soc_from - last_pct > UNSEEN_RISE_PCT:
            unseen, why = (soc_from - last_pct) / 100 * usable, "unseen_charge"
            share = unseen / held
            price += share * (fleet_price.per_kwh - price)
            assumed += share * (1.0 - assumed)
        before = price, assumed
        if held is None:
            why = "no_capacity" if usable is None else "no_state_of_charge"
            price, assumed = fleet_price.per_kwh, 1.0
        elif added is None or cost is None:
            why = "no_cost"
            price, assumed = fleet_price.per_kwh, 1.0
        elif held + added >= MIN_PRICED_KWH:
            is_assumed = float(source == "assumed")
            assumed = (held * assumed + added * is_assumed) / (held + added)
            price = (held * price + cost) / (held + added)
        if soc_to is not None:
            last_pct = soc_to
        elif held is not None and added is not None and usable:
            last_pct = soc_from + added / usable * 100
        else:
            last_pct = None
        found.append((held, unseen, before[0], price, before[1], assumed, why))
    schema = {
        "held_kwh": pl.Float64,
        "unseen_kwh": pl.Float64,
        "price_before_per_kwh": pl.Float64,
        "price_after_per_kwh": pl.Float64,
        "assumed_before_rate": pl.Float64,
        "assumed_after_rate": pl.Float64,
        "price_why": pl.String,
    }
    ledger = pl.DataFrame(found, schema=schema, orient="row").with_columns(
        is_price_assumed=pl.col("assumed_before_rate") > ASSUMED_ABOVE_RATE
    )
    keys = order.select("row_no", "vehicle_id", "plug_in_at")
    return pl.concat([keys, ledger], how="horizontal").sort("row_no").drop("row_no")


def held_price(
    inventory: pl.DataFrame, moments: pl.DataFrame, at_column: str, fleet_price: FleetPrice
) -> pl.DataFrame:
    """Price of the energy in a pack at any moment, for warming that no charge followed.

    Parameters
    ----------
    inventory
        Rows of `pack_inventory`.
    moments
        ``vehicle_id`` and the instant in ``at_column``.

    Returns
    -------
    polars.DataFrame
        The rows in their order with ``held_price_per_kwh`` and ``is_price_assumed``: as the last
        charge plugged in before left it; before the first, the fleet's price, assumed.
    """
    after = inventory.select(
        "vehicle_id",
        charged_at="plug_in_at",
        held_price_per_kwh="price_after_per_kwh",
        is_price_assumed=pl.col("assumed_after_rate") > ASSUMED_ABOVE_RATE,
    ).sort("charged_at", maintain_order=True)
    joined = (
        moments.with_row_index("row_no")
        .sort(at_column, maintain_order=True)
        .join_asof(
            after,
            left_on=at_column,
            right_on="charged_at",
            by="vehicle_id",
            allow_exact_matches=False,
            check_sortedness=False,
        )
    )
    return (
        joined.sort("row_no")
        .drop("row_no", "charged_at")
        .with_columns(
            pl.col("held_price_per_kwh").fill_null(fleet_price.per_kwh),
            pl.col("is_price_assumed").fill_null(True),
        )
    )

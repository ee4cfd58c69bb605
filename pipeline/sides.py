"""Vehicle, charger and bill laid next to each other, and what differs between them.

Pure arithmetic on frames; `pipeline.matching` pairs the rows up.
"""

from __future__ import annotations

from typing import NamedTuple

import polars as pl

from pipeline.matching import Rules, match_sides

EFFICIENCY_TOLERANCE = 0.04
"""Charging efficiencies are taken to lie within this of the usual one (common practice, no
source)."""
ENERGY_LEAST_KWH = 1.0
"""Less than this is no difference: displays show whole per cents."""
COST_TOLERANCE_RATE = 0.02
COST_LEAST_COST = 0.05
"""A sum is another one beyond the larger of the two; bills are rounded, meters have classes."""
MISSING_MOST_MIN = 2.0
"""With more of the charge unseen, what the pack received is not known well enough to judge."""
SAME_TIME_RATE = 0.5
"""Overlap, as a part of the shorter stay, from which two bills speak of the same time."""


class Joined(NamedTuple):
    """Which rows are one charge, and how far the chargers' clocks are off.

    ``rows``: ``seen_no``, ``bill_no``, ``charger_no`` (row numbers of the three frames, null where
    a side does not tell of it), ``match_value``, ``bills_n``, ``is_billed_twice``, and
    ``billed_kwh`` and ``billed_cost``, summed over the bills of one stay.
    """

    rows: pl.DataFrame
    clocks: pl.DataFrame


def join_sides(
    seen: pl.DataFrame,
    bills: pl.DataFrame,
    transactions: pl.DataFrame,
    charging_efficiency: float,
    rules: Rules | None = None,
) -> Joined:
    """Lay the three sides next to each other.

    Parameters
    ----------
    seen
        Charges by the vehicle: ``vehicle_id``, ``plug_in_at``, ``plug_out_at``, ``site_id``,
        ``energy_kwh`` (into the pack).
    bills
        ``vehicle_id``, ``plug_in_at``, ``plug_out_at``, ``site_id``, ``billed_kwh``,
        ``billed_cost``, ``record_id``, ``is_day_only``.
    transactions
        Charges by the charger: ``charger_id``, ``begins_at``, ``ends_at``, ``site_id``,
        ``vehicle_id``, ``charger_kwh``, ``transaction_id``.
    """
    rules = rules or Rules()
    by_vehicle = _side(
        seen, "plug_in_at", "plug_out_at", energy_kwh=pl.col("energy_kwh") / charging_efficiency
    )
    # A day has no clock: from its midnight to the next.
    is_day = pl.col("is_day_only")
    by_bill = _side(
        bills,
        "plug_in_at",
        "plug_out_at",
        energy_kwh=pl.col("billed_kwh"),
        reference_id=pl.col("record_id"),
        is_day_only=is_day,
    ).with_columns(
        ends_s=pl.when(is_day)
        .then(pl.max_horizontal("ends_s", pl.col("begins_s") + 86_400))
        .otherwise("ends_s")
    )
    by_charger = _side(
        transactions,
        "begins_at",
        "ends_at",
        energy_kwh=pl.col("charger_kwh"),
        reference_id=pl.col("transaction_id"),
        clock_id=pl.col("charger_id"),
    )
    billed = match_sides(by_vehicle, by_bill, rules).pairs
    charged, clocks = match_sides(by_vehicle, by_charger, rules)
    parts, twice = _other_bills(seen, bills, billed)
    lonely = _without(bills.height, billed["right_no"], parts["bill_no"])
    unseen = _without(transactions.height, charged["right_no"])
    shift = (
        by_charger.select("clock_id")
        .join(clocks, on="clock_id", how="left", maintain_order="left")["clock_offset_s"]
        .fill_null(0.0)
    )
    on_time = by_charger.with_columns(pl.col("begins_s") + shift, pl.col("ends_s") + shift)
    paid = match_sides(by_bill[lonely], on_time[unseen], rules).pairs
    known = (
        pl.DataFrame({"seen_no": range(seen.height)}, schema={"seen_no": pl.Int64})
        .join(
            billed.select(seen_no="left_no", bill_no="right_no", match_value="match_value"),
            on="seen_no",
            how="left",
        )
        .join(
            charged.select(seen_no="left_no", charger_no="right_no", charger_value="match_value"),
            on="seen_no",
            how="left",
        )
    )
    never_seen = pl.DataFrame({"bill_no": lonely}, schema={"bill_no": pl.Int64}).join(
        pl.DataFrame(
            {
                "bill_no": lonely.gather(paid["left_no"]),
                "charger_no": unseen.gather(paid["right_no"]),
                "charger_value": paid["match_value"],
            }
        ),
        on="bill_no",
        how="left",
    )
    rows = pl.concat([known, never_seen], how="diagonal").with_columns(
        pl.coalesce("match_value", "charger_value").alias("match_value")
    )
    return Joined(_with_sums(rows.drop("charger_value"), bills, parts, twice), clocks)


def _side(rows: pl.DataFrame, begins: str, ends: str, **more: pl.Expr) -> pl.DataFrame:
    return rows.select(
        begins_s=pl.col(begins).dt.epoch("us") / 1e6,
        ends_s=pl.col(ends).dt.epoch("us") / 1e6,
        place_id=pl.col("site_id"),
        party_id=pl.col("vehicle_id"),
        **more,
    )


def _without(count: int, *taken: pl.Series) -> pl.Series:
    """Row numbers that are not taken."""
    numbers = pl.Series("no", range(count), dtype=pl.Int64)
    for some in taken:
        numbers = numbers.filter(~numbers.is_in(some.implode()))
    return numbers


def _other_bills(
    seen: pl.DataFrame, bills: pl.DataFrame, billed: pl.DataFrame
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Of the bills without a charge of their own, those for another part of a charge billed
    (``seen_no``, ``bill_no``), and those for the time of another bill (``bill_no``)."""
    every = bills.select(
        "vehicle_id", "plug_in_at", "plug_out_at", "billed_kwh", "billed_cost", "is_day_only"
    ).with_columns(pl.Series("bill_no", range(bills.height), dtype=pl.Int64))
    every = every.join(
        billed.select(bill_no="right_no", seen_no="left_no"), on="bill_no", how="left"
    )
    alone = every.filter(pl.col("seen_no").is_null())
    pairs = alone.join(every, on="vehicle_id", suffix="_2").filter(
        pl.col("bill_no") != pl.col("bill_no_2")
    )
    is_day = pl.col("is_day_only") | pl.col("is_day_only_2")
    is_same_time = (
        pl.when(is_day)
        .then(
            (pl.col("plug_in_at") == pl.col("plug_in_at_2"))
            & pl.col("billed_kwh").eq_missing(pl.col("billed_kwh_2"))
            & (pl.col("billed_cost") == pl.col("billed_cost_2"))
        )
        .otherwise(_overlap() >= SAME_TIME_RATE)
    )
    is_first = pl.col("seen_no_2").is_not_null() | (pl.col("bill_no_2") < pl.col("bill_no"))
    twice = pairs.filter(is_same_time & is_first).select("bill_no").unique().sort("bill_no")
    stays = seen.select("vehicle_id", "plug_in_at", "plug_out_at").with_columns(
        pl.Series("seen_no_2", range(seen.height), dtype=pl.Int64)
    )
    parts = (
        alone.filter(~pl.col("is_day_only"))
        .join(twice, on="bill_no", how="anti")
        .join(
            stays.filter(pl.col("seen_no_2").is_in(billed["left_no"].implode())),
            on="vehicle_id",
            suffix="_2",
        )
        .filter(_overlap() >= SAME_TIME_RATE)
        .select("bill_no", seen_no="seen_no_2")
        .unique("bill_no", keep="first", maintain_order=True)
    )
    return parts, twice


def _overlap() -> pl.Expr:
    """Overlap of two stays as a part of the shorter."""
    both = pl.min_horizontal("plug_out_at", "plug_out_at_2") - pl.max_horizontal(
        "plug_in_at", "plug_in_at_2"
    )
    shorter = pl.min_horizontal(
        pl.col("plug_out_at") - pl.col("plug_in_at"),
        pl.col("plug_out_at_2") - pl.col("plug_in_at_2"),
    )
    seconds = pl.max_horizontal(shorter.dt.total_milliseconds() / 1000, pl.lit(1.0))
    return both.dt.total_milliseconds() / 1000 / seconds


def _with_sums(
    rows: pl.DataFrame, bills: pl.DataFrame, parts: pl.DataFrame, twice: pl.DataFrame
) -> pl.DataFrame:
    """What was billed in all for each row."""
    sums = bills.select("billed_kwh", "billed_cost").with_columns(
        pl.Series("bill_no", range(bills.height), dtype=pl.Int64)
    )
    own = rows.join(sums, on="bill_no", how="left", maintain_order="left")
    more = (
        parts.join(sums, on="bill_no")
        .group_by("seen_no")
        .agg(
            # A part without energy leaves the whole unknown.
            pl.when(pl.col("billed_kwh").null_count() == 0)
            .then(pl.col("billed_kwh").sum())
            .alias("more_kwh"),
            pl.col("billed_cost").sum().alias("more_cost"),
            more_n=pl.len(),
        )
    )
    joined = own.join(more, on="seen_no", how="left", maintain_order="left")
    has_more = pl.col("more_n").is_not_null()
    return joined.select(
        "seen_no",
        "bill_no",
        "charger_no",
        "match_value",
        bills_n=pl.col("bill_no").is_not_null().cast(pl.Int32)
        + pl.col("more_n").fill_null(0).cast(pl.Int32),
        is_billed_twice=pl.col("bill_no").is_in(twice["bill_no"].implode()).fill_null(False)
        & pl.col("seen_no").is_null(),
        billed_kwh=pl.when(has_more)
        .then(pl.col("billed_kwh") + pl.col("more_kwh"))
        .otherwise("billed_kwh"),
        billed_cost=pl.col("billed_cost") + pl.col("more_cost").fill_null(0.0),
    )


def with_status(rows: pl.DataFrame, charging_efficiency: float) -> pl.DataFrame:
    """What each charge is, and why.

    Parameters
    ----------
    rows
        ``is_seen``, ``is_billed``, ``is_billed_twice``, ``is_vehicle_heard``, ``is_own_charger``
        (of a site whose chargers the fleet knows), ``is_charger_seen``, ``is_site_billing``,
        ``received_kwh`` (into the pack), ``charger_kwh``, ``billed_kwh``, ``missing_min``,
        ``billed_cost``, ``expected_cost``, ``idle_fee_cost``.

    Returns
    -------
    polars.DataFrame
        The rows with ``status`` and ``why``.
    """
    received, metered = pl.col("received_kwh"), pl.coalesce("billed_kwh", "charger_kwh")
    is_known = (
        pl.col("is_seen") & received.is_not_null() & metered.is_not_null() & (metered > 0)
        & (pl.col("missing_min").fill_null(0.0) <= MISSING_MOST_MIN)
    )  # fmt: skip
    apart_kwh = metered - received / charging_efficiency
    is_energy_off = (
        is_known
        & ((received / metered - charging_efficiency).abs() > EFFICIENCY_TOLERANCE)
        & (apart_kwh.abs() > ENERGY_LEAST_KWH)
    ).fill_null(False)
    apart_cost = pl.col("billed_cost") - pl.col("expected_cost")
    most_cost = pl.max_horizontal(
        COST_TOLERANCE_RATE * pl.col("expected_cost"), pl.lit(COST_LEAST_COST)
    )
    is_cost_off = (pl.col("is_billed") & (apart_cost.abs() > most_cost)).fill_null(False)
    is_idle = (pl.col("is_billed") & (pl.col("idle_fee_cost") >= 0.005)).fill_null(False)
    is_unbilled = pl.col("is_seen") & ~pl.col("is_billed") & ~pl.col("is_own_charger")
    status = (
        pl.when(~pl.col("is_seen")).then(pl.lit("billed_never_seen"))
        .when(is_unbilled).then(pl.lit("seen_never_billed"))
        .when(is_energy_off).then(pl.lit("energy_differs"))
        .when(is_cost_off).then(pl.lit("cost_differs"))
        .when(is_idle).then(pl.lit("idle_fee"))
        .otherwise(pl.lit("matched"))
    )  # fmt: skip
    above = pl.lit("above_")
    why = (
        pl.when((pl.col("status") == "billed_never_seen") & pl.col("is_billed_twice"))
        .then(pl.lit("billed_twice"))
        .when((pl.col("status") == "billed_never_seen") & ~pl.col("is_vehicle_heard"))
        .then(pl.lit("vehicle_silent"))
        .when(status == "billed_never_seen")
        .then(pl.lit("no_charge_then"))
        .when(is_unbilled & ~pl.col("is_site_billing"))
        .then(pl.lit("site_never_bills"))
        .when(pl.col("status") == "energy_differs")
        .then(pl.when(apart_kwh > 0).then(above + "received").otherwise(pl.lit("below_received")))
        .when(pl.col("status") == "cost_differs")
        .then(pl.when(apart_cost > 0).then(above + "tariff").otherwise(pl.lit("below_tariff")))
        .when(~pl.col("is_billed") & pl.col("is_own_charger"))
        .then(pl.when("is_charger_seen").then(pl.lit("own_charger")).otherwise(pl.lit("no_log")))
        .when(pl.col("is_seen") & pl.col("is_billed") & ~is_known)
        .then(pl.lit("energy_not_judged"))
    )
    return rows.with_columns(status=status).with_columns(why=why)

"""A week's charges as vehicle, charger and bill show them, laid next to each other and kept.

Tables ``reconciliation``, ``charger_clocks`` and ``stop_offers``, one week at a time.
"""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import duckdb
import polars as pl

from pipeline.config import Fleet
from pipeline.cost import session_costs
from pipeline.fleet_tables import card_table
from pipeline.method import CONSTANTS
from pipeline.prices import fleet_price, tariffs_of
from pipeline.sides import Joined, join_sides, with_status
from pipeline.warehouse import query, register, run, transaction
from pipeline.weeks import WeekSpan, span_of

MARGIN = timedelta(days=2)
"""Charges so far outside the week are matched too, so that none at its edge goes astray."""
TABLES = ("reconciliation", "charger_clocks", "stop_offers")


def reconcile(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> None:
    """Write one week's rows of `TABLES`, all or none; what was there for it is replaced.

    Needs the tables of `pipeline.fleet_tables`, and the week's charges computed.
    """
    span = span_of(week_id, fleet.zone)
    params = {
        "week_id": week_id,
        "zone": fleet.settings.time_zone,
        "window_from_at": span.from_at - MARGIN,
        "window_to_at": span.to_at + MARGIN,
    }
    register(con, "charger_sites", _charger_sites(fleet))
    register(con, "card_holders", card_table(fleet))
    seen = query(con, "reconcile/seen_charges", params)
    bills = query(con, "reconcile/bills", params).filter(~pl.col("is_second_report"))
    transactions = query(con, "reconcile/charger_transactions", params)
    efficiency = float(CONSTANTS["charging_efficiency"])
    joined = join_sides(seen, bills, transactions, efficiency)
    whole = _laid_out(joined, seen, bills, transactions)
    own = set(_charger_sites(fleet)["site_id"])
    billing = query(con, "reconcile/billed_sites")["site_id"].to_list()
    whole = whole.with_columns(
        is_charger_seen=pl.col("charger_no").is_not_null(),
        is_own_charger=pl.col("charger_no").is_not_null()
        | pl.col("site_id").is_in(list(own)).fill_null(False),
        # Of a place that is not known nothing is: it may well be one that bills.
        is_site_billing=(pl.col("site_id").is_null() | pl.col("site_id").is_in(billing)).fill_null(
            True
        ),
    )
    whole = with_status(_with_costs(whole, fleet, efficiency), efficiency)
    rows = {
        "reconciliation": _reconciliation(whole, span, week_id, efficiency),
        "charger_clocks": joined.clocks.select(
            pl.lit(week_id).alias("week_id"),
            pl.col("clock_id").alias("charger_id"),
            "clock_offset_s",
            pl.col("pairs_n").cast(pl.Int32).alias("charges_n"),
        ),
        "stop_offers": _offers(whole, query(con, "reconcile/offer_minutes", params), span, week_id),
    }
    with transaction(con):
        for table in TABLES:
            run(con, f"reconcile/clear_{table}", params)
            register(con, f"{table}_rows", rows[table])
            run(con, f"reconcile/record_{table}")


def reconciled(con: duckdb.DuckDBPyConnection, week_id: str) -> pl.DataFrame:
    """The week's rows with the names of places and vehicles, in their order."""
    return query(con, "reconcile/reconciled", {"week_id": week_id})


def second_reports_n(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> int:
    """Bills of the week left out because another source told of the same charge before."""
    span = span_of(week_id, fleet.zone)
    params = {
        "zone": fleet.settings.time_zone,
        "window_from_at": span.from_at,
        "window_to_at": span.to_at,
    }
    return int(query(con, "reconcile/bills", params)["is_second_report"].sum())


def _charger_sites(fleet: Fleet) -> pl.DataFrame:
    rows = [(name, site) for site, known in fleet.sites.items() for name in known.chargers]
    schema = {"charger_id": pl.String, "site_id": pl.String}
    return pl.DataFrame(rows, schema=schema, orient="row").unique(
        "charger_id", keep="first", maintain_order=True
    )


def _laid_out(
    joined: Joined, seen: pl.DataFrame, bills: pl.DataFrame, transactions: pl.DataFrame
) -> pl.DataFrame:
    """The joined rows with what each side says, the vehicle first where two say it."""
    sides = {
        "seen": seen.rename({"energy_kwh": "received_kwh", "plug_in_at": "seen_at"}),
        "bill": bills.drop("billed_kwh", "billed_cost").rename({"plug_in_at": "billed_at"}),
        "charger": transactions,
    }
    rows = joined.rows
    for name, frame in sides.items():
        numbered = frame.rename({column: f"{name}.{column}" for column in frame.columns})
        number = pl.Series(f"{name}_no", range(frame.height), dtype=pl.Int64)
        rows = rows.join(
            numbered.with_columns(number), on=f"{name}_no", how="left", maintain_order="left"
        )
    return rows.select(
        pl.exclude("^(seen|bill|charger)\\..*$"),
        is_seen=pl.col("seen_no").is_not_null(),
        is_billed=pl.col("bill_no").is_not_null(),
        is_vehicle_heard=pl.col("bill.is_vehicle_heard").fill_null(True),
        vehicle_id=pl.coalesce("seen.vehicle_id", "bill.vehicle_id"),
        vehicle_use=pl.coalesce("seen.vehicle_use", "bill.vehicle_use"),
        site_id=pl.coalesce("seen.site_id", "bill.site_id", "charger.site_id"),
        mode=pl.coalesce("seen.mode", "bill.charge_mode"),
        stop_id="seen.stop_id",
        seen_at="seen.seen_at",
        seen_until_at="seen.plug_out_at",
        billed_at="bill.billed_at",
        billed_until_at="bill.plug_out_at",
        is_day_only=pl.col("bill.is_day_only").fill_null(False),
        charger_id="charger.charger_id",
        transaction_id="charger.transaction_id",
        record_id="bill.record_id",
        received_kwh="seen.received_kwh",
        charger_kwh="charger.charger_kwh",
        site_offered_kw="charger.site_offered_kw",
        offered_least_kw="charger.offered_least_kw",
        power_max_kw=pl.coalesce("seen.power_max_kw", "bill.power_max_kw"),
        idle_min=pl.coalesce("bill.parking_min", "seen.idle_min"),
        missing_min="seen.missing_min",
        bill_file_id="bill.bill_file_id",
        bill_file_row="bill.bill_file_row",
    )


def _with_costs(rows: pl.DataFrame, fleet: Fleet, efficiency: float) -> pl.DataFrame:
    """``expected_cost`` and ``idle_fee_cost``: by the site's tariff, of the energy billed for the
    time billed, so that a difference in energy is not counted again as one in price; of what was
    never billed, of the energy received. Null where the site has no tariff."""
    is_timed = pl.col("is_billed") & ~pl.col("is_day_only")
    begins = pl.when(is_timed).then("billed_at").otherwise(pl.coalesce("seen_at", "billed_at"))
    ends = pl.when(is_timed).then("billed_until_at")
    # Of a charge billed in several parts the stay is the vehicle's.
    is_whole = (pl.col("bills_n") > 1) & pl.col("is_seen")
    charges = rows.select(
        "site_id",
        "mode",
        "power_max_kw",
        plug_in_at=pl.when(is_whole).then("seen_at").otherwise(begins),
        plug_out_at=pl.when(is_whole)
        .then("seen_until_at")
        .otherwise(ends.otherwise(pl.coalesce("seen_until_at", "billed_until_at"))),
        energy_kwh=pl.coalesce(
            pl.col("billed_kwh") * efficiency,
            "received_kwh",
            pl.col("charger_kwh") * efficiency,
        ),
        idle_min="idle_min",
        invoiced_cost=pl.lit(None, pl.Float64),
        soc_start_pct=pl.lit(None, pl.Float64),
        soc_end_pct=pl.lit(None, pl.Float64),
        usable_kwh=pl.lit(None, pl.Float64),
    ).with_columns(
        charging_min=(pl.col("plug_out_at") - pl.col("plug_in_at")).dt.total_seconds() / 60
        - pl.col("idle_min")
    )
    costs = session_costs(
        charges, tariffs_of(fleet), fleet.settings.time_zone, fleet_price(fleet), efficiency
    ).select("total_cost", "idle_cost", "cost_source")
    has_tariff = costs["cost_source"].is_in(["tariff", "ocpi_tariff"])
    return rows.with_columns(
        expected_cost=pl.when(has_tariff).then(costs["total_cost"]),
        idle_fee_cost=pl.when(has_tariff).then(costs["idle_cost"]),
    )


def _reconciliation(
    rows: pl.DataFrame, span: WeekSpan, week_id: str, efficiency: float
) -> pl.DataFrame:
    """The week's rows in the columns of the table: fast charges, and whatever was billed."""
    is_wanted = pl.col("is_billed") | (pl.col("mode") != "ac").fill_null(True)
    return (
        rows.filter(_in_week(span), is_wanted)
        .sort(
            pl.coalesce("seen_at", "billed_at"), "vehicle_id", "bill_file_id", "bill_file_row",
            nulls_last=True,
        )
        .with_row_index("row_no", 1)
        .select(
            pl.lit(week_id).alias("week_id"),
            pl.col("row_no").cast(pl.Int32),
            "status", "why", "vehicle_id", "vehicle_use", "site_id", "stop_id", "seen_at",
            "billed_at", "charger_id", "transaction_id", "record_id", "received_kwh",
            "charger_kwh", "billed_kwh",
            (pl.col("received_kwh") / efficiency).alias("expected_kwh"),
            "billed_cost", "expected_cost", "idle_fee_cost", "bills_n", "match_value",
            "bill_file_id", "bill_file_row",
        )
    )  # fmt: skip


def _in_week(span: WeekSpan) -> pl.Expr:
    return pl.coalesce("seen_at", "billed_at").is_between(*span, closed="left")


def _offers(
    rows: pl.DataFrame, minutes: pl.DataFrame, span: WeekSpan, week_id: str
) -> pl.DataFrame:
    """What the charger offered at each charge that both vehicle and charger saw."""
    both = rows.filter(_in_week(span), pl.col("is_seen"), pl.col("charger_no").is_not_null())
    columns: dict[str, Any] = {"plug_in_at": "seen_at"}
    return (
        both.join(minutes, on=["charger_id", "transaction_id"], how="left")
        .sort("vehicle_id", "seen_at")
        .select(
            pl.lit(week_id).alias("week_id"), "vehicle_id", "charger_id", "transaction_id",
            "site_offered_kw", "offered_least_kw", "held_back_min", "suspended_by_site_min",
            **columns,
        )
    )  # fmt: skip

"""What `coldminutes reconcile` prints: a week's charges by how their sides agree, with sums."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from pipeline.config import Fleet

MEANINGS = {
    ("billed_never_seen", "billed_twice"): "billed for a time that another bill covers",
    ("billed_never_seen", "no_charge_then"): "billed, and the vehicle's samples show no charge",
    ("billed_never_seen", "vehicle_silent"): "billed while the vehicle sent nothing: not judged",
    ("seen_never_billed", None): "charged where others are billed, and no bill came",
    ("seen_never_billed", "site_never_bills"): "charged at a site that never sent a bill",
    ("energy_differs", "above_received"): "more energy billed than the pack can have taken",
    ("energy_differs", "below_received"): "less energy billed than the pack took",
    ("cost_differs", "above_tariff"): "billed above the site's tariff",
    ("cost_differs", "below_tariff"): "billed below the site's tariff",
    ("idle_fee", None): "billed as agreed, and time not charging cost a fee",
    ("matched", None): "vehicle and bill agree",
    ("matched", "own_charger"): "vehicle and the fleet's own charger agree; no bill is due",
    ("matched", "no_log"): "at the fleet's own charger, whose log does not show it",
}
"""Status and why, in the order of print -> what it means."""

STATUSES = tuple(dict.fromkeys(status for status, _ in MEANINGS))

CSV_COLUMNS = (
    "week_id", "status", "why", "vehicle_id", "site_id", "stop_id", "seen_at", "billed_at",
    "charger_id", "transaction_id", "record_id", "received_kwh", "expected_kwh", "charger_kwh",
    "billed_kwh", "billed_cost", "expected_cost", "idle_fee_cost", "bills_n", "bill_file_path",
    "bill_file_row",
)  # fmt: skip
_ONE_LINE = 8
"""So many charges of a group are listed; the CSV has all of them."""


def told_rows(rows: pl.DataFrame, zone: ZoneInfo) -> list[dict[str, Any]]:
    """Rows as they may be told: local times, of a rental only the date, and no transaction's
    number, which may hold one."""
    told = []
    for row in rows.iter_rows(named=True):
        is_rental = row["vehicle_use"] == "rental"
        pattern = "%Y-%m-%d" if is_rental else "%Y-%m-%d %H:%M"
        times = {
            name: None if row[name] is None else row[name].astimezone(zone).strftime(pattern)
            for name in ("seen_at", "billed_at")
        }
        told.append({**row, **times, **({"transaction_id": None} if is_rental else {})})
    return told


def reconciled_lines(
    rows: pl.DataFrame, fleet: Fleet, week_id: str, second_reports_n: int
) -> list[str]:
    """Groups with their sums, worst first, and the first charges of each."""
    currency = fleet.settings.currency
    lines = [f"Charges of {week_id}: vehicle, charger and bill side by side"]
    if rows.is_empty():
        return [*lines, "  no fast charge was seen and none was billed"]
    for (status, why), meaning in _groups(rows).items():
        group = rows.filter(pl.col("status") == status, pl.col("why").eq_missing(pl.lit(why)))
        lines += ["", f"{status.replace('_', ' ')}: {group.height}, {meaning}"]
        lines += [f"  {_sums(group, currency)}"]
        if status == "matched" or why == "site_never_bills":
            continue
        told = told_rows(group.head(_ONE_LINE), fleet.zone)
        lines += [f"  {_charge(row, currency)}" for row in told]
        if group.height > _ONE_LINE:
            lines.append(f"  and {group.height - _ONE_LINE} more; --csv writes all of them")
    billed = rows.filter(pl.col("bills_n") > 0)
    lines += ["", f"In all: {rows.height} charges, {_sums(rows, currency)}"]
    unknown_n = billed["expected_cost"].null_count()
    if unknown_n:
        lines.append(f"Of {unknown_n} charges billed the site's tariff is not known.")
    if second_reports_n:
        lines.append(
            f"{second_reports_n} records left out: another source tells of the same charges."
        )
    return lines


def _groups(rows: pl.DataFrame) -> dict[tuple[str, str | None], str]:
    found = set(rows.select("status", "why").rows())
    known = {key: meaning for key, meaning in MEANINGS.items() if key in found}
    for status, why in sorted(found - set(known), key=str):
        known[status, why] = (why or "").replace("_", " ")
    return dict(sorted(known.items(), key=lambda item: STATUSES.index(item[0][0])))


def _sums(rows: pl.DataFrame, currency: str) -> str:
    parts = []
    for column, word in (("received_kwh", "received"), ("billed_kwh", "billed")):
        if rows[column].count():
            parts.append(f"{rows[column].sum():.1f} kWh {word}")
    for column, word in (
        ("billed_cost", "billed"),
        ("expected_cost", "by tariff"),
        ("idle_fee_cost", "of it idle"),
    ):
        known_n = rows[column].count()
        if known_n:
            of = "" if known_n == rows.height else f" ({known_n} of {rows.height})"
            parts.append(f"{rows[column].sum():.2f} {currency} {word}{of}")
    return ", ".join(parts) or "neither energy nor cost is known"


def _charge(row: dict[str, Any], currency: str) -> str:
    parts = [row["seen_at"] or row["billed_at"], row["vehicle_name"], row["site_name"] or "-"]
    energy = [
        f"{row[column]:.1f} kWh {word}"
        for column, word in (
            ("expected_kwh", "expected at the meter"),
            ("charger_kwh", "by the charger"),
            ("billed_kwh", "billed"),
        )
        if row[column] is not None
    ]
    cost = [
        f"{row[column]:.2f} {currency} {word}"
        for column, word in (("billed_cost", "billed"), ("expected_cost", "by tariff"))
        if row[column] is not None
    ]
    number = [f"record {row['record_id']}"] if row["record_id"] else []
    return "  ".join([*parts, ", ".join([*energy, *cost, *number])])

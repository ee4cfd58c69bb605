"""Invented weekly tables in an in-memory DuckDB, for the tests of the report stage.

Everything here is made up: operator, vehicles, sites, people, figures. The tables have the shape
that the weekly stage hands over; sums and rates are aggregated from the invented stops, so that
the figures in one edition agree with each other.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import polars as pl

from pipeline.attention import FACTS
from pipeline.config import Fleet, FleetSettings, Vehicle, VehicleModel

Row = dict[str, Any]

WEEK = "2026-W03"
ZONE = ZoneInfo("Europe/Stockholm")
HOSTILE = (
    "<script>alert('x')</script>",
    'Van "quoted" & O\'Brien',
    "two\nlines\tand a tab",
    "טנדר צפוני 7",
    "شاحنة الشمال ٤",
    '=HYPERLINK("http://x","y")',
    "</style><style>*{display:none}",
    "{{ 7 * 7 }} {% raw %}",
)
_SITES = (
    ("kvarnbacken", "Kvarnbacken", 150.0),
    ("norra_tullen", "Norra Tullen", 50.0),
    ("hamnplan", "Hamnplan", 300.0),
    ("stationsgatan", "Stationsgatan", 75.0),
    ("flygfaltet", "Flygfältet", None),
)
_OUTCOMES = (
    ("warmed", 30),
    ("part_warmed", 14),
    ("not_warmed", 26),
    ("already_warm", 14),
    ("warmed_unneeded", 4),
    ("low_charge_hold", 4),
    ("unknown", 8),
)
_WHY = {
    "part_warmed": ("began_late", "too_cold_for_the_time", "ended_early", "cut_off_low_charge"),
    "not_warmed": (
        "no_destination",
        "no_destination",
        "destination_not_recognised",
        "set_too_late",
        "approach_too_short",
        "vehicle_did_not_respond",
    ),
}


def fleet_of(driver_analysis: str = "pseudonyms", **changes: Any) -> Fleet:
    """A fleet as `load_fleet` would give it; ``changes`` go to the settings."""
    settings: Row = {
        "operator": "Norrvind Byggtransport",
        "time_zone": "Europe/Stockholm",
        "currency": "EUR",
        "target_hit_rate": 0.8,
        "privacy": {
            "driver_analysis": driver_analysis,
            "purpose": "coaching",
            "agreed_on": "2026-01-05",
            "agreement": "with the staff, invented",
        },
    }
    return Fleet(
        folder=Path("/nowhere"),
        settings=FleetSettings.model_validate({**settings, **changes}),
        models={"vidar_60": VehicleModel(name="Vidar 60", usable_kwh=60.0)},
        vehicles={"van_01": Vehicle(name="Van 01", model="vidar_60")},
        sites={},
        drivers={},
        sources={},
        fingerprint="0123456789abcdef",
    )


def wilson(hits: int, n: int) -> tuple[float | None, float | None, float | None]:
    """Rate and 95 % Wilson interval; nulls for no trials."""
    if n == 0:
        return None, None, None
    z, p = 1.959964, hits / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return p, max(0.0, middle - half), min(1.0, middle + half)


def summed(stops: Sequence[Row]) -> Row:
    """The counts and sums that fleet, vehicle and site rows share."""

    def total(key: str, keep: Callable[[Row], bool] = lambda _: True) -> float | None:
        values = [stop[key] for stop in stops if stop[key] is not None and keep(stop)]
        return math.fsum(values) if values else None

    def counted(keep: Callable[[Row], bool]) -> int:
        return sum(1 for stop in stops if keep(stop))

    def is_cold(stop: Row) -> bool:
        return stop["arrival_cell_temp_min_degc"] is not None and (
            stop["arrival_cell_temp_min_degc"] < 20.5
        )

    def is_warm(stop: Row) -> bool:
        return stop["arrival_cell_temp_min_degc"] is not None and not is_cold(stop)

    count = {name: counted(lambda s, n=name: s["outcome"] == n) for name, _ in _OUTCOMES}
    needed = count["warmed"] + count["part_warmed"] + count["not_warmed"]
    hit = wilson(count["warmed"], needed)
    start = wilson(count["warmed"] + count["part_warmed"], needed)
    row: Row = {
        "stops_n": len(stops),
        "rated_n": counted(lambda s: s["evidence_grade"] in "AB"),
        "needed_warming_n": needed,
        **{f"{name}_n": value for name, value in count.items()},
        "hit_rate": hit[0],
        "hit_rate_low": hit[1],
        "hit_rate_high": hit[2],
        "start_rate": start[0],
        "start_rate_low": start[1],
        "start_rate_high": start[2],
        "cold_arrival_n": counted(is_cold),
        "lost_min": total("lost_min"),
        "lost_stops_n": counted(lambda s: s["lost_min"] is not None),
        "lost_cold_arrival_min": total("lost_min", is_cold),
        "lost_warm_arrival_min": total("lost_min", is_warm),
        "lost_unknown_arrival_min": total(
            "lost_min", lambda s: s["arrival_cell_temp_min_degc"] is None
        ),
        "lost_at_most_min": total("lost_at_most_min"),
        "lost_at_most_stops_n": counted(lambda s: s["lost_at_most_min"] is not None),
        "warming_unmeasured_n": 0,
    }
    for key in ("site_limit_min", "active_min", "idle_min", "held_min", "energy_kwh"):
        row[key] = total(key)
    for key in (
        "lost_cold_min",
        "lost_site_min",
        "lost_unexplained_min",
        "held_back_min",
        "avoidable_min",
        "unavoidable_min",
        "unwarmed_cold_min",
        "net_saved_min",
        "net_missed_min",
        "refill_min",
        "marginal_cost",
        "cold_fees",
        "valued_min",
        "worth_cash",
        "worth_time",
        "missed_valued_min",
        "missed_worth_cash",
        "missed_worth_time",
    ):
        row[key] = total(key)
    row["split_excess_min"] = total("excess_min", lambda s: s["lost_cold_min"] is not None)
    row["unsplit_excess_min"] = total("excess_min", lambda s: s["lost_cold_min"] is None)
    row["split_stops_n"] = counted(lambda s: s["lost_cold_min"] is not None)
    row["expected_n"] = counted(lambda s: bool(s["is_expected"]))
    row["expected_started_n"] = counted(
        lambda s: bool(s["is_expected"]) and s["outcome"] in ("warmed", "part_warmed")
    )
    row["avoidable_stops_n"] = counted(lambda s: bool(s["avoidable_min"]))
    row["saved_stops_n"] = counted(lambda s: s["net_saved_min"] is not None)
    saved = row["net_saved_min"]
    row["break_even_per_hour"] = max(-row["worth_cash"], 0) / saved * 60 if saved else None
    for key, share in (("cold", 0.04), ("site", 0.01)):
        value = row[f"lost_{key}_min"]
        row[f"lost_{key}_low_min"] = None if value is None else value - share * abs(value)
        row[f"lost_{key}_high_min"] = None if value is None else value + share * abs(value)
    row["idle_warming_kwh"] = None if total("warming_kwh") is None else 1.4
    row["idle_warming_cost"] = None if total("warming_kwh") is None else 0.6
    for key in ("warming_min", "warming_kwh", "warming_cost", "range_given_up_km"):
        row[key] = total(key)
    row["plug_heating_kwh"] = total("plug_heating_kwh")
    return row


_WHY_NOT = {
    "already_warm": "not_needed",
    "warmed_unneeded": "not_needed",
    "unknown": "evidence",
    "low_charge_hold": "low_charge",
    "approach_too_short": "approach_too_short",
    "cut_off_low_charge": "saves_too_little",
    "too_cold_for_the_time": "costs_more",
}


def causes_of(
    grade: str,
    outcome: str,
    why: str | None,
    lost: float,
    site_limit: float,
    kwh: float,
    warming_min: float,
) -> Row:
    """Minutes by cause and the worth of warming; parts add up to ``excess_min`` as in the law."""
    is_split = grade in "AB"
    excess = None if grade in "DE" else lost + site_limit
    cold = lost * (0.8 if outcome in ("part_warmed", "not_warmed", "low_charge_hold") else 0.1)
    unexplained = lost - cold
    why_not = _WHY_NOT.get(why or "") or _WHY_NOT.get(outcome)
    is_expected = None if why_not == "evidence" else why_not is None
    is_miss = outcome in ("part_warmed", "not_warmed")
    avoidable = 0.75 * max(cold, 0.0) if is_expected and is_miss else 0.0
    saved = warming_min * 0.4 - 1.0 if warming_min else None
    missed = avoidable * 0.85 if is_expected else None
    is_judged = is_split and is_expected is not None
    row: Row = {
        "excess_min": excess,
        "lost_cold_min": cold,
        "lost_site_min": site_limit,
        "lost_unexplained_min": unexplained,
        "held_back_min": unexplained / 2 if unexplained > 2 else 0.0,
        "avoidable_min": avoidable if is_judged else None,
        "unavoidable_min": cold - avoidable if is_judged else None,
        "unwarmed_cold_min": cold + (saved or 0.0),
        "net_saved_min": saved,
        "net_missed_min": missed,
        "refill_min": kwh * 0.6 if saved is not None else None,
        "marginal_cost": kwh * 0.42,
        "cold_fees": 0.1,
        "valued_min": None if saved is None else saved * 0.7,
        "worth_cash": None if saved is None else 0.1 - kwh * 0.42,
        "worth_time": None if saved is None else saved * 0.7 * 32 / 60,
        "missed_valued_min": missed,
        "missed_worth_cash": None if missed is None else -0.5,
        "missed_worth_time": None if missed is None else missed * 32 / 60,
        "break_even_per_hour": None,
        "needed_min": 24.0,
        "warming_price_per_kwh": 0.4,
        "is_price_assumed": True,
        "break_min": 0.0,
    }
    if not is_split:
        row = dict.fromkeys(row) | {"excess_min": excess, "is_price_assumed": None}
    return row | {
        "split_why_null": None
        if is_split
        else "minutes_not_known"
        if excess is None
        else "no_cell_temperature",
        "is_expected": is_expected,
        "expected_why_not": why_not,
        "is_site_learned": False,
        "fit_week_id": WEEK,
    }


def without_minutes(stops: Sequence[Row]) -> list[Row]:
    """The same stops of a fleet without models: nothing about minutes is known."""
    nothing = causes_of("D", "unknown", None, 0.0, 0.0, 0.0, 0.0) | {
        "split_why_null": "minutes_not_known",
        "lost_min": None,
        "lost_at_most_min": None,
        "lost_why_null": "no_model",
        "reference_min": None,
        "site_limit_min": None,
        "warming_cost": None,
    }
    return [stop | nothing for stop in stops]


def invented_stops(
    vehicles: Sequence[tuple[str, str]],
    per_vehicle: int,
    rng: random.Random,
    outcomes: Sequence[str] | None = None,
) -> list[Row]:
    """Stops of one week; ``outcomes`` restricts what may happen."""
    monday = datetime.fromisocalendar(2026, 3, 1).replace(tzinfo=ZONE)
    stops: list[Row] = []
    names = [name for name, _ in _OUTCOMES]
    weights = [weight for _, weight in _OUTCOMES]
    for number, (vehicle_id, vehicle_name) in enumerate(vehicles):
        for index in range(per_vehicle + rng.choice((-1, 0, 0, 1))):
            outcome = rng.choice(outcomes) if outcomes else rng.choices(names, weights)[0]
            site_id, site_name, site_kw = rng.choice(_SITES)
            at = monday + timedelta(minutes=rng.randrange(6 * 60, 6 * 24 * 60))
            is_rental = number % 11 == 10
            grade = rng.choice("CD") if outcome == "unknown" else rng.choice("AAAB")
            cold = outcome in ("part_warmed", "not_warmed", "low_charge_hold")
            warmed = outcome in ("warmed", "part_warmed", "warmed_unneeded")
            arrival = None
            if grade in "AB":
                arrival = rng.uniform(2, 19) if cold else rng.uniform(21, 29)
            lost = rng.gauss(14, 7) if cold else rng.gauss(1.5, 2.5)
            energy = rng.uniform(14, 42)
            soc = rng.uniform(9, 45)
            reference = energy / rng.uniform(1.0, 1.9)
            warming_min = rng.uniform(9, 31) if warmed else 0.0
            kwh = warming_min / 60 * 5.2
            site_limit = rng.uniform(0, 9) if site_kw == 50.0 else 0.4
            why = rng.choice(_WHY[outcome]) if outcome in _WHY else None
            stops.append(
                {
                    **causes_of(grade, outcome, why, lost, site_limit, kwh, warming_min),
                    "stop_id": f"{vehicle_id[:6]}-{number:02d}{index:02d}",
                    "vehicle_id": vehicle_id,
                    "model_id": "vidar_60" if number % 3 else "vidar_40",
                    "driver_id": None if is_rental or rng.random() < 0.1 else f"raw_{number % 5}",
                    "site_id": site_id,
                    "vehicle_use": "rental" if is_rental else "delivery",
                    "week_id": WEEK,
                    "plug_in_at": at.astimezone(UTC),
                    "plug_out_at": at.astimezone(UTC) + timedelta(minutes=40),
                    "evidence_grade": grade,
                    "outcome": outcome,
                    "why": why,
                    "soc_start_pct": soc,
                    "soc_end_pct": min(95.0, soc + energy / 0.6),
                    "energy_kwh": energy,
                    "power_max_kw": rng.uniform(35, 110),
                    "stay_min": 31.0,
                    "active_min": None if grade == "D" else reference + lost,
                    "held_min": rng.choice((0.0, 0.0, 4.5)) if cold else 0.0,
                    "idle_min": rng.uniform(0, 12),
                    "missing_min": 0.0,
                    "arrival_cell_temp_min_degc": arrival,
                    "unwarmed_cell_temp_min_degc": arrival,
                    "ambient_degc": rng.uniform(-17, 2),
                    "approach_min": rng.uniform(12, 80),
                    "approach_missing_min": 0.0,
                    "warming_min": warming_min,
                    "warming_kwh": kwh,
                    "is_warming_kwh_estimated": False,
                    "warming_began_at": None,
                    "warming_ended_at": None,
                    "warming_cost": kwh * 0.4,
                    "range_given_up_km": kwh * 4.8,
                    "charge_given_up_pct": kwh / 0.6,
                    "plug_heating_kwh": 0.0,
                    "destination_set_at": at.astimezone(UTC) - timedelta(minutes=25),
                    "is_charging_place": True,
                    "site_power_kw": site_kw,
                    "reference_min": reference,
                    "lost_min": None if grade == "D" else lost,
                    "lost_at_most_min": reference * 0.6 if grade == "D" else None,
                    "site_limit_min": site_limit,
                    "lost_why_null": "summary_only" if grade == "D" else None,
                    "figures_n": 4,
                    "figures_assumed_n": 1,
                    "first_file_id": 1,
                    "first_file_row": 1,
                    "last_file_row": 9,
                    "file_path": f"logger_{vehicle_id}.csv",
                    "file_sha256": "a1" * 32,
                    "files_n": 1,
                    "vehicle_name": vehicle_name,
                    "site_name": site_name,
                    "driver_label": "unassigned" if is_rental else f"D-{'KQRTX'[number % 5]}4",
                    "plug_in_local": None if is_rental else at.replace(tzinfo=None),
                    "plug_in_date": at.date(),
                    "model_name": "Vidar 60" if number % 3 else "Vidar 40",
                }
            )
    return sorted(stops, key=lambda stop: (stop["plug_in_at"], stop["stop_id"]))


def attention_of(vehicles: Sequence[Row], sites: Sequence[Row]) -> list[Row]:
    """Findings about the two vehicles and the site that lost the most."""
    worst = [row for row in vehicles if (row["lost_min"] or 0) > 0][:2]
    found: list[Row] = []
    facts: Row = dict.fromkeys(FACTS)
    codes = ("vehicle_did_not_respond", "most_minutes_vehicle")
    for code, row in zip(codes, worst, strict=False):
        found.append(
            {
                "kind": "vehicle",
                "subject_id": row["vehicle_id"],
                "subject_name": row["vehicle_name"],
                "code": code,
                "facts": facts
                | {
                    "seen_n": 3,
                    "weeks_n": 4,
                    "reasons": [{"why": "no_destination", "reason_stops_n": 2}],
                    "own_min": row["avoidable_min"],
                    "fleet_min": 60.0,
                    "avoidable_stops_n": 3,
                },
                "avoidable_min": row["avoidable_min"],
                "lost_cold_min": row["lost_cold_min"],
                "stops_n": row["stops_n"],
                "stop_ids": ["a-1", "a-2", "a-3"],
            }
        )
    if sites:
        found.append(
            {
                "kind": "site",
                "subject_id": sites[0]["site_id"],
                "subject_name": sites[0]["site_name"],
                "code": "site_slow",
                "facts": facts | {"power_kw": 50.0, "limit_min": 41.0, "held_min": 16.0},
                "avoidable_min": sites[0]["avoidable_min"],
                "lost_cold_min": sites[0]["lost_cold_min"],
                "stops_n": sites[0]["stops_n"],
                "stop_ids": [],
            }
        )
    return found


def tables_of(
    vehicles: Sequence[tuple[str, str]],
    stops: list[Row],
    *,
    previous_weeks: int = 4,
    driver_rows: str = "pseudonyms",
) -> dict[str, list[Row]]:
    """All weekly tables that belong to the stops."""
    rng = random.Random(5)
    fleet_sum = summed(stops)
    grades: Row = {
        f"stops_{grade.lower()}_n": sum(1 for stop in stops if stop["evidence_grade"] == grade)
        for grade in "ABCDE"
    }
    rest: Row = {
        **grades,
        "unassigned_driver_n": sum(1 for stop in stops if stop["driver_id"] is None),
        "unassigned_driver_rate": (
            sum(1 for stop in stops if stop["driver_id"] is None) / len(stops) if stops else None
        ),
        "rental_n": sum(1 for stop in stops if stop["vehicle_use"] == "rental"),
        "assumed_rate": 0.31 if stops else None,
    }
    monday = date.fromisocalendar(2026, 3, 1)
    fleet_rows: list[Row] = []
    for back in range(previous_weeks, 0, -1):
        year, week, _ = (monday - timedelta(weeks=back)).isocalendar()
        sample = [stop for stop in stops if rng.random() < 0.8]
        fleet_rows.append(
            {
                "week_id": f"{year}-W{week:02d}",
                "is_edition": False,
                "vehicles_n": len(vehicles),
                **summed(sample),
                **rest,
            }
        )
    head: Row = {"week_id": WEEK, "is_edition": True, "vehicles_n": len(vehicles)}
    fleet_rows.append({**head, **fleet_sum, **rest})
    vehicle_rows: list[Row] = []
    for number, (vehicle_id, vehicle_name) in enumerate(vehicles):
        own = [stop for stop in stops if stop["vehicle_id"] == vehicle_id]
        vehicle_rows.append(
            {
                "vehicle_id": vehicle_id,
                "vehicle_name": vehicle_name,
                "model_id": "vidar_60" if number % 3 else "vidar_40",
                "model_name": "Vidar 60" if number % 3 else "Vidar 40",
                "is_configured": number != 3,
                "can_warm": True,
                "is_silent": number == 11 and not own,
                **summed(own),
            }
        )
    vehicle_rows.sort(key=lambda row: -(row["lost_min"] or 0))
    site_rows: list[Row] = []
    for site_id, site_name, power_kw in _SITES:
        own = [stop for stop in stops if stop["site_id"] == site_id]
        temps = [s["arrival_cell_temp_min_degc"] for s in own if s["arrival_cell_temp_min_degc"]]
        if own:
            site_rows.append(
                {
                    "site_id": site_id,
                    "site_name": site_name,
                    "power_kw": power_kw,
                    **summed(own),
                    "mean_arrival_cell_temp_min_degc": (
                        math.fsum(temps) / len(temps) if temps else None
                    ),
                }
            )
    labels = sorted({stop["driver_label"] for stop in stops})
    driver_rows_out: list[Row] = []
    if driver_rows == "totals" and stops:
        driver_rows_out = [{"driver_label": "all drivers", **summed(stops)}]
    elif driver_rows not in ("off", "totals"):
        driver_rows_out = [
            {
                "driver_label": label,
                **summed([stop for stop in stops if stop["driver_label"] == label]),
            }
            for label in labels
        ]
    return {
        "weekly_fleet": fleet_rows,
        "weekly_vehicles": vehicle_rows,
        "weekly_sites": site_rows,
        "weekly_drivers": driver_rows_out,
        "weekly_stops": stops,
        "weekly_attention": attention_of(vehicle_rows, site_rows),
        "weekly_change": [change_of(fleet_sum, previous_weeks)],
        **learned_tables(vehicles),
        **bill_tables(vehicles if stops else ()),
        "weekly_stop_files": [
            {
                "stop_id": stop["stop_id"],
                "kind": "samples",
                "file_id": 1,
                "file_path": stop["file_path"],
                "content_sha256": stop["file_sha256"],
                "source_id": "van_logger",
                "rows_n": 9,
                "first_file_row": 1,
                "last_file_row": 9,
            }
            for stop in stops
        ],
        "weekly_doubts": [doubt_of(*vehicles[0])] if stops else [],
        "weekly_coverage": [_coverage(row, rng) for row in vehicle_rows],
        "weekly_files": [
            {
                "file_path": f"inbox/{name}",
                "source_id": source,
                "kind": "samples",
                "size_bytes": 812_000 + number,
                "content_sha256": f"{number:x}" * 64,
                "rows_read_n": 20000 + number,
                "rows_used_n": 19980,
                "rows_repeated_n": 12,
                "rows_set_aside_n": 8 + number,
                "rows_superseded_n": 0,
                "taken_in_at": datetime(2026, 1, 19, 5, number, tzinfo=UTC),
            }
            for number, (name, source) in enumerate(
                (
                    ("logger_2026-01-19.csv.gz", "van_logger"),
                    ("rental_week_03.xlsx", "rental_desk"),
                    ("charges_jan.csv", "charge_card"),
                ),
                1,
            )
        ],
        "weekly_rules": [
            {
                "rule": "out_of_range",
                "column_name": "soc_pct",
                "rows_n": 14,
                "files_n": 1,
                "example_file": "inbox/logger_2026-01-19.csv.gz",
                "example_row": 2114,
                "example_value": "140",
            },
            {
                "rule": "not_a_number",
                "column_name": "pack_power_kw",
                "rows_n": 9,
                "files_n": 2,
                "example_file": "inbox/charges_jan.csv",
                "example_row": 31,
                "example_value": "=1+1",
            },
        ],
    }


def doubt_of(vehicle_id: str, vehicle_name: str) -> Row:
    """A cell temperature that stood still."""
    return {
        "vehicle_id": vehicle_id,
        "vehicle_name": vehicle_name,
        "signal": "cell_temp_min_degc",
        "doubt": "frozen",
        "evidence_kelvin": None,
        "evidence_h": 12.4,
        "evidence_n": 4312,
        "from_at": datetime(2026, 1, 12, 6, tzinfo=UTC),
        "to_at": datetime(2026, 1, 16, 6, tzinfo=UTC),
        "from_date": date(2026, 1, 12),
        "to_date": date(2026, 1, 16),
        "signal_name": "coldest cell temperature",
        "unlocks": "at which stops the battery was cold, and whether warming got it there",
    }


# Status, why, why nothing is claimed, billed cost, what the evidence shows.
_CHARGES = (
    ("matched", None, None, 12.0, 12.0),
    ("billed_never_seen", "no_charge_then", None, 13.4, None),
    ("billed_never_seen", "billed_twice", None, 9.8, None),
    ("billed_never_seen", "vehicle_silent", "vehicle_silent", 8.0, None),
    ("seen_never_billed", None, None, None, 11.1),
    ("seen_never_billed", None, "not_billed_yet", None, 11.1),
    ("energy_differs", "above_received", None, 15.0, 15.0),
    ("cost_differs", "above_tariff", None, 16.0, 13.0),
    ("idle_fee", None, None, 14.0, 14.0),
)


def bill_tables(vehicles: Sequence[tuple[str, str]]) -> dict[str, list[Row]]:
    """One charge of each kind per vehicle, up to two, and their sums; nothing without vehicles."""
    rows: list[Row] = []
    for vehicle_id, vehicle_name in vehicles[:2]:
        for day, (status, why, open_why, billed_cost, shown_cost) in enumerate(_CHARGES):
            is_billed, is_seen = billed_cost is not None, status != "billed_never_seen"
            local = datetime(2026, 1, 12 + day % 7, 9, 30 + day)
            difference = {
                "billed_never_seen": billed_cost,
                "seen_never_billed": shown_cost and -shown_cost,
                "energy_differs": 2.25,
                "cost_differs": 3.0,
            }.get(status)
            rows.append(
                {
                    "vehicle_id": vehicle_id,
                    "vehicle_name": vehicle_name,
                    "vehicle_use": "delivery",
                    "site_id": "kvarnbacken",
                    "site_name": vehicle_name,
                    "status": status,
                    "why": why,
                    "not_claimed_why": open_why,
                    "is_exception": status != "matched" and open_why is None,
                    "is_rental": False,
                    "is_seen": is_seen,
                    "is_billed": is_billed,
                    "is_charger_seen": False,
                    "is_clock_set": False,
                    "stop_id": f"{vehicle_id[:6]}-b{day}" if is_seen else None,
                    "charge_date": local.date(),
                    "charge_local": local,
                    "seen_at": local.replace(tzinfo=UTC) if is_seen else None,
                    "billed_at": local.replace(tzinfo=UTC) if is_billed else None,
                    "charger_id": None,
                    "transaction_id": None,
                    "record_id": vehicle_name if is_billed else None,
                    "received_kwh": 25.0 if is_seen else None,
                    "expected_kwh": 26.9 if is_seen else None,
                    "charger_kwh": None,
                    "billed_kwh": 27.0 if is_billed else None,
                    "unexplained_kwh": 4.5 if status == "energy_differs" else None,
                    "billed_cost": billed_cost,
                    "expected_cost": shown_cost,
                    "idle_fee_cost": 2.0 if status == "idle_fee" else None,
                    "difference_cost": None if open_why else difference,
                    "bills_n": int(is_billed),
                    "bill_file_path": "charges_jan.csv" if is_billed else None,
                    "bill_file_sha256": "3" * 64 if is_billed else None,
                    "bill_file_row": 2 + day if is_billed else None,
                }
            )
    return {"weekly_reconciliation": rows, "weekly_bills": [_bills_of(rows)] if rows else []}


def _bills_of(rows: Sequence[Row]) -> Row:
    """The sums that `sql/weekly/weekly_bills.sql` makes, of the kinds that are invented here."""
    row: Row = {"records_n": 7, "readings_n": 0, "unlinked_records_n": 1, "charges_n": len(rows)}
    for key in ("billed", "seen_billed"):
        own = [r for r in rows if r["is_billed"] and (key == "billed" or r["is_seen"])]
        row |= {
            f"{key}_n": len(own),
            f"{key}_kwh": math.fsum(r["billed_kwh"] for r in own),
            f"{key}_cost": math.fsum(r["billed_cost"] for r in own),
        }
    for key, code in (
        ("never_billed", "seen_never_billed"), ("never_seen", "no_charge_then"),
        ("billed_twice", "billed_twice"), ("energy_above", "above_received"),
        ("cost_above", "above_tariff"), ("idle_fee", "idle_fee"),
        ("energy_below", ""), ("charger_differs", ""), ("cost_below", ""), ("own_charger", ""),
    ):  # fmt: skip
        own = [r for r in rows if code in (r["status"], r["why"]) and r["is_exception"]]
        cost = "idle_fee_cost" if key == "idle_fee" else "difference_cost"
        row[f"{key}_n"] = len(own)
        row[f"{key}_cost"] = math.fsum(abs(r[cost]) for r in own) if own else None
    for key in (
        "vehicle_silent", "not_billed_yet", "bill_unlinked", "place_unknown", "site_never_bills",
        "clock_not_set", "heating",
    ):  # fmt: skip
        row[f"{key}_n"] = sum(1 for r in rows if r["not_claimed_why"] == key)
    return row | {
        "vehicle_silent_cost": 16.0,
        "energy_not_judged_n": 0,
        "no_log_n": 0,
        "no_tariff_n": 1,
        "exceptions_n": sum(1 for r in rows if r["is_exception"]),
    }


def change_of(now: Row, weeks_before_n: int) -> Row:
    """Why the week changed; the parts add up. Null where there is nothing before."""
    keys = ("cold_before_min", "cold_now_min", "mix_min", "weather_min", "behaviour_min")
    ranges = ("usual_low_min", "usual_high_min")
    cold = now["lost_cold_min"]
    if cold is None or not weeks_before_n:
        return {**dict.fromkeys((*keys, *ranges)), "weeks_before_n": weeks_before_n}
    return {
        "cold_before_min": cold + 61.3,
        "cold_now_min": cold,
        "mix_min": 8.4,
        "weather_min": -52.5,
        "behaviour_min": -17.2,
        "usual_low_min": cold - 20.0,
        "usual_high_min": cold + 120.0,
        "weeks_before_n": weeks_before_n,
    }


def learned_tables(vehicles: Sequence[tuple[str, str]]) -> dict[str, list[Row]]:
    """What was learned of two models, and when to begin; one model learned, one configured."""
    models = (("vidar_40", "Vidar 40"), ("vidar_60", "Vidar 60"))
    tables: dict[str, list[Row]] = {
        "fitted_models": [],
        "fitted_habits": [],
        "fitted_curves": [],
        "fitted_cold_limits": [],
        "weekly_leadtime": [],
        "weekly_site_advice": [],
        "weekly_other_ways": [],
    }
    for number, (model_id, model_name) in enumerate(models):
        is_learned = number == 1
        head = {"fit_week_id": WEEK, "model_id": model_id}
        tables["fitted_models"].append(
            {
                **head,
                "cold_form": "ceiling" if is_learned else None,
                "cold_source": "learned" if is_learned else "none",
                "factor_pinball_loss_kw": 4.2 if is_learned else None,
                "ceiling_pinball_loss_kw": 0.21 if is_learned else None,
                "full_power_degc": 25.0 if is_learned else None,
                "sessions_n": 181 if is_learned else 3,
                "cold_sessions_n": 120 if is_learned else 0,
                "thermal_source": "learned" if is_learned else "default",
                "thermal_why": None if is_learned else "too_few_stretches",
                "heat_kj_per_kelvin": 776.9,
                "heat_se_kj_per_kelvin": 1.2 if is_learned else None,
                "resistance_ohm": 0.06,
                "resistance_se_ohm": 0.002 if is_learned else None,
                "loss_w_per_kelvin": 26.8,
                "loss_se_w_per_kelvin": 0.26 if is_learned else None,
                "tau_h": 8.0,
                "stretches_n": 900 if is_learned else 2,
                "heater_power_kw": 5.2,
                "plug_heat_below_degc": 8.5 if is_learned else None,
                "plug_heat_until_degc": 13.0 if is_learned else None,
                "plug_hold_below_degc": None,
                "grade_b_judged_n": 120 if is_learned else 0,
                "grade_b_wrong_n": 4 if is_learned else 0,
                "grade_b_open_n": 11 if is_learned else 0,
            }
        )
        for quantity, learned, configured in (
            ("heater_power_kw", 4.1, 5.2),
            ("warming_end_degc", 22.0, 21.0),
            ("warming_cutoff_soc_pct", 20.0, 20.0),
        ):
            tables["fitted_habits"].append(
                {
                    **head,
                    "quantity": quantity,
                    "learned_value": learned if is_learned else None,
                    "spread_value": 0.1,
                    "configured_value": configured,
                    "seen_n": 40 if is_learned else 2,
                    "is_different": is_learned and quantity == "heater_power_kw",
                    "why_null": None if is_learned else "too_few_spells",
                }
            )
        for soc_bin in range(100):
            is_own = is_learned and 10 <= soc_bin < 85
            tables["fitted_curves"].append(
                {
                    **head,
                    "soc_bin": soc_bin,
                    "reference_kw": (126.0 if is_own else 120.0) * (1 - soc_bin / 110),
                    "configured_kw": 120.0 * (1 - soc_bin / 110),
                    "sessions_n": 30 - abs(soc_bin - 48) // 3 if is_own else 0,
                    "curve_source": "learned" if is_own else "configured",
                }
            )
        if is_learned:
            tables["fitted_cold_limits"] += [
                {
                    **head,
                    "cold_form": "ceiling",
                    "cell_temp_degc": float(degc),
                    "cold_value": 0.4 + 0.03 * (degc + 19),
                    "sessions_n": max(0, 12 - abs(degc - 9) // 2),
                    "cold_source": "learned" if -13 <= degc <= 31 else "extended",
                }
                for degc in range(-19, 41, 2)
            ]
        at: Row = {"model_id": model_id, "model_name": model_name}
        tables["weekly_leadtime"] += [
            at
            | {"site_power_kw": power, "outside_degc": outside, "pack_degc": pack}
            | _advice_of(power, outside, pack)
            for power in (50.0, 75.0, 150.0, 300.0)
            for outside in (-15.0, -5.0, 5.0)
            for pack in (-10.0, -5.0, 0.0, 5.0, 10.0, 15.0)
        ]
        tables["weekly_site_advice"] += [
            at
            | {"site_id": site_id, "site_name": site_name, "site_power_kw": power, "stops_n": 9}
            | {"outside_degc": -5.0, "pack_degc": 4.0, "is_fleet_median": power is None}
            | _advice_of(power or 100.0, -5.0, 4.0)
            for site_id, site_name, power in _SITES
        ]
        tables["weekly_other_ways"] += [
            at
            | {
                "way": way,
                "arrival_degc": 20.0,
                "charge_min": 18.0,
                "compared_with_min": 18.0 + saved,
                "saved_min": saved,
                "heating_min": 30.0 if energy else 0.0,
                "energy_kwh": energy,
                "price_per_kwh": 0.42 if energy else 0.0,
                "cost": energy * 0.42,
                "site_power_kw": 150.0,
                "outside_degc": -5.0,
                "pack_degc": 3.0,
                "drive_min": 30.0,
                "indoor_degc": 10.0,
                "heating_end_degc": 22.0,
            }
            for way, saved, energy in (
                ("on_the_way", 5.0, 2.7),
                ("on_cable", 6.0, 3.1),
                ("indoors", 1.2, 0.0),
                ("after_drive", -0.6, 0.0),
            )
        ]
    tables["weekly_mild_power"] = [
        {
            "vehicle_id": "van_09",
            "vehicle_name": "Van 09",
            "compared_with": compared_with,
            "power_kw": 41.2,
            "power_low_kw": 33.0,
            "power_high_kw": 50.6,
            "stops_n": 4,
            "mild_power_kw": mild_kw,
            "mild_power_low_kw": mild_kw and mild_kw - 6,
            "mild_power_high_kw": mild_kw and mild_kw + 6,
            "mild_stops_n": 11 if mild_kw else 0,
            "why_null": None if mild_kw else "too_few_mild_stops",
        }
        for compared_with, mild_kw in (("vehicle", 58.0), ("site", 62.0), (None, None))
    ]
    tables["weekly_no_advice"] = [{"model_id": "gamla_30", "why": "cold_limit_unknown"}]
    tables["fitted_vehicles"] = [
        {
            "fit_week_id": WEEK,
            "vehicle_id": vehicle_id,
            "curve_scale": 0.93 if number == 0 else 1.0,
            "sessions_n": 12,
        }
        for number, (vehicle_id, _) in enumerate(vehicles)
    ]
    tables["fitted_sites"] = [
        {"fit_week_id": WEEK, "site_id": "flygfaltet", "power_kw": 100.0, "sessions_n": 6}
    ]
    return tables


def _advice_of(power: float, outside: float, pack: float) -> Row:
    needed = (21.0 - pack) * 2.5 - outside / 3
    net = (21.0 - pack) * power / 300 - 1.0
    is_worth_it = net >= 3.0
    return {
        "needed_min": needed,
        "warming_kwh": needed / 60 * 5.2,
        "charge_cold_min": 40.0,
        "charge_warm_min": 40.0 - net - 1.5,
        "refill_min": 1.5,
        "net_saved_min": net,
        "begin_min": float(math.ceil(needed)) if is_worth_it else None,
        "verdict": "begin" if is_worth_it else "not_worth_it",
        "is_extrapolated": pack < -5,
    }


def _coverage(row: Row, rng: random.Random) -> Row:
    missing = rng.random() < 0.3
    return {
        "vehicle_id": row["vehicle_id"],
        "vehicle_name": row["vehicle_name"],
        "samples_n": 0 if row["is_silent"] else rng.randrange(4000, 20000),
        "days_with_data_n": 0 if row["is_silent"] else rng.randrange(4, 8),
        "median_interval_s": None if row["is_silent"] else 10.0,
        "missing_min": None if row["is_silent"] else rng.choice((0.0, 0.0, 12.5)),
        "dc_stops_n": row["stops_n"],
        "ac_charges_n": rng.randrange(0, 6),
        "dc_unknown_n": rng.choice((0, 0, 0, 1)),
        "reported_only_n": rng.choice((0, 0, 2)),
        "missing_signals": ["heater_power_kw"] if missing else [],
        "unlocks": "With heater power: warming energy, measured instead of none."
        if missing
        else "",
    }


_TYPES: dict[str, Any] = {
    "why": pl.String,
    "driver_id": pl.String,
    "site_id": pl.String,
    "stop_ids": pl.List(pl.String),
    "missing_signals": pl.List(pl.String),
    "facts": pl.Struct(FACTS),
    "plug_in_local": pl.Datetime("us"),
    "plug_in_at": pl.Datetime("us", "UTC"),
    "charge_local": pl.Datetime("us"),
}


def _polars_type(name: str) -> Any:
    if name in _TYPES:
        return _TYPES[name]
    if name.endswith("_date"):
        return pl.Date
    if name.endswith("_at"):
        return pl.Datetime("us", "UTC")
    if name.startswith(("is_", "can_")):
        return pl.Boolean
    if name.endswith("_n") or name in (
        "first_file_id",
        "first_file_row",
        "last_file_row",
        "soc_bin",
        "bill_file_row",
        "size_bytes",
    ):
        return pl.Int64
    if name == "example_row":
        return pl.Int64
    units = ("_min", "_kwh", "_rate", "_low", "_high", "_degc", "_pct", "_kw", "_km", "_cost", "_s")
    units += ("_cash", "_time", "_fees", "_per_hour", "_kelvin", "_ohm", "_h", "_value", "_scale")
    if name == "cost":
        return pl.Float64
    return pl.Float64 if name.endswith(units) else pl.String


def fill(con: duckdb.DuckDBPyConnection, tables: dict[str, list[Row]]) -> None:
    """Make the temporary tables; columns of empty tables come from a rich week."""
    shape = tables
    if not all(tables.values()):
        shape = tables_of(names_of(3), invented_stops(names_of(3), 4, random.Random(1)))
    for name, rows in tables.items():
        columns = list((rows or shape[name])[0])
        frame = pl.DataFrame(
            {column: [row[column] for row in rows] for column in columns},
            schema={column: _polars_type(column) for column in columns},
            strict=False,
        )
        con.register("incoming", frame)
        con.execute(f"create or replace temp table {name} as select * from incoming")
        con.unregister("incoming")


def names_of(count: int, *, is_long: bool = False) -> list[tuple[str, str]]:
    """Ids and names of invented vehicles."""
    tail = ", box body with tail lift and refrigerated cabinet, depot Norra Industriområdet"
    return [
        (f"van_{number:02d}", f"Van {number:02d}{tail if is_long else ''}")
        for number in range(1, count + 1)
    ]


ABSENT = (
    "weekly_bills",
    "weekly_reconciliation",
    "weekly_stop_files",
    "weekly_doubts",
    "weekly_no_advice",
    "weekly_mild_power",
    "weekly_leadtime",
    "weekly_site_advice",
    "weekly_other_ways",
)


def week(
    kind: str = "rich", driver_analysis: str = "pseudonyms"
) -> tuple[duckdb.DuckDBPyConnection, dict[str, list[Row]]]:
    """A connection with the weekly tables of one kind of week.

    Kinds: ``rich`` (12 vehicles), ``none`` (0 stops), ``one`` (1 vehicle), ``many`` (60 vehicles
    with very long names), ``hostile`` (names that try to break the page), ``warm`` (no cold
    arrival), ``unknown`` (no stop can be rated), ``first`` (no earlier weeks),
    ``summaries`` (grade D only), ``blank`` (no models: no minutes, and no learned table exists).
    """
    rng = random.Random(11)
    vehicles = names_of(12)
    outcomes: tuple[str, ...] | None = None
    per_vehicle = 5
    if kind == "one":
        vehicles = names_of(1)
    elif kind == "many":
        vehicles, per_vehicle = names_of(60, is_long=True), 3
    elif kind == "hostile":
        vehicles = [(f"h{number}", name) for number, name in enumerate(HOSTILE)]
    elif kind == "warm":
        outcomes = ("already_warm", "warmed", "warmed_unneeded")
    elif kind in ("unknown", "summaries"):
        outcomes = ("unknown",)
    stops = [] if kind == "none" else invented_stops(vehicles, per_vehicle, rng, outcomes)
    if kind == "hostile":
        for stop in stops[::2]:
            stop["site_name"] = stop["vehicle_name"]
    if kind == "summaries":
        stops = [
            stop
            | causes_of("D", "unknown", None, 0.0, 0.0, 0.0, 0.0)
            | {
                "evidence_grade": "D",
                "why": "summary_only",
                "active_min": None,
                "lost_min": None,
                "lost_at_most_min": 9.5,
                "warming_min": None,
                "warming_kwh": None,
                "warming_cost": None,
                "reference_min": None,
                "site_limit_min": None,
                "lost_why_null": "summary_only",
                "arrival_cell_temp_min_degc": None,
            }
            for stop in stops
        ]
    elif kind == "blank":
        stops = without_minutes(stops)
    tables = tables_of(
        vehicles,
        stops,
        previous_weeks=0 if kind == "first" else 4,
        driver_rows=driver_analysis,
    )
    if kind == "blank":
        tables = {
            name: rows
            for name, rows in tables.items()
            if not name.startswith("fitted_") and name not in ABSENT
        }
    con = duckdb.connect(":memory:")
    con.execute("set TimeZone = 'UTC'")
    fill(con, tables)
    return con, tables

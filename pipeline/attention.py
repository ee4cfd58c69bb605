"""Which vehicles and sites need somebody's attention this week, and the facts behind it.

Drivers are not judged here: that needs safeguards against small numbers that plain counts do
not have.
"""

from __future__ import annotations

from typing import Any

import polars as pl

NEVER_N = 2
"""Stops without a response, over the weeks compared, before a vehicle is named."""
NEVER_WARMED_N = 5
UNRECOGNISED_N = 3
UNRECOGNISED_TIMES = 1.5
"""How much more often than elsewhere a site must go unrecognised before it is the site's doing."""
WORTH_NAMING_MIN = 10.0
"""Avoidable minutes below which no vehicle or site is named for its minutes alone."""
SITE_WORTH_NAMING_MIN = 15.0
"""Minutes that a charger's own limit, or its sharing, must take before the site is named."""
SHARE_WORTH_NAMING = 0.25

_REASONS = pl.List(pl.Struct({"why": pl.String, "reason_stops_n": pl.Int64}))
FACTS: dict[str, pl.DataType | type[pl.DataType]] = {
    "seen_n": pl.Int64,
    "weeks_n": pl.Int64,
    "reasons": _REASONS,
    "own_min": pl.Float64,
    "fleet_min": pl.Float64,
    "avoidable_stops_n": pl.Int64,
    "power_kw": pl.Float64,
    "limit_min": pl.Float64,
    "held_min": pl.Float64,
    "worth_min": pl.Float64,
    "worth_low_min": pl.Float64,
    "worth_high_min": pl.Float64,
    "worth_weeks_n": pl.Int64,
}
"""What a finding stands on; null where it has no part in it.

``seen_n`` stops in ``weeks_n`` weeks; ``reasons``, most frequent first, over all those weeks or,
where the minutes of the week are told (``own_min`` of ``fleet_min``, at ``avoidable_stops_n``
stops), in the week; what a charger's limit of ``power_kw`` and its giving less took; the minutes
a week that mending it would save by the last ``worth_weeks_n`` weeks, with their 90 % interval.
"""

_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "kind": pl.String,
    "subject_id": pl.String,
    "subject_name": pl.String,
    "code": pl.String,
    "facts": pl.Struct(FACTS),
    "avoidable_min": pl.Float64,
    "lost_cold_min": pl.Float64,
    "stops_n": pl.Int64,
    "stop_ids": pl.List(pl.String),
}

_IMPORTANCE = (
    "vehicle_did_not_respond",
    "vehicle_never_warmed",
    "most_minutes_vehicle",
    "site_destination_not_recognised",
    "most_minutes_site",
    "site_slow",
    "site_held_back",
    "vehicle_unconfigured",
    "vehicle_silent",
)

_WORTH_OF = {
    "vehicle_did_not_respond": "vehicle_fault",
    "vehicle_never_warmed": "setting",
    "most_minutes_vehicle": "setting",
    "site_destination_not_recognised": "place_not_recognised",
    "most_minutes_site": "setting",
}
"""Findings that warming would mend, and the cause whose minutes that would save. They compare with
each other by these minutes; what a charger holds back, or a silent vehicle hides, does not."""


def attention(
    vehicles: pl.DataFrame,
    sites: pl.DataFrame,
    whys: pl.DataFrame,
    fleet_weeks: pl.DataFrame,
    week_id: str,
    worth: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Findings of the week, those that warming would mend first, by what mending them is worth.

    Parameters
    ----------
    vehicles, sites
        The weekly tables by vehicle and site.
    whys
        Stops by vehicle, site, outcome and reason over the weeks compared.
    fleet_weeks
        One row per week; gives the fleet's avoidable cold minutes.
    worth
        ``weekly_judged_worth``: minutes a week by vehicle, site and cause. Without it findings are
        ordered by how exact they are.

    Returns
    -------
    table
        ``kind, subject_id, subject_name, code, facts, avoidable_min, lost_cold_min, stops_n,
        stop_ids``; the facts are in `FACTS`, and the report puts them into words. Minutes are
        those of the subject's week, null where not known.
    """
    weeks_n = fleet_weeks.filter(pl.col("stops_n") > 0).height
    this_week = fleet_weeks.filter(pl.col("week_id") == week_id)
    fleet_min = float(this_week["avoidable_min"].fill_null(0).sum())
    findings: list[dict[str, Any]] = []
    for row in vehicles.iter_rows(named=True):
        own = whys.filter(pl.col("vehicle_id") == row["vehicle_id"])
        findings += _of_vehicle(row, own, weeks_n, fleet_min)
    for row in sites.filter(pl.col("site_id").is_not_null()).iter_rows(named=True):
        at_site = pl.col("site_id") == row["site_id"]
        elsewhere_rate = _unrecognised_rate(whys.filter(~at_site.fill_null(False)))
        findings += _of_site(row, whys.filter(at_site), weeks_n, fleet_min, elsewhere_rate)
    if worth is not None:
        _add_worth(findings, worth)
    findings.sort(
        key=lambda found: (
            found["code"] not in _WORTH_OF,
            -(found["facts"]["worth_min"] or 0.0),
            _IMPORTANCE.index(found["code"]),
            -(found["avoidable_min"] or 0),
            -(found["lost_cold_min"] or 0),
            found["subject_id"],
        )
    )
    return pl.DataFrame(_one_of_each_most(findings), schema=_SCHEMA)


def _add_worth(findings: list[dict[str, Any]], worth: pl.DataFrame) -> None:
    """Put into each finding what mending it is worth, where that is known."""
    known = {
        (row["kind"], row["subject_id"], row["cause"]): row for row in worth.iter_rows(named=True)
    }
    for found in findings:
        row = known.get((found["kind"], found["subject_id"], _WORTH_OF.get(found["code"])))
        if row is not None:
            found["facts"] |= {key: row[key] for key in row if key.startswith("worth_")}


def _of_vehicle(
    row: dict[str, Any], whys: pl.DataFrame, weeks_n: int, fleet_min: float
) -> list[dict[str, Any]]:
    if row["is_silent"]:
        if not row["is_configured"]:
            return []
        return [_finding("vehicle", row, "vehicle_silent", [])]
    findings = []
    if not row["is_configured"]:
        findings.append(_finding("vehicle", row, "vehicle_unconfigured", []))
    started_n = _count(whys, outcomes=("warmed", "part_warmed", "warmed_unneeded"))
    needed_n = _count(whys, outcomes=("warmed", "part_warmed", "not_warmed"))
    silent = whys.filter(pl.col("why") == "vehicle_did_not_respond")
    silent_n = _count(silent)
    if silent_n >= NEVER_N and started_n == 0 and silent["week_stops_n"].sum() > 0:
        findings.append(
            _finding(
                "vehicle",
                row,
                "vehicle_did_not_respond",
                _stop_ids(silent),
                seen_n=silent_n,
                weeks_n=weeks_n,
            )
        )
    elif needed_n >= NEVER_WARMED_N and started_n == 0:
        missed = whys.filter(pl.col("outcome") == "not_warmed")
        findings.append(
            _finding(
                "vehicle",
                row,
                "vehicle_never_warmed",
                _stop_ids(missed),
                seen_n=needed_n,
                weeks_n=weeks_n,
                reasons=_reasons(missed),
            )
        )
    findings += _by_minutes("vehicle", row, whys, fleet_min)
    return findings


def _of_site(
    row: dict[str, Any],
    whys: pl.DataFrame,
    weeks_n: int,
    fleet_min: float,
    elsewhere_rate: float,
) -> list[dict[str, Any]]:
    findings = []
    unknown = whys.filter(pl.col("why") == "destination_not_recognised")
    if (
        _count(unknown) >= UNRECOGNISED_N
        and unknown["week_stops_n"].sum() > 0
        and _unrecognised_rate(whys) > UNRECOGNISED_TIMES * elsewhere_rate
    ):
        findings.append(
            _finding(
                "site",
                row,
                "site_destination_not_recognised",
                _stop_ids(unknown),
                seen_n=_count(unknown),
                weeks_n=weeks_n,
            )
        )
    cold_min = row["lost_cold_min"]
    limit_min, held_min = row["lost_site_min"] or 0.0, row["held_back_min"] or 0.0
    if cold_min is not None and limit_min > max(cold_min, SITE_WORTH_NAMING_MIN):
        findings.append(
            _finding(
                "site",
                row,
                "site_slow",
                _stop_ids(whys),
                power_kw=row["power_kw"] or None,
                limit_min=limit_min,
            )
        )
    findings += _by_minutes("site", row, whys, fleet_min)
    if held_min > SITE_WORTH_NAMING_MIN:
        if not findings:
            return [_finding("site", row, "site_held_back", [], held_min=held_min)]
        findings[0]["facts"]["held_min"] = held_min
    return findings


def _unrecognised_rate(whys: pl.DataFrame) -> float:
    """Share of the stops that needed warming at which the destination was not recognised."""
    needed_n = _count(whys, outcomes=("warmed", "part_warmed", "not_warmed"))
    unknown_n = _count(whys.filter(pl.col("why") == "destination_not_recognised"))
    return unknown_n / needed_n if needed_n else 0.0


def _by_minutes(
    kind: str, row: dict[str, Any], whys: pl.DataFrame, fleet_min: float
) -> list[dict[str, Any]]:
    own_min = row["avoidable_min"] or 0.0
    stops_n = row["avoidable_stops_n"] or 0
    if stops_n < 2 or own_min < max(WORTH_NAMING_MIN, SHARE_WORTH_NAMING * fleet_min):
        return []
    missed = whys.filter(pl.col("outcome").is_in(["not_warmed", "part_warmed"]))
    return [
        _finding(
            kind,
            row,
            f"most_minutes_{kind}",
            _stop_ids(missed),
            reasons=_reasons(missed, "week_stops_n"),
            own_min=own_min,
            fleet_min=fleet_min,
            avoidable_stops_n=stops_n,
        )
    ]


def _finding(
    kind: str, row: dict[str, Any], code: str, stop_ids: list[str], **facts: Any
) -> dict[str, Any]:
    return {
        "kind": kind,
        "subject_id": row[f"{kind}_id"],
        "subject_name": row[f"{kind}_name"],
        "code": code,
        "facts": dict.fromkeys(FACTS) | facts,
        "avoidable_min": row["avoidable_min"],
        "lost_cold_min": row["lost_cold_min"],
        "stops_n": row["stops_n"],
        "stop_ids": stop_ids,
    }


def _one_of_each_most(findings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """A subject is named for its minutes only where nothing more exact is known of it."""
    exact = {
        found["subject_id"]
        for found in findings
        if not found["code"].startswith(("most_minutes", "site_slow", "site_held_back"))
    }
    return [
        found
        for found in findings
        if not (found["code"].startswith("most_minutes") and found["subject_id"] in exact)
    ]


def _count(whys: pl.DataFrame, outcomes: tuple[str, ...] = ()) -> int:
    rows = whys.filter(pl.col("outcome").is_in(outcomes)) if outcomes else whys
    return int(rows["stops_n"].sum())


def _stop_ids(whys: pl.DataFrame) -> list[str]:
    lists = whys["week_stop_ids"].drop_nulls().to_list()
    return sorted(stop_id for ids in lists for stop_id in ids)


def _reasons(whys: pl.DataFrame, counted: str = "stops_n") -> list[dict[str, Any]]:
    """Reasons with their counts, most frequent first; equal counts by name."""
    return (
        whys.group_by("why")
        .agg(reason_stops_n=pl.col(counted).sum())
        .filter(pl.col("reason_stops_n") > 0)
        .sort(["reason_stops_n", "why"], descending=[True, False])
        .to_dicts()
    )

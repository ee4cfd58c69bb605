"""Which vehicles and sites need somebody's attention this week, with evidence and advice.

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

_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "kind": pl.String,
    "subject_id": pl.String,
    "subject_name": pl.String,
    "code": pl.String,
    "evidence": pl.String,
    "advice": pl.String,
    "avoidable_min": pl.Float64,
    "lost_cold_min": pl.Float64,
    "stops_n": pl.Int64,
    "stop_ids": pl.List(pl.String),
}

_ADVICE = {
    "vehicle_did_not_respond": (
        "Have the maker's workshop check whether battery warming is present, enabled and up to "
        "date on this vehicle; its manual says what it needs before it starts."
    ),
    "vehicle_never_warmed": (
        "Look at the reasons in the stop list first: most often no charging place was set, or "
        "it was set as an address. Set the charger in the vehicle before setting off."
    ),
    "most_minutes_vehicle": (
        "The stops are in the list, each with its reason: look at what they have in common."
    ),
    "site_destination_not_recognised": (
        "Save this site in the vehicles' navigation as a charging place, not as an address, "
        "and tell everyone who charges there."
    ),
    "most_minutes_site": (
        "Save this site in the vehicles as a charging place, and set it long enough before "
        "arrival: see When to begin."
    ),
    "site_slow": (
        "Here the charger, not the battery, set the pace. Where the route allows, prefer a "
        "faster site for long charges; warming brings little here."
    ),
    "site_held_back": (
        "Ask the site's operator whether its chargers share power, and plan long charges for "
        "quiet hours or another site. Neither battery nor driver can mend this."
    ),
    "vehicle_unconfigured": (
        "Add it to vehicles.toml with its model: until then outcomes rest on generic "
        "assumptions and minutes are not computed."
    ),
    "vehicle_silent": "Check its logger or export; nothing can be said about it.",
}

_IMPORTANCE = list(_ADVICE)

_SET_IT = "Set the charger in the vehicle before setting off, long enough before arrival"
_BY_REASON = {
    "no_destination": f"{_SET_IT}: none was set at {{stops}}.",
    "set_too_late": f"{_SET_IT}: it was set too late at {{stops}}.",
    "began_late": f"{_SET_IT}: warming began too late at {{stops}}.",
    "destination_not_recognised": (
        "Pick the charger from the vehicle's own list of charging places, not as an address: it "
        "was not known as one at {stops}."
    ),
    "approach_too_short": (
        "Charge after the longer drive, or warm on the cable before departure: the drive was too "
        "short at {stops}."
    ),
    "too_cold_for_the_time": (
        "Begin on a warmer battery, on the cable or indoors: warming ran as long as it could at "
        "{stops}."
    ),
    "cut_off_low_charge": (
        "Stop for charge a little earlier: low charge switched the warming off at {stops}."
    ),
}


def attention(
    vehicles: pl.DataFrame,
    sites: pl.DataFrame,
    whys: pl.DataFrame,
    fleet_weeks: pl.DataFrame,
    week_id: str,
) -> pl.DataFrame:
    """Findings of the week, most important first.

    Parameters
    ----------
    vehicles, sites
        The weekly tables by vehicle and site.
    whys
        Stops by vehicle, site, outcome and reason over the weeks compared.
    fleet_weeks
        One row per week; gives the fleet's avoidable cold minutes.

    Returns
    -------
    table
        ``kind, subject_id, subject_name, code, evidence, advice, avoidable_min, lost_cold_min,
        stops_n, stop_ids``. Minutes are those of the subject's week, null where not known.
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
    findings.sort(
        key=lambda found: (
            _IMPORTANCE.index(found["code"]),
            -(found["avoidable_min"] or 0),
            -(found["lost_cold_min"] or 0),
            found["subject_id"],
        )
    )
    return pl.DataFrame(_one_of_each_most(findings), schema=_SCHEMA)


def _of_vehicle(
    row: dict[str, Any], whys: pl.DataFrame, weeks_n: int, fleet_min: float
) -> list[dict[str, Any]]:
    if row["is_silent"]:
        if not row["is_configured"]:
            return []
        return [_finding("vehicle", row, "vehicle_silent", "No data came from it this week.", [])]
    findings = []
    if not row["is_configured"]:
        text = "It sends data, but no file of the fleet folder knows it."
        findings.append(_finding("vehicle", row, "vehicle_unconfigured", text, []))
    started_n = _count(whys, outcomes=("warmed", "part_warmed", "warmed_unneeded"))
    needed_n = _count(whys, outcomes=("warmed", "part_warmed", "not_warmed"))
    silent = whys.filter(pl.col("why") == "vehicle_did_not_respond")
    silent_n = _count(silent)
    if silent_n >= NEVER_N and started_n == 0 and silent["week_stops_n"].sum() > 0:
        text = (
            f"At {silent_n} stops in {_weeks(weeks_n)} a charging place was set in good time, "
            "with enough charge, and the battery was not warmed; nor was it at any other stop."
        )
        findings.append(
            _finding("vehicle", row, "vehicle_did_not_respond", text, _stop_ids(silent))
        )
    elif needed_n >= NEVER_WARMED_N and started_n == 0:
        missed = whys.filter(pl.col("outcome") == "not_warmed")
        text = (
            f"It needed warming at {needed_n} stops in {_weeks(weeks_n)} and warmed at none "
            f"({_reasons(missed)})."
        )
        findings.append(_finding("vehicle", row, "vehicle_never_warmed", text, _stop_ids(missed)))
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
        text = (
            f"At {_count(unknown)} stops in {_weeks(weeks_n)} this site was set as a plain "
            "address, so the vehicle did not know that it would charge there."
        )
        findings.append(
            _finding("site", row, "site_destination_not_recognised", text, _stop_ids(unknown))
        )
    cold_min = row["lost_cold_min"]
    limit_min, held_min = row["lost_site_min"] or 0.0, row["held_back_min"] or 0.0
    if cold_min is not None and limit_min > max(cold_min, SITE_WORTH_NAMING_MIN):
        rating = f" of {row['power_kw']:.0f} kW" if row["power_kw"] else ""
        text = (
            f"Its limit{rating} took {limit_min:.0f} min of what the vehicles could have charged "
            f"in; cold took {cold_min:.0f} min here."
        )
        findings.append(_finding("site", row, "site_slow", text, _stop_ids(whys)))
    findings += _by_minutes("site", row, whys, fleet_min)
    if held_min > SITE_WORTH_NAMING_MIN:
        text = (
            f"For {held_min:.0f} min its chargers gave steadily less than their rating and than "
            "the vehicles could take, as chargers do that share power."
        )
        if not findings:
            return [_finding("site", row, "site_held_back", text, [])]
        findings[0]["evidence"] += f" {text}"
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
    reasons = _reasons(missed, "week_stops_n")
    text = (
        f"{own_min:.0f} of the fleet's {fleet_min:.0f} avoidable cold minutes, over {stops_n} "
        "stops." + (f" Stops that arrived cold: {reasons}." if reasons else "")
    )
    found = _finding(kind, row, f"most_minutes_{kind}", text, _stop_ids(missed))
    if kind == "vehicle":
        found["advice"] = _by_reason(missed) or found["advice"]
    return [found]


def _by_reason(missed: pl.DataFrame) -> str:
    """What to do about the week's most frequent reason; empty where it is none we know."""
    counts = missed.group_by("why").agg(pl.col("week_stops_n").sum()).sort("why")
    counts = counts.sort("week_stops_n", descending=True, maintain_order=True)
    if counts.is_empty():
        return ""
    why, stops_n = counts.row(0)
    stops = "1 stop" if stops_n == 1 else f"{stops_n} stops"
    return _BY_REASON.get(why or "", "").format(stops=stops)


def _finding(
    kind: str, row: dict[str, Any], code: str, evidence: str, stop_ids: list[str]
) -> dict[str, Any]:
    return {
        "kind": kind,
        "subject_id": row[f"{kind}_id"],
        "subject_name": row[f"{kind}_name"],
        "code": code,
        "evidence": evidence,
        "advice": _ADVICE[code],
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


def _reasons(whys: pl.DataFrame, counted: str = "stops_n") -> str:
    """Reasons with their counts, most frequent first: ``no destination set 4, set too late 1``."""
    by_why = (
        whys.group_by("why")
        .agg(pl.col(counted).sum())
        .filter(pl.col(counted) > 0)
        .sort([counted, "why"], descending=[True, False])
    )
    return ", ".join(
        f"{(why or 'unknown').replace('_', ' ')} {count}" for why, count in by_why.iter_rows()
    )


def _weeks(weeks_n: int) -> str:
    return "this week" if weeks_n <= 1 else f"{weeks_n} weeks"

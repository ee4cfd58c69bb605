"""The judged tables of one edition as rows, and what of them a document may carry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from pipeline.config import Fleet

Row = dict[str, Any]

TABLES = {
    "scope": "",
    "rates": "order by grouped_by, group_name, group_id, basis, rate_name",
    "findings": "order by kind, subject_name, subject_id, code",
    "causes": "",
    "funnel": "order by grouped_by, group_name, group_id",
    "control": "order by kind, subject_id, week_id",
    "effects": "order by event_date, event_name",
    "what_if": "",
}
"""Ending of ``weekly_judged_`` (or ``weekly_``), and the order of its rows: by name, never by a
figure."""


def table_of(key: str) -> str:
    """The temporary table behind a key of `TABLES`."""
    return "weekly_what_if" if key == "what_if" else f"weekly_judged_{key}"


@dataclass(frozen=True)
class Judged:
    """Rows of the ``weekly_judged_*`` tables; empty where the stage did not run."""

    scope: Row | None = None
    rates: Sequence[Row] = ()
    findings: Sequence[Row] = ()
    causes: Sequence[Row] = ()
    funnel: Sequence[Row] = ()
    control: Sequence[Row] = ()
    effects: Sequence[Row] = ()
    what_if: Sequence[Row] = ()


def judged_of(rows: Mapping[str, Sequence[Row]], fleet: Fleet) -> Judged:
    """The rows by key, without any about single people where level or record do not allow them.

    The stage before already holds to that; a second lock costs nothing.
    """
    privacy = fleet.settings.privacy
    may = privacy.shown_level in ("pseudonyms", "names")
    kept = {
        each.name: [row for row in rows.get(each.name, ()) if may or not _is_person(each.name, row)]
        for each in fields(Judged)
        if each.name != "scope"
    }
    return Judged(scope=next(iter(rows.get("scope", ())), None), **kept)


def _is_person(table: str, row: Row) -> bool:
    """Is it about single drivers? What three of them together are worth is a sum."""
    return table != "what_if" and "driver" in (row.get("grouped_by"), row.get("kind"))


RATE_COLUMNS = (
    "grouped_by", "group_id", "group_name", "basis", "rate_name", "hits_n", "trials_n", "raw_rate",
    "shrunk_rate", "shrunk_rate_low", "shrunk_rate_high",
)  # fmt: skip
FINDING_COLUMNS = {
    "grouped_by": "kind", "subject_id": "subject_id", "subject_name": "subject_name",
    "finding": "code", "trials_n": "stops_n", "started_n": "started_n",
    "expected_starts_value": "expected_started_n", "p_value": "p_value", "q_value": "q_value",
    "stop_ids": "stop_ids",
}  # fmt: skip
CAUSE_COLUMNS = {
    "cause": "cause", "stops_n": "stops_n", "expected_n": "expected_stops_n",
    "avoidable_min": "avoidable_min", "unavoidable_min": "unavoidable_min",
    "no_minutes_n": "unknown_n",
}  # fmt: skip
FUNNEL_COLUMNS = {
    "grouped_by": "grouped_by", "group_id": "group_id", "group_name": "group_name",
    "trials_n": "stops_n", "started_n": "started_n", "expected_starts_value": "expected_started_n",
    **{key: key for key in ("ratio_value", "low_95_value", "high_95_value", "low_998_value",
                            "high_998_value", "position", "chance_position")},
}  # fmt: skip
CONTROL_COLUMNS = {
    "grouped_by": "kind", "subject_id": "subject_id", "week_id": "week_id", "trials_n": "stops_n",
    **{key: key for key in ("better_value", "worse_value", "better_limit_value",
                            "worse_limit_value")},
    "change_seen": "signal",
}  # fmt: skip
EFFECT_COLUMNS = (
    "event_date", "event_name", "event_kind", "vehicles_n", "sites_n", "before_n", "after_n",
    "before_rate", "after_rate", "change_rate", "change_rate_low", "change_rate_high",
    "odds_ratio_value", "odds_ratio_low_value", "odds_ratio_high_value", "why_null",
)  # fmt: skip
WHAT_IF_COLUMNS = (
    "grouped_by", "subjects_n", "subject_names", "trials_n", "weeks_n", "saved_min",
    "saved_low_min", "saved_high_min", "saved_valued_min", "saved_valued_low_min",
    "saved_valued_high_min", "saved_cash", "saved_low_cash", "saved_high_cash", "saved_worth_time",
    "saved_worth_low_time", "saved_worth_high_time",
)  # fmt: skip


def judged_tables(judged: Judged) -> list[tuple[str, Mapping[str, str], list[Row]]]:
    """Name, columns and rows of each judged table of an edition; lists become text."""

    def same(columns: Sequence[str]) -> dict[str, str]:
        return {column: column for column in columns}

    return [
        ("judged_rates", same(RATE_COLUMNS), list(judged.rates)),
        (
            "judged_findings",
            FINDING_COLUMNS,
            [row | {"stop_ids": "; ".join(row["stop_ids"] or [])} for row in judged.findings],
        ),
        ("judged_causes", CAUSE_COLUMNS, list(judged.causes)),
        ("judged_funnel", FUNNEL_COLUMNS, list(judged.funnel)),
        ("judged_control", CONTROL_COLUMNS, list(judged.control)),
        ("judged_effects", same(EFFECT_COLUMNS), list(judged.effects)),
        (
            "what_if",
            same(WHAT_IF_COLUMNS),
            [
                row
                | {
                    "subject_names": "; ".join(row["subject_names"] or []),
                    "trials_n": row["stops_n"],
                }
                for row in judged.what_if
            ],
        ),
    ]


def judged_summary(judged: Judged) -> Row | None:
    """What ``summary.json`` says of it; None where nothing was judged."""
    scope = judged.scope
    if scope is None:
        return None
    weeks_n = scope["weeks_n"]
    return {
        "weeks": weeks_n,
        "stops": scope["stops_n"],
        "people": scope["people_level"],
        "rates": {
            f"{row['rate_name']}_{row['basis']}": {
                "hits": row["hits_n"],
                "trials": row["trials_n"],
                "raw_rate": row["raw_rate"],
                "raw_rate_low": row["shrunk_rate_low"],
                "raw_rate_high": row["shrunk_rate_high"],
            }
            for row in judged.rates
            if row["grouped_by"] == "fleet"
        },
        "avoidable_min_a_week": {
            row["cause"]: row["avoidable_min"] / weeks_n for row in judged.causes
        },
        "what_if": {
            row["grouped_by"]: {
                key: row[key]
                for key in (
                    "saved_min", "saved_low_min", "saved_high_min", "saved_cash",
                    "saved_worth_time",
                )
            }
            for row in judged.what_if
        },
        "findings": [
            {
                "kind": row["kind"],
                "subject": row["subject_id"],
                "finding": row["code"],
                "stops": row["stop_ids"],
            }
            for row in judged.findings
        ],
        "findings_waiting": scope["waiting_n"],
    }  # fmt: skip

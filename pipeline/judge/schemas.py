"""Columns of the ``weekly_judged_*`` tables that this stage hands to the report."""

from __future__ import annotations

import polars as pl

from pipeline.judgement.control import CHART_SCHEMA
from pipeline.judgement.effects import EFFECT_SCHEMA
from pipeline.judgement.shrinkage import RATE_SCHEMA
from pipeline.judgement.what_if import FIGURES

SCOPE_SCHEMA = pl.Schema(
    {
        "first_date": pl.Date(),
        "last_date": pl.Date(),
        "weeks_n": pl.Int64(),
        "stops_n": pl.Int64(),
        "people_level": pl.String(),
        "people_why_not": pl.String(),
        "missing_record": pl.List(pl.String()),
        "waiting_n": pl.Int64(),
        "watched_from_date": pl.Date(),
        "no_chart_why": pl.String(),
    }
)
"""One row: the weeks judged, how far people may be spoken of and why no further, findings about
people that wait for a word, and the first day that the control chart watches."""

RATES_SCHEMA = pl.Schema({"group_name": pl.String()} | dict(RATE_SCHEMA))
"""``group_id`` and ``group_name`` of a driver are both the label; intervals of the fleet's own
rates are in the columns of the shrunk rate's, which is null there."""

FINDINGS_SCHEMA = pl.Schema(
    {
        "kind": pl.String(),
        "subject_id": pl.String(),
        "subject_name": pl.String(),
        "code": pl.String(),
        "stops_n": pl.Int64(),
        "started_n": pl.Int64(),
        "expected_started_n": pl.Float64(),
        "p_value": pl.Float64(),
        "q_value": pl.Float64(),
        "stop_ids": pl.List(pl.String()),
    }
)

CONTROL_SCHEMA = pl.Schema(
    {
        "kind": CHART_SCHEMA["kind"],
        "subject_id": pl.String(),
        "week_id": pl.String(),
        "stops_n": pl.Int64(),
        "better_value": pl.Float64(),
        "worse_value": pl.Float64(),
        "better_limit_value": pl.Float64(),
        "worse_limit_value": pl.Float64(),
        "signal": pl.String(),
    }
)
"""One row per chart and week with a stop: the highest either sum stood in it. By weeks, because a
document holds no instant of a rental."""

EFFECTS_SCHEMA = pl.Schema(
    {
        "event_date": pl.Date(),
        "event_name": pl.String(),
        "event_kind": pl.String(),
        "vehicles_n": pl.Int64(),
        "sites_n": pl.Int64(),
    }
    | {name: kind for name, kind in EFFECT_SCHEMA.items() if name != "event_at"}
)

WHAT_IF_SCHEMA = pl.Schema(
    {
        "grouped_by": pl.String(),
        "subjects_n": pl.Int64(),
        "subject_names": pl.List(pl.String()),
        "stops_n": pl.Int64(),
        "weeks_n": pl.Int64(),
        "luck_min": pl.Float64(),
    }
    | {
        f"{stem}{end}_{unit}": pl.Float64()
        for stem, _, unit in (name.rpartition("_") for name in FIGURES)
        for end in ("", "_low", "_high")
    }
)
"""Figures are per week. Names are null for drivers: the three are never named as such."""

WORTH_SCHEMA = pl.Schema(
    {
        "kind": pl.String(),
        "subject_id": pl.String(),
        "cause": pl.String(),
        "worth_min": pl.Float64(),
        "worth_low_min": pl.Float64(),
        "worth_high_min": pl.Float64(),
        "worth_weeks_n": pl.Int64(),
    }
)
"""Minutes a week that mending a vehicle or a site would save; ranks the actions."""

"""Tables of rates, causes, funnel, charts, events and worth, without a word about a person.

Each takes the judged rows and gives one table; who may be named is decided in `pipeline.judge`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from pipeline.events_config import Event
from pipeline.judge.allowed import LEAST_PEOPLE_N, Allowed
from pipeline.judge.schemas import (
    CONTROL_SCHEMA,
    EFFECTS_SCHEMA,
    RATES_SCHEMA,
    WHAT_IF_SCHEMA,
    WORTH_SCHEMA,
)
from pipeline.judge.span import BLOCK_WEEKS_N
from pipeline.judgement.effects import EFFECT_SCHEMA, before_and_after
from pipeline.judgement.funnel import funnel
from pipeline.judgement.shrinkage import rates_by_group
from pipeline.judgement.tables import NEEDED, judged
from pipeline.judgement.what_if import what_if, worth_of_subjects
from pipeline.statistics import beta_binomial_fit, effective_number, wilson_interval

CONFIDENCE = 0.9


def local_midnight(day: date, zone: ZoneInfo) -> datetime:
    """The instant at which a local day begins."""
    return datetime(day.year, day.month, day.day, tzinfo=zone).astimezone(UTC)


def rates(stops: pl.DataFrame) -> pl.DataFrame:
    """Shrunk rates by group; the fleet's own two with Wilson intervals on effective numbers."""
    table = rates_by_group(stops, CONFIDENCE).with_columns(group_name=pl.lit(None, pl.String))
    fleet_rows = [
        row | _fleet_interval(stops, row)
        for row in table.filter(pl.col("grouped_by") == "fleet").iter_rows(named=True)
    ]
    return pl.concat(
        [
            pl.DataFrame(fleet_rows, schema=table.schema).select(RATES_SCHEMA.keys()),
            table.filter(pl.col("grouped_by") != "fleet").select(RATES_SCHEMA.keys()),
        ]
    )


def _fleet_interval(stops: pl.DataFrame, row: dict[str, object]) -> dict[str, float]:
    """Ends of a fleet rate's interval: stops of one driver (or vehicle) go together."""
    rows = judged(stops)
    is_counted = (
        pl.col("outcome").is_in(NEEDED)
        if row["basis"] == "needed"
        else pl.col("fleet_why_not").is_null()
    )
    hits = "is_hit" if row["rate_name"] == "hit_rate" else "is_started"
    clusters = (
        rows.filter(is_counted)
        .group_by(pl.coalesce("driver " + pl.col("driver_id"), "vehicle " + pl.col("vehicle_id")))
        .agg(hits_n=pl.col(hits).sum(), trials_n=pl.len())
    )
    if clusters.is_empty():
        return {}
    trials, found = clusters["trials_n"].to_numpy(), clusters["hits_n"].to_numpy()
    fit = beta_binomial_fit(found, trials)
    worth = effective_number(trials.sum(), len(trials), fit.icc if fit else 0.0)
    ends = wilson_interval(found.sum() / trials.sum() * worth, worth, CONFIDENCE)
    return {"shrunk_rate_low": float(ends.low), "shrunk_rate_high": float(ends.high)}


def funnels(stops: pl.DataFrame, kinds: Sequence[str]) -> pl.DataFrame:
    """Observed against expected starts of each kind, with funnel limits."""
    return pl.concat(
        [
            funnel(stops, kind).select(pl.lit(kind).alias("grouped_by"), pl.all())
            for kind in sorted(kinds)
        ]
    )


def weekly_chart(points: pl.DataFrame, zone: ZoneInfo) -> pl.DataFrame:
    """A chart's points by local week: the highest of each sum in it, and the signal by its end."""
    week = pl.col("plug_in_at").dt.convert_time_zone(str(zone)).dt.strftime("%G-W%V")
    return (
        points.group_by("kind", "subject_id", week.alias("week_id"), maintain_order=True)
        .agg(
            pl.col("better_value", "worse_value").max(),
            pl.col("better_limit_value", "worse_limit_value", "signal").last(),
            stops_n=pl.len().cast(pl.Int64),
        )
        .sort("kind", "subject_id", "week_id")
        .select(CONTROL_SCHEMA.keys())
        .cast(CONTROL_SCHEMA)
    )


def effects(
    stops: pl.DataFrame, events: Sequence[Event], last: date, zone: ZoneInfo, drivers: pl.DataFrame
) -> pl.DataFrame:
    """Each event of the 13 weeks that end with ``last``, against the 13 weeks before it.

    Parameters
    ----------
    stops
        Of all weeks read.
    drivers
        ``stop_id, driver_id``: a training of fewer than five people is not put into figures.
    """
    rows = []
    for event in sorted(events, key=lambda each: (each.date, each.name)):
        if not last - timedelta(weeks=BLOCK_WEEKS_N) < event.date <= last:
            continue
        at, until = local_midnight(event.date, zone), timedelta(weeks=BLOCK_WEEKS_N)
        own = stops.filter(
            (pl.col("plug_in_at") >= at - until) & (pl.col("plug_in_at") < at + until)
        )
        for column, names in (("vehicle_id", event.vehicles), ("site_id", event.sites)):
            if names:
                own = own.filter(pl.col(column).is_in(list(names)).fill_null(False))
        people_n = own.join(drivers, on="stop_id", how="left", suffix="_known")[
            "driver_id_known"
        ].n_unique()
        if event.kind == "training" and people_n < LEAST_PEOPLE_N:
            found = dict.fromkeys(EFFECT_SCHEMA) | {"why_null": "too_few_people"}
        else:
            found = before_and_after(own, at, CONFIDENCE).row(0, named=True)
        rows.append(
            {name: value for name, value in found.items() if name != "event_at"}
            | {
                "event_date": event.date,
                "event_name": event.name,
                "event_kind": event.kind,
                "vehicles_n": len(event.vehicles),
                "sites_n": len(event.sites),
            }
        )
    return pl.DataFrame(rows, schema=EFFECTS_SCHEMA)


def mended(
    stops: pl.DataFrame, faulty: Collection[str], weeks_n: int, may: Allowed
) -> pl.DataFrame:
    """What mending the three worst of each kind would give a week; habits only as a sum."""
    table = what_if(stops, faulty, confidence=CONFIDENCE)
    if may.level == "nothing":
        table = table.filter(pl.col("grouped_by") != "driver")
    figures = [name for name in WHAT_IF_SCHEMA if WHAT_IF_SCHEMA[name] == pl.Float64]
    is_person = pl.col("grouped_by") == "driver"
    return (
        table.with_columns(
            pl.col(figures) / weeks_n,
            subjects_n=pl.col("subject_ids").list.len().cast(pl.Int64),
            subject_names=pl.when(~is_person).then("subject_ids"),
            weeks_n=pl.lit(weeks_n, pl.Int64),
        )
        .select(WHAT_IF_SCHEMA.keys())
        .cast(WHAT_IF_SCHEMA)
    )


def worth(stops: pl.DataFrame, faulty: Collection[str], weeks_n: int) -> pl.DataFrame:
    """Avoidable minutes a week of each vehicle and site; what the actions are ordered by."""
    found = worth_of_subjects(stops, faulty, confidence=CONFIDENCE)
    return found.select(
        pl.col("grouped_by").alias("kind"),
        "subject_id",
        "cause",
        worth_min=pl.col("saved_min") / weeks_n,
        worth_low_min=pl.col("saved_low_min") / weeks_n,
        worth_high_min=pl.col("saved_high_min") / weeks_n,
        worth_weeks_n=pl.lit(weeks_n, pl.Int64),
    ).cast(WORTH_SCHEMA)


def weeks_of(stops: pl.DataFrame, last: date, zone: ZoneInfo) -> int:
    """Weeks from the first stop to the last day."""
    if stops.is_empty():
        return 1
    first = stops["plug_in_at"].min()
    assert isinstance(first, datetime)
    return int(np.ceil(((last - first.astimezone(zone).date()).days + 1) / 7)) or 1

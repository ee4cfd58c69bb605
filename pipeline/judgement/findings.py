"""*Never starts warming*, and its mirror, *vehicle never responds* (method, section 7)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import polars as pl
from scipy.stats import false_discovery_control

from pipeline.judgement.expected import chance_by_others
from pipeline.judgement.tables import judged


@dataclass(frozen=True)
class Rule:
    """Constants of the rule; all but ``close_days_n`` and the ``habit`` pair are the method's.

    The method tests "starts as others do", but calls a finding false where the true start
    probability is ``habit_rate`` or more, and somebody who starts at one stop in ten is neither.
    So that weaker claim is tested too: ``(1 - habit_rate) ** stops`` must not exceed
    ``habit_error_rate``, which takes 19 stops without a start. The rate was chosen by simulation:
    where three of nine drivers start at one stop in ten and nobody less, the hardest case, it
    keeps the false discovery rate over 26 looks just under a tenth.
    """

    weeks_n: int = 13
    least_stops_n: int = 5
    least_expected_n: float = 3.0
    false_discovery_rate: float = 0.10
    shown_stops_n: int = 3
    shown_days_n: int = 60
    close_days_n: int = 14
    month_days_n: int = 28
    habit_rate: float = 0.10
    habit_error_rate: float = 0.15


METHOD_RULE = Rule()

SUBJECTS = {
    "driver": ("driver_id", "vehicle_id", "driver_why_not"),
    "vehicle": ("vehicle_id", "driver_id", "vehicle_why_not"),
}
"""Who is judged, who else could be the reason, and the column that says which stops count."""

FINDING_SCHEMA = pl.Schema(
    {
        "kind": pl.String(),
        "subject_id": pl.String(),
        "verdict": pl.String(),
        "stops_n": pl.Int64(),
        "started_n": pl.Int64(),
        "shown_n": pl.Int64(),
        "expected_started_n": pl.Float64(),
        "p_value": pl.Float64(),
        "q_value": pl.Float64(),
        "habit_p_value": pl.Float64(),
        "stop_ids": pl.List(pl.String()),
    }
)
"""One row per driver or vehicle with a stop that counts.

``verdict``: ``started`` (at least once) | ``too_few`` | ``cannot_tell`` (driver or vehicle) |
``not_distinct`` (could be chance) | ``first_month`` (holds, but not yet a month ago) | ``stands``.
``shown_n`` are the stops on which the other side is known to work; ``expected_started_n``, the
p-values and the verdict stand on those alone. ``q_value`` is null for who was not compared.
"""


def never_starts(stops: pl.DataFrame, look_at: datetime, rule: Rule = METHOD_RULE) -> pl.DataFrame:
    """Drivers, and whether it may be said of one that they never start warming.

    Parameters
    ----------
    stops
        Rows in `pipeline.judgement.tables.JUDGED_SCHEMA`, going back 26 weeks before
        `look_at`: 13 weeks, a month, and 60 days. Fewer say less, nothing false.
    look_at
        End of the time looked at, with a zone: stops from then on are not read.

    Returns
    -------
    DataFrame
        `FINDING_SCHEMA`, sorted by ``subject_id``: no ranking. A finding is ``stands``.

    Notes
    -----
    The p-value of a driver who never started is ``prod (1 - p_i)``, compared by Benjamini and
    Hochberg. Looking every week costs little: as long as nobody starts, its inverse is the
    likelihood ratio of *never* against *as others*, a martingale of mean 1 that drops to 0 with
    the first start, so that a run of stops reaches ``1 / a`` with probability ``a`` at the most,
    however often one looks (Ville 1939; always-valid p-values: Johari, Koomen, Pekelis and Walsh
    2022; both from memory). Such a rule was taken, not a plan that spends an error over looks,
    because nobody knows beforehand how many weeks a fleet will look. What remains is that a new
    run begins after each start; the demand that a finding hold on two looks a month apart keeps
    that in bounds, as ``tests/benchmarks/judgement_study.py`` measures.
    """
    return _two_looks(stops, "driver", look_at, rule)


def never_responds(
    stops: pl.DataFrame, look_at: datetime, rule: Rule = METHOD_RULE
) -> pl.DataFrame:
    """Vehicles, and whether it may be said of one that it never responds: the mirror.

    As `never_starts`, with the parts changed: counted are stops at which something may have asked
    the vehicle, shown are those around which the driver started another vehicle.
    """
    return _two_looks(stops, "vehicle", look_at, rule)


def one_look(rows: pl.DataFrame, kind: str, look_at: datetime, rule: Rule) -> pl.DataFrame:
    """The rule at one instant; ``stands`` here means that it holds at this look.

    Parameters
    ----------
    rows
        Of `pipeline.judgement.tables.judged`.
    kind
        ``driver`` or ``vehicle``.
    """
    subject, other, why_not = SUBJECTS[kind]
    past = rows.filter((pl.col("plug_in_at") < look_at) & pl.col(subject).is_not_null())
    counted = past.filter(
        pl.col(why_not).is_null()
        & (pl.col("plug_in_at") >= look_at - timedelta(weeks=rule.weeks_n))
    )
    if counted.is_empty():
        return pl.DataFrame(schema=FINDING_SCHEMA)
    chance = np.clip(chance_by_others(counted, subject), 0.0, 1 - 1e-12)
    # Without anybody to compare with there is nothing to expect.
    counted = counted.with_columns(
        chance=pl.Series(np.nan_to_num(chance), dtype=pl.Float64),
        is_shown=_is_shown(counted, past, subject, other, rule),
    )
    shown_chance = pl.col("chance").filter(pl.col("is_shown"))
    sums = (
        counted.group_by(pl.col(subject).alias("subject_id"))
        .agg(
            stops_n=pl.len().cast(pl.Int64),
            started_n=pl.col("is_started").sum().cast(pl.Int64),
            shown_n=pl.col("is_shown").sum().cast(pl.Int64),
            expected_started_n=shown_chance.sum(),
            expected_of_all_n=pl.col("chance").sum(),
            least_p_value=(-shown_chance).log1p().sum().exp(),
            stop_ids=pl.col("stop_id"),
        )
        .sort("subject_id")
    )
    return with_verdict(sums, kind, rule).select(FINDING_SCHEMA.keys()).cast(FINDING_SCHEMA)


def with_verdict(sums: pl.DataFrame, kind: str, rule: Rule) -> pl.DataFrame:
    """Sums per subject with p-values, false discovery rate and verdict at one look.

    Reads ``stops_n, started_n, shown_n, expected_started_n, expected_of_all_n`` and
    ``least_p_value``, the p-value had nobody started: the smallest that can be attained.
    """
    never = pl.col("started_n") == 0
    sums = sums.with_columns(
        kind=pl.lit(kind),
        p_value=pl.when(never).then("least_p_value").otherwise(1.0),
        habit_p_value=pl.when(never)
        .then((1 - rule.habit_rate) ** pl.col("shown_n").cast(pl.Float64))
        .otherwise(1.0),
        is_compared=(pl.col("least_p_value") <= rule.false_discovery_rate)
        & (pl.col("shown_n") >= rule.least_stops_n),
    )
    compared = sums["is_compared"].to_numpy()
    adjusted = np.full(len(sums), np.nan)
    if compared.any():
        p_values = sums["p_value"].to_numpy()[compared]
        adjusted[compared] = false_discovery_control(p_values, method="bh")
    has_enough = (pl.col("stops_n") >= rule.least_stops_n) & (
        pl.col("expected_of_all_n") >= rule.least_expected_n
    )
    is_told_apart = (pl.col("shown_n") >= max(rule.shown_stops_n, rule.least_stops_n)) & (
        pl.col("expected_started_n") >= rule.least_expected_n
    )
    is_distinct = (pl.col("q_value") <= rule.false_discovery_rate).fill_null(False) & (
        pl.col("habit_p_value") <= rule.habit_error_rate
    )
    return sums.with_columns(q_value=pl.Series(adjusted).fill_nan(None)).with_columns(
        verdict=pl.when(~never)
        .then(pl.lit("started"))
        .when(~has_enough)
        .then(pl.lit("too_few"))
        .when(~is_told_apart)
        .then(pl.lit("cannot_tell"))
        .when(~is_distinct)
        .then(pl.lit("not_distinct"))
        .otherwise(pl.lit("stands"))
    )


def _is_shown(
    counted: pl.DataFrame, past: pl.DataFrame, subject: str, other: str, rule: Rule
) -> pl.Series:
    """Whether the other side worked with somebody else around the stop.

    The method asks for a start within 60 days. A vehicle that broke since is not shown to work by
    the start before, so here such starts must lie on both sides of the stop, or one within two
    weeks of it: too few days for a fault to fill with stops enough for a finding.
    """
    starts = past.filter(pl.col("is_started") & pl.col(other).is_not_null()).select(
        other, subject, "plug_in_at"
    )
    gap = pl.col("plug_in_at_started") - pl.col("plug_in_at")
    near = (
        counted.select("stop_id", other, subject, "plug_in_at")
        .join(starts, on=other, suffix="_started")
        .filter(
            (pl.col(subject) != pl.col(f"{subject}_started"))
            & (gap.abs() <= timedelta(days=rule.shown_days_n))
        )
        .group_by("stop_id")
        .agg(
            is_before=(gap <= timedelta(0)).any(),
            is_after=(gap >= timedelta(0)).any(),
            is_close=(gap.abs() <= timedelta(days=rule.close_days_n)).any(),
        )
        .filter((pl.col("is_before") & pl.col("is_after")) | pl.col("is_close"))
    )
    return counted["stop_id"].is_in(near["stop_id"].to_list()).alias("is_shown")


def _two_looks(stops: pl.DataFrame, kind: str, look_at: datetime, rule: Rule) -> pl.DataFrame:
    rows = judged(stops)
    now = one_look(rows, kind, look_at, rule)
    if (now["verdict"] != "stands").all():
        return now
    before = one_look(rows, kind, look_at - timedelta(days=rule.month_days_n), rule)
    held = before.filter(pl.col("verdict") == "stands")["subject_id"].to_list()
    is_new = (pl.col("verdict") == "stands") & ~pl.col("subject_id").is_in(held)
    return now.with_columns(
        verdict=pl.when(is_new).then(pl.lit("first_month")).otherwise("verdict")
    )

"""Samples in time: clocks that jump, repeats, and samples that contradict each other.

Everything is judged per vehicle and in the order of the file.
"""

from __future__ import annotations

import polars as pl

SPIKE_ROWS_N = 5
"""At most so many rows ahead of both neighbours are a jump of the clock, not the new time."""

SPIKE_AHEAD_S = 600
UNORDERED_STEPS_N = 20
UNORDERED_RATE = 0.01

REPEATED = "repeated"
CONFLICTING_RECORD = "conflicting_record"
EXPECTED = {
    "clock_set_back": "a time not before the latest already seen of this vehicle in this file",
    "clock_jump": "a time between those of the rows around it",
    "conflicting_sample": "the values already taken in for this vehicle and instant",
    CONFLICTING_RECORD: "the record of this number already taken in for this vehicle",
}


def is_unordered(backward_n: int, rows_n: int) -> bool:
    """Is a file plainly not in time order, rather than one whose clock was set back?"""
    return backward_n > UNORDERED_STEPS_N and backward_n > UNORDERED_RATE * rows_n


def verdicts(
    rows: pl.DataFrame, values: list[str], is_in_order: bool
) -> tuple[pl.Series, pl.Series]:
    """What is wrong with each sample, as far as its file shows.

    Parameters
    ----------
    rows
        ``vehicle_id``, ``sampled_at`` and the `values`, in file order.
    values
        Columns that must agree for two samples of one instant to be a repeat.
    is_in_order
        False where the file is known not to be in time order: then only repeats are judged.

    Returns
    -------
    tuple
        Per row: null (nothing), ``repeated`` or the rule broken; and whether the clock stepped
        back to it.
    """
    n = rows.height
    good = pl.repeat(None, n, dtype=pl.String, eager=True)
    at = pl.col("sampled_at")
    is_single = rows["vehicle_id"].n_unique() <= 1
    step = at.diff() if is_single else at.diff().over("vehicle_id")
    steps = rows.select(step=step.dt.total_microseconds())["step"]
    least = steps.min()
    if least is None or (isinstance(least, int) and least > 0):
        return good, pl.repeat(False, n, dtype=pl.Boolean, eager=True)
    is_step_back = (steps < 0).fill_null(False)
    frame = rows.select("vehicle_id", "sampled_at").with_row_index("row")
    frame = (
        _with_spikes(frame)
        if is_in_order and is_step_back.any()
        else frame.with_columns(is_spike=pl.lit(False))
    )
    steady = pl.when(~pl.col("is_spike")).then(at)
    latest = steady.cum_max().forward_fill().shift(1).over("vehicle_id")
    frame = frame.with_columns(
        is_backward=(steady < latest).fill_null(False) if is_in_order else pl.lit(False)
    ).with_columns(
        first=pl.when(~pl.col("is_spike")).then(
            pl.col("row").min().over("vehicle_id", "sampled_at", "is_spike")
        )
    )
    frame = frame.with_columns(
        is_dup=(pl.col("row") > pl.col("first")).fill_null(False),
        is_first_backward=pl.col("is_backward").gather(pl.col("first").fill_null(0)),
    )
    frame = frame.with_columns(is_same=_same_as_first(rows.select(values), frame))
    verdict = (
        pl.when("is_spike")
        .then(pl.lit("clock_jump"))
        .when(pl.col("is_dup") & ~pl.col("is_first_backward") & pl.col("is_same"))
        .then(pl.lit(REPEATED))
        .when("is_backward")
        .then(pl.lit("clock_set_back"))
        .when("is_dup")
        .then(pl.lit("conflicting_sample"))
    )
    return frame.select(verdict.alias("verdict"))["verdict"], is_step_back


def _with_spikes(frame: pl.DataFrame) -> pl.DataFrame:
    """Mark short runs of rows that lie far ahead of the rows before and after them.

    At a backward step, the run is the shortest one whose removal leaves the times in order.
    """
    at = pl.col("sampled_at")
    ahead = pl.duration(seconds=SPIKE_AHEAD_S)
    width: pl.Expr = pl.lit(None, pl.Int64)
    for b in range(SPIKE_ROWS_N, 0, -1):
        all_ahead = pl.all_horizontal(*[at.shift(k) > at + ahead for k in range(1, b + 1)])
        before = at.shift(b + 1)
        fits = (before <= at).fill_null(b == 1)
        width = pl.when(all_ahead.fill_null(False) & fits).then(b).otherwise(width)
    frame = frame.with_columns(width=width.over("vehicle_id"))
    covered = [
        (pl.col("width").shift(-k) >= k).fill_null(False) for k in range(1, SPIKE_ROWS_N + 1)
    ]
    return frame.with_columns(is_spike=pl.any_horizontal(*covered).over("vehicle_id"))


def _same_as_first(values: pl.DataFrame, frame: pl.DataFrame) -> pl.Series:
    """Does a later sample of an instant say the same as the first one did?"""
    same = pl.repeat(False, frame.height, dtype=pl.Boolean, eager=True)
    rows = frame.filter("is_dup")
    if rows.height == 0:
        return same
    later = values[rows["row"]]
    first = values[rows["first"]]
    equal = pl.DataFrame(
        {name: later[name].eq_missing(first[name]) for name in values.columns}
    ).select(equal=pl.all_horizontal(pl.all()))["equal"]
    return same.scatter(rows["row"], equal)

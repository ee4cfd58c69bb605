"""Instants: from cells of any shape to UTC, with local clocks that jump twice a year."""

from __future__ import annotations

import re
from typing import NamedTuple

import polars as pl

from pipeline.source_config import TimeFormat

UTC_TIME = pl.Datetime("us", "UTC")
NAIVE = pl.Datetime("us")
FOLD_STEP_S = 60
"""A backward step of more than this inside the repeated hour is the clock being set back."""

_ISO = (
    r"^\s*(?P<date>\d{4}-\d{2}-\d{2})"
    r"(?:[T ](?P<minute>\d{2}:\d{2})(?::(?P<second>\d{2}))?(?:[.,](?P<fraction>\d{1,9}))?)?"
    r"\s*(?P<offset>[Zz]|[+-]\d{2}:?\d{2}|[+-]\d{2})?\s*$"
)
# The shapes nearly every file has throughout; each is read some ten times faster than _ISO.
_USUAL = (
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ"), "%Y-%m-%dT%H:%M:%SZ", True),
    (re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\dZ"), "%Y-%m-%d %H:%M:%SZ", True),
    (re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d"), "%Y-%m-%dT%H:%M:%S", False),
    (re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d"), "%Y-%m-%d %H:%M:%S", False),
)


class Clock(NamedTuple):
    """Clock readings as written.

    Parameters
    ----------
    naive
        The reading without its offset, null where it cannot be read.
    offset_s
        Offset from UTC [s], null where none was written.
    """

    naive: pl.Series
    offset_s: pl.Series


class Instants(NamedTuple):
    """Instants in UTC. `late` differs from `early` only in the hour that a clock repeats."""

    early: pl.Series
    late: pl.Series
    naive: pl.Series


def read_clock(cells: pl.Series, numbers: pl.Series | None, time: TimeFormat) -> Clock:
    """Clock readings of one column.

    Parameters
    ----------
    cells
        Strings, or dates and times as a typed file brings them (taken as they are).
    numbers
        The same cells as numbers, for the epoch formats.
    time
        How they are written.

    Raises
    ------
    pl.exceptions.ComputeError
        When ``time.format`` is no strftime pattern.
    """
    none_s = pl.repeat(None, len(cells), dtype=pl.Int32, eager=True)
    zero_s = pl.repeat(0, len(cells), dtype=pl.Int32, eager=True)
    if isinstance(cells.dtype, pl.Datetime):
        if cells.dtype.time_zone is None:
            return Clock(cells.cast(NAIVE), none_s)
        return Clock(
            cells.dt.convert_time_zone("UTC").dt.replace_time_zone(None).cast(NAIVE), zero_s
        )
    if cells.dtype == pl.Date:
        return Clock(cells.cast(NAIVE), none_s)
    if time.format in ("epoch_s", "epoch_ms"):
        per_unit = 1_000_000 if time.format == "epoch_s" else 1_000
        known = numbers if numbers is not None else cells.cast(pl.Float64, strict=False)
        micros = (known * per_unit).round().cast(pl.Int64, strict=False)
        return Clock(micros.cast(NAIVE), zero_s)
    text = cells.cast(pl.String)
    if time.format == "iso":
        return _iso(text, none_s, zero_s)
    return _pattern(text, time.format, none_s, zero_s)


def to_utc(clock: Clock, zone: str) -> Instants:
    """Instants; null where the reading is null or was jumped over by a clock set forward."""
    by_offset = (
        (
            clock.naive
            - clock.offset_s.cast(pl.Int64) * pl.Series([1_000_000]).cast(pl.Duration("us"))
        )
        if clock.offset_s.null_count() < len(clock.offset_s)
        else None
    )
    if by_offset is not None and clock.offset_s.null_count() == 0:
        instants = by_offset.dt.replace_time_zone("UTC")
        return Instants(instants, instants, clock.naive)
    early = _localised(clock.naive, zone, "earliest")
    late = early if zone == "UTC" else _localised(clock.naive, zone, "latest")
    if by_offset is not None:
        has_offset = clock.offset_s.is_not_null()
        fixed = by_offset.dt.replace_time_zone("UTC")
        early, late = fixed.zip_with(has_offset, early), fixed.zip_with(has_offset, late)
    return Instants(early, late, clock.naive)


def second_pass(
    vehicle: pl.Series, instants: Instants, memory: pl.DataFrame | None
) -> tuple[pl.Series, pl.DataFrame]:
    """Instants where the repeated hour is told apart by the order of the rows.

    The first pass through the hour is the earlier offset; from the first backward step inside
    the hour on, per vehicle and night, it is the later one.

    Parameters
    ----------
    vehicle, instants
        In file order.
    memory
        What an earlier batch of the same file left behind.

    Returns
    -------
    tuple
        Instants in UTC, and the memory for the next batch.
    """
    is_twice = (instants.early != instants.late).fill_null(False)
    left = memory if memory is not None else _NO_MEMORY
    if not is_twice.any():
        return instants.early, left
    rows = pl.DataFrame(
        {"vehicle_id": vehicle, "naive": instants.naive, "is_twice": is_twice}
    ).with_row_index("row")
    asked = rows.filter("is_twice").select(
        pl.col("row").cast(pl.Int64), "vehicle_id", "naive", is_late=pl.lit(False)
    )
    asked = pl.concat([left, asked]).with_columns(night=pl.col("naive").dt.date())
    group = ["vehicle_id", "night"]
    step_s = pl.col("naive").diff().dt.total_seconds().over(group)
    asked = asked.with_columns(
        is_late=(pl.col("is_late") | (step_s < -FOLD_STEP_S).fill_null(False))
        .cast(pl.UInt32)
        .cum_sum()
        .over(group)
        > 0
    )
    late_rows = asked.filter(pl.col("is_late") & (pl.col("row") >= 0))["row"]
    is_late = rows["row"].cast(pl.Int64).is_in(late_rows.implode())
    kept = (
        asked.group_by(group, maintain_order=True)
        .last()
        .select(row=pl.lit(-1, pl.Int64), vehicle_id="vehicle_id", naive="naive", is_late="is_late")
    )
    return instants.late.zip_with(is_late, instants.early), kept


_NO_MEMORY = pl.DataFrame(
    schema={"row": pl.Int64, "vehicle_id": pl.String, "naive": NAIVE, "is_late": pl.Boolean}
)


def _localised(naive: pl.Series, zone: str, ambiguous: str) -> pl.Series:
    if zone == "UTC":
        return naive.dt.replace_time_zone("UTC")
    expression = pl.col("naive").dt.replace_time_zone(
        zone, ambiguous="latest" if ambiguous == "latest" else "earliest", non_existent="null"
    )
    frame = pl.DataFrame({"naive": naive}).select(expression.dt.convert_time_zone("UTC"))
    return frame.to_series().cast(UTC_TIME)


def _iso(text: pl.Series, none_s: pl.Series, zero_s: pl.Series) -> Clock:
    found = text.drop_nulls().head(1)
    first = found.item() if len(found) else ""
    naive = pl.repeat(None, len(text), dtype=NAIVE, eager=True)
    offset_s = none_s
    for shape, pattern, is_utc in _USUAL:
        if shape.fullmatch(first):
            naive = text.str.to_datetime(pattern, time_unit="us", strict=False)
            offset_s = zero_s if is_utc else none_s
            break
    is_left = naive.is_null() & text.is_not_null()
    if not is_left.any():
        return Clock(naive, offset_s)
    rest = _any_iso(text.filter(is_left))
    left = is_left.arg_true()
    return Clock(naive.scatter(left, rest.naive), offset_s.clone().scatter(left, rest.offset_s))


def _any_iso(text: pl.Series) -> Clock:
    """Any shape of RFC 3339, a date alone (its midnight) included."""
    part = pl.col("part").struct
    offset = part.field("offset")
    sign = pl.when(offset.str.starts_with("-")).then(-1).otherwise(1)
    digits = offset.str.replace_all("[+:-]", "")
    offset_s = (
        pl.when(offset.str.to_uppercase() == "Z")
        .then(0)
        .otherwise(
            sign
            * (
                digits.str.slice(0, 2).cast(pl.Int32, strict=False) * 3600
                + digits.str.slice(2, 2).cast(pl.Int32, strict=False).fill_null(0) * 60
            )
        )
        .cast(pl.Int32)
    )
    minute = part.field("minute").fill_null("00:00")
    second = part.field("second").fill_null("00")
    micros = (part.field("fraction").fill_null("") + "000000").str.slice(0, 6).cast(pl.Int64)
    stamp = part.field("date") + " " + minute + ":" + second
    parts = pl.DataFrame({"text": text}).select(part=pl.col("text").str.extract_groups(_ISO))
    read = parts.select(
        naive=stamp.str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us", strict=False)
        + micros.cast(pl.Duration("us")),
        offset_s=offset_s,
    )
    return Clock(read["naive"].cast(NAIVE), read["offset_s"])


def _pattern(text: pl.Series, pattern: str, none_s: pl.Series, zero_s: pl.Series) -> Clock:
    # A strftime %f is microseconds; the reader's is nanoseconds, and %.f takes its point along.
    pattern = pattern.replace(".%f", "%.f").replace("%f", "%6f")
    trimmed = text.str.strip_chars()
    if "%z" in pattern or "%:z" in pattern:
        aware = trimmed.str.to_datetime(pattern, time_unit="us", time_zone="UTC", strict=False)
        return Clock(aware.dt.replace_time_zone(None), zero_s)
    if not any(mark in pattern for mark in ("%H", "%I", "%T", "%R", "%X", "%c", "%s", "%k", "%l")):
        return Clock(trimmed.str.to_date(pattern, strict=False).cast(NAIVE), none_s)
    return Clock(trimmed.str.to_datetime(pattern, time_unit="us", strict=False), none_s)

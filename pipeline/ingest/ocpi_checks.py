"""What single records of OCPI are held against, and the small arithmetic of it."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ingest.checks import MAX_VALUE_CHARS, QUARANTINE_SCHEMA, Check, no_quarantine
from pipeline.ingest.read import CELL
from pipeline.ingest.times import read_clock, to_utc
from pipeline.source_config import TimeFormat

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

AGREES_RATE, AGREES_KWH = 0.02, 0.1
"""Energies that differ by no more than one of these are the same."""
_NOT_CDRS = {"kwh": "a session", "elements": "a tariff", "evses": "a location"}


def object_checks(raw: pl.DataFrame) -> list[Check]:
    """Objects of the standard that are no charge detail record, and what is none of its objects."""
    keys = raw["keys"]
    needed = ("id", "start_date_time", "end_date_time", "total_energy", "cdr_token")
    has_all = pl.select(
        pl.all_horizontal(pl.lit(keys).list.contains(key).fill_null(False) for key in needed)
    ).to_series()
    what = pl.coalesce(
        *(
            pl.when(pl.lit(keys).list.contains(key)).then(pl.lit(name))
            for key, name in _NOT_CDRS.items()
        ),
        pl.when(pl.lit(raw["record_type"]) == "OBJECT").then(
            pl.lit("keys ") + pl.lit(keys).list.head(8).list.join(", ")
        ),
        pl.lit(raw["record_type"]),
        pl.lit("null"),
    )
    return [
        Check(
            "not_a_cdr",
            None,
            ~has_all,
            pl.DataFrame({"n": raw["file_row"]}).select(w=what)["w"],
            f"an OCPI charge detail record with {', '.join(needed)}",
        )
    ]


def credit_checks(raw: pl.DataFrame) -> list[Check]:
    """Credits, and the records of this batch that they take back."""
    is_credit = raw[CELL + "credit"].str.to_lowercase().eq("true").fill_null(False)
    taken_back = raw[CELL + "credit_reference_id"].filter(is_credit).drop_nulls()
    is_taken_back = ~is_credit & raw["own_id"].is_in(taken_back.implode()).fill_null(False)
    return [
        Check("credit_record", "credit", is_credit, raw[CELL + "credit_reference_id"], "a charge"),
        Check(
            "credited_record",
            "id",
            is_taken_back,
            raw["own_id"],
            "a record that no credit of the same file takes back",
        ),
    ]


def told(
    raw: pl.DataFrame,
    is_told: BoolArray,
    rule: str,
    column: str,
    value: pl.Series,
    used: pl.Series,
) -> pl.DataFrame:
    """Rows for `Mapped.mended`; ``expected`` holds what is used instead."""
    if not is_told.any():
        return no_quarantine()
    frame = pl.DataFrame({"file_row": raw["file_row"], "value": value, "expected": used})
    return (
        frame.filter(pl.Series(is_told))
        .with_columns(
            pl.col("value", "expected")
            .str.slice(0, MAX_VALUE_CHARS)
            .str.replace_all(r"\p{C}", "\ufffd"),
            rule=pl.lit(rule),
            column_name=pl.lit(column),
        )
        .select(pl.col(name).cast(kind) for name, kind in QUARANTINE_SCHEMA.items())
    )


def numbers(cells: pl.Series) -> FloatArray:
    numbers = cells.str.strip_chars().cast(pl.Float64, strict=False).fill_null(float("nan"))
    return np.where(np.isfinite(numbers.to_numpy()), numbers.to_numpy(), np.nan)


def agree(
    one: FloatArray,
    other: FloatArray,
) -> BoolArray:
    apart = np.abs(one - other)
    return apart <= np.maximum(AGREES_KWH, AGREES_RATE * np.maximum(np.abs(one), np.abs(other)))


def stay_h_of(raw: pl.DataFrame) -> FloatArray:
    """From the record's own ends; NaN where one of them cannot be read."""
    start, end = (
        to_utc(read_clock(raw[CELL + name], None, TimeFormat()), "UTC").early
        for name in ("start_date_time", "end_date_time")
    )
    hours = (end - start).dt.total_milliseconds() / 3.6e6
    return hours.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def nearest_km(
    latitude: FloatArray,
    longitude: FloatArray,
    sites: list[tuple[float, float]],
) -> FloatArray:
    """Distance to the nearest site on a sphere of 6371 km; NaN without a position."""
    nearest = np.full(latitude.shape, np.inf)
    at, along = np.radians(latitude), np.radians(longitude)
    for site in sites:
        there = np.radians(site)
        half = np.sin((at - there[0]) / 2) ** 2
        half = half + np.cos(at) * np.cos(there[0]) * np.sin((along - there[1]) / 2) ** 2
        nearest = np.minimum(nearest, 2 * 6371.0 * np.arcsin(np.sqrt(half.clip(0, 1))))
    return nearest

"""Rules that single rows break, and the quarantine rows that tell of it."""

from __future__ import annotations

from typing import NamedTuple

import polars as pl

MAX_VALUE_CHARS = 200
UNPRINTABLE = r"[\p{C}\p{Zl}\p{Zp}]"

QUARANTINE_SCHEMA = {
    "file_row": pl.Int64,
    "rule": pl.String,
    "column_name": pl.String,
    "value": pl.String,
    "expected": pl.String,
}


class Check(NamedTuple):
    """One rule held against one column of a batch.

    Parameters
    ----------
    rule
        Its name, such as ``out_of_range``.
    column
        Column of the export, None where the rule is about the whole row.
    is_broken
        True on the rows that break it; never null.
    cells
        What stood there, as exported; None where nothing single did.
    expected
        What would have passed.
    """

    rule: str
    column: str | None
    is_broken: pl.Series
    cells: pl.Series | None
    expected: str


def no_quarantine() -> pl.DataFrame:
    """A quarantine without rows."""
    return pl.DataFrame(schema=QUARANTINE_SCHEMA)


def set_aside(file_row: pl.Series, checks: list[Check]) -> tuple[pl.Series, pl.DataFrame]:
    """Which rows are set aside, and one quarantine row for each: the first rule it broke.

    Parameters
    ----------
    file_row
        Row in the file, per row of the batch.
    checks
        In the order in which rules take precedence.
    """
    is_bad = pl.repeat(False, len(file_row), dtype=pl.Boolean, eager=True)
    found = [no_quarantine()]
    for check in checks:
        is_first = check.is_broken & ~is_bad
        if is_first.any():
            found.append(quarantine_rows(file_row, check, is_first))
            is_bad = is_bad | is_first
    return is_bad, pl.concat(found)


def quarantine_rows(file_row: pl.Series, check: Check, is_chosen: pl.Series) -> pl.DataFrame:
    """Quarantine rows for the chosen rows of one check, values made safe to print."""
    if check.cells is None:
        value = pl.repeat(None, int(is_chosen.sum()), dtype=pl.String, eager=True)
    else:
        value = written(check.cells.filter(is_chosen))
    return pl.DataFrame({"file_row": file_row.filter(is_chosen), "value": value}).select(
        pl.col("file_row").cast(pl.Int64),
        rule=pl.lit(check.rule),
        column_name=pl.lit(check.column, pl.String),
        value=pl.col("value").str.slice(0, MAX_VALUE_CHARS).str.replace_all(UNPRINTABLE, "\ufffd"),
        expected=pl.lit(check.expected),
    )


def written(cells: pl.Series) -> pl.Series:
    """Cells as text; an instant of ours as RFC 3339."""
    if isinstance(cells.dtype, pl.Datetime) and cells.dtype.time_zone == "UTC":
        return cells.dt.to_string("%Y-%m-%dT%H:%M:%S%.fZ")
    return cells.cast(pl.String)

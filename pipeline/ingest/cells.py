"""Cells of one column to values: numbers, flags, words, vehicle names. All set-based.

Whatever depends only on the cell's text is worked out once per different text.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import polars as pl

from pipeline.columns import Signal
from pipeline.ingest.checks import Check
from pipeline.source_config import ColumnMap, Source
from pipeline.units import conversion

FLAGS = {
    "true": True,
    "1": True,
    "1.0": True,
    "yes": True,
    "y": True,
    "on": True,
    "false": False,
    "0": False,
    "0.0": False,
    "no": False,
    "n": False,
    "off": False,
}
DISCHARGE_SIGNED = frozenset({"pack_power_kw", "pack_current_a"})
MAX_ID_CHARS = 200
# Controls, invisible format characters, private use, line and paragraph separators.
_UNFIT_FOR_IDS = r"[\p{Cc}\p{Cf}\p{Co}\p{Zl}\p{Zp}]"


def null_words(source: Source, mapped: ColumnMap | None = None) -> list[str]:
    """Cells that mean 'no reading', trimmed; the empty cell always does."""
    words = {"", *source.null_values, *(mapped.null_values if mapped else ())}
    return sorted({word.strip() for word in words})


def by_text(cells: pl.Series, work: Callable[[pl.Series], pl.Series]) -> pl.Series:
    """`work` applied once per different text, then spread over the rows."""
    text = cells.cast(pl.String)
    different = text.unique()
    done = work(different)
    if len(different) == 1:
        return pl.repeat(done.item(), len(text), dtype=done.dtype, eager=True)
    return text.replace_strict(different, done, default=None, return_dtype=done.dtype)


def as_text(cells: pl.Series, nulls: list[str]) -> pl.Series:
    """Trimmed text, null where the cell means no reading, control characters replaced."""
    return by_text(cells, lambda text: _clean(text, nulls))


def as_lower(cells: pl.Series, nulls: list[str], allowed: Sequence[str] | None = None) -> pl.Series:
    """`as_text` in lower case; with `allowed`, any other word is none."""

    def work(text: pl.Series) -> pl.Series:
        lower = _clean(text, nulls).str.to_lowercase()
        return lower if allowed is None else lower.set(~lower.is_in(allowed).fill_null(False), None)

    return by_text(cells, work)


def translated(cells: pl.Series, words: Mapping[str, str]) -> pl.Series:
    """Words of the export replaced by ours; what is not listed stays."""
    if not words:
        return cells
    return by_text(cells, lambda text: text.str.strip_chars().replace(dict(words)))


def day_and_time(days: pl.Series, times: pl.Series) -> pl.Series:
    """One text of a day and a time of day; null where either is missing.

    A workbook's dates come with a midnight of their own, its times of day sometimes with a date.
    """
    day = days.cast(pl.String).str.strip_chars().str.replace(r"[ T]00:00(:00(\.0+)?)?$", "")
    time = times.cast(pl.String).str.strip_chars().str.replace(r"^\d{4}-\d\d-\d\d[ T]", "")
    parts = pl.DataFrame({"day": day, "time": time})
    is_whole = (pl.col("day") != "") & (pl.col("time") != "")
    return parts.select(both=pl.when(is_whole).then(pl.concat_str("day", "time", separator=" ")))[
        "both"
    ]


def as_flag(
    cells: pl.Series, signal: Signal, column: str | None, nulls: list[str]
) -> tuple[pl.Series, list[Check]]:
    """Flags, and the check for cells that are neither yes nor no."""
    flags = by_text(
        cells,
        lambda text: (
            _clean(text, nulls)
            .str.to_lowercase()
            .replace_strict(FLAGS, default=None, return_dtype=pl.Boolean)
        ),
    )
    if not flags.null_count():
        return flags, []
    is_broken = flags.is_null() & as_text(cells, nulls).is_not_null()
    return flags, [Check("not_a_flag", column, is_broken, cells, f"{signal.name}: true or false")]


def as_word(words: pl.Series, table: Mapping[str, str]) -> pl.Series:
    """Names in any case replaced by the id they stand for; unknown ones stay as written."""
    if not table:
        return words
    return by_text(
        words,
        lambda text: pl.select(
            pl.coalesce(
                text.str.to_lowercase().replace_strict(
                    dict(table), default=None, return_dtype=pl.String
                ),
                text,
            )
        ).to_series(),
    )


def vehicle_ids(
    cells: pl.Series, column: str | None, nulls: list[str]
) -> tuple[pl.Series, list[Check]]:
    """Vehicle names, trimmed and in one form of Unicode, and the checks on them."""
    ids = by_text(
        cells,
        lambda text: (
            text.str.strip_chars()
            .str.normalize("NFC")
            .set(text.str.strip_chars().is_in(nulls), None)
        ),
    )
    checks = []
    if ids.null_count():
        checks.append(Check("no_vehicle", column, ids.is_null(), cells, "a vehicle's name"))
    if _is_unfit(ids.unique()).any():
        is_unfit = by_text(ids, _is_unfit)
        plain = f"a vehicle's name of at most {MAX_ID_CHARS} characters without control characters"
        checks.append(Check("bad_vehicle_id", column, is_unfit, cells, plain))
    return ids, checks


def parse_numbers(cells: pl.Series, decimal: str) -> pl.Series:
    """Numbers as written, null where a cell is none. Text must use `decimal` as its point.

    With a decimal comma a point is refused, not guessed at: 1.234 may be a thousand.
    """
    if cells.dtype != pl.String:
        if cells.dtype.is_numeric() or cells.dtype == pl.Boolean:
            return without_nan(cells.cast(pl.Float64))
        return pl.repeat(None, len(cells), dtype=pl.Float64, eager=True)
    text = cells
    if decimal == ",":
        text = text.str.replace(".", "?", literal=True).str.replace(",", ".", literal=True)
    return without_nan(text.cast(pl.Float64, strict=False))


def without_nan(numbers: pl.Series) -> pl.Series:
    """NaN is no reading. The look costs far less than replacing what is not there."""
    return numbers.fill_nan(None) if numbers.is_nan().any() else numbers


def as_number(
    cells: pl.Series,
    numbers: pl.Series,
    signal: Signal,
    mapped: ColumnMap,
    source: Source,
    is_workbook: bool = False,
) -> tuple[pl.Series, list[Check]]:
    """One signal in our unit and sign, and the checks on it.

    Parameters
    ----------
    cells
        As exported.
    numbers
        `parse_numbers` of the same cells.
    """
    checks = []
    nulls = null_words(source, mapped)
    if numbers.null_count():
        numbers, is_broken = _second_look(cells, numbers, nulls, source.csv.decimal, is_workbook)
        if is_broken.any():
            expected = f"{signal.name}: a number [{mapped.unit or signal.unit}]"
            checks.append(Check("not_a_number", mapped.column, is_broken, cells, expected))
    sentinels = [float(word) for word in nulls if _is_number(word)]
    if sentinels:
        numbers = numbers.set(numbers.is_in(sentinels), None)
    factor, offset = conversion(signal.unit or "", mapped.unit)
    if signal.name in DISCHARGE_SIGNED and mapped.sign == "discharge_positive":
        factor = -factor
    if factor != 1.0 or offset != 0.0:
        numbers = numbers * factor + offset
    checks += in_range(numbers, cells, signal, mapped)
    return numbers, checks


def in_range(
    numbers: pl.Series, cells: pl.Series, signal: Signal, mapped: ColumnMap | None
) -> list[Check]:
    """The check on a signal's domain; none where lowest and highest value already pass."""
    low, high = signal.low, signal.high
    least, most = numbers.min(), numbers.max()
    if low is None or high is None or not isinstance(least, float) or not isinstance(most, float):
        return []
    if least >= low and most <= high:
        return []
    expected = f"{signal.name}: {low:g} to {high:g} {signal.unit}"
    if mapped is not None and mapped.unit is not None and mapped.unit != signal.unit:
        expected += f" (the column is mapped as {mapped.unit})"
    is_broken = ((numbers < low) | (numbers > high)).fill_null(False)
    return [Check("out_of_range", mapped.column if mapped else None, is_broken, cells, expected)]


def _clean(text: pl.Series, nulls: list[str]) -> pl.Series:
    trimmed = text.str.strip_chars()
    clean = trimmed.str.replace_all(r"\p{Cc}", "\ufffd").str.normalize("NFC")
    return clean.set(trimmed.is_in(nulls), None)


def _is_unfit(ids: pl.Series) -> pl.Series:
    return (ids.str.contains(_UNFIT_FOR_IDS) | (ids.str.len_chars() > MAX_ID_CHARS)).fill_null(
        False
    )


def _second_look(
    cells: pl.Series, numbers: pl.Series, nulls: list[str], decimal: str, is_workbook: bool
) -> tuple[pl.Series, pl.Series]:
    """Cells that were not read at once: spaces around them, or words for 'no reading'."""
    if cells.dtype != pl.String:
        is_broken = numbers.is_null() & cells.is_not_null()
        if cells.dtype.is_float():
            is_broken = is_broken & ~cells.is_nan().fill_null(False)
        return numbers, is_broken
    left = numbers.is_null().arg_true()
    trimmed = cells.gather(left).str.strip_chars()
    again = parse_numbers(trimmed, decimal)
    if is_workbook and decimal == ",":
        # Numbers of a workbook come with a point whatever the text cells use.
        again = again.fill_null(without_nan(trimmed.cast(pl.Float64, strict=False)))
    numbers = numbers.clone().scatter(left, again)
    is_broken = again.is_null() & trimmed.is_not_null() & ~trimmed.is_in(nulls).fill_null(False)
    spread = pl.repeat(False, len(cells), dtype=pl.Boolean, eager=True)
    return numbers, spread.scatter(left, is_broken)


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return word.lower() not in ("nan", "inf", "-inf")

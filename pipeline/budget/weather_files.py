"""Weather series from files: CSV by a small declared layout, and EPW.

EPW (EnergyPlus Weather): eight header lines, then one row per hour of *local standard time*, hour
1 to 24 naming the hour that ends then; line 1 holds the hours from UTC in its ninth field, column 7
of a row the dry-bulb temperature [degC], 99.9 where missing (from memory of the auxiliary programs
manual of EnergyPlus).
"""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

import polars as pl

from pipeline.budget.refusals import refuse
from pipeline.budget.weather import Weather, from_daily, from_instants
from pipeline.budget_config import WeatherFile

__all__ = ["WeatherFile", "read_weather"]

LARGEST_BYTES = 200 * 2**20
"""A century of hours takes 30 MB."""

COLDEST_DEGC, WARMEST_DEGC = -95.0, 60.0
"""No air outside this has been measured on earth (from memory). Beyond is missing."""

_DATE_LETTERS = len("2026-01-31")
_EPW_HEAD_N, _EPW_MISSING_DEGC = 8, 99.9


def read_weather(path: Path, layout: WeatherFile | None, zone: str) -> Weather:
    """Read a weather file; ``.epw`` needs no layout.

    Parameters
    ----------
    zone
        IANA zone of the fleet, whose days and hours the series is cut into.

    Raises
    ------
    ColdMinutesError
        ``BUDGET-02`` with file and row when it cannot be read; nothing is half used.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise refuse(
                "BUDGET-02", path.name, f"is larger than {LARGEST_BYTES >> 20} MB",
                "Give one station's temperature only, by hour or day.", 3,
            )  # fmt: skip
        content = path.read_bytes()
    except OSError as error:
        raise refuse(
            "BUDGET-02", path.name, f"cannot be read: {error.strerror}",
            "Check the path and its permissions.", 3,
        ) from error  # fmt: skip
    if path.suffix.lower() == ".epw":
        return _epw(content, path.name, zone)
    if layout is None:
        raise refuse(
            "BUDGET-02", path.name, "its columns are not declared",
            "Add [weather] with time_column and temperature_column to the settings.",
        )  # fmt: skip
    return _csv(content, path.name, layout, zone)


def _csv(content: bytes, name: str, layout: WeatherFile, zone: str) -> Weather:
    text = _table(content, name, layout.separator, 0)
    layout = _told(layout, text, name)
    for column in (layout.time_column, layout.temperature_column):
        if column not in text.columns:
            raise refuse(
                "BUDGET-02", f"{name}, row 1", f"has no column {column!r:.60}",
                f"It has: {', '.join(repr(c) for c in text.columns[:12])}. Mend [weather].", 3,
            )  # fmt: skip
    raw = pl.col(layout.temperature_column).str.strip_chars()
    if layout.decimal_comma:
        raw = raw.str.replace(",", ".", literal=True)
    value = pl.when(~raw.is_in(list(layout.missing))).then(raw)
    rows = text.select(
        when=pl.col(layout.time_column).str.strip_chars(),
        raw=value,
        number=value.cast(pl.Float64, strict=False),
    ).with_row_index("row", 2)
    _complain(rows.filter(pl.col("raw").is_not_null() & pl.col("number").is_null()),
              name, layout.temperature_column, "raw", "a number")  # fmt: skip
    degc = _in_degc(rows["number"], layout.unit)
    if layout.steps == "daily":
        day = rows["when"].str.to_date(layout.time_format, strict=False)
        if layout.time_format is None:
            day = day.fill_null(rows["when"].str.head(10).str.to_date("%Y-%m-%d", strict=False))
        _complain(rows.filter(day.is_null()), name, layout.time_column, "when", "a date")
        daily = pl.DataFrame({"day": day, "outside_degc": degc})
        return _made(daily, name, None)
    instant = _instants(rows["when"], layout, zone)
    known = pl.DataFrame({"row": rows["row"], "when": rows["when"], "sampled_at": instant})
    # A local time that the clocks skip is no instant, and no mistake of the file either.
    is_skipped = instant.is_null() & _naive(rows["when"], layout.time_format).is_not_null()
    _complain(known.filter(instant.is_null() & ~is_skipped), name, layout.time_column, "when",
              "a time with offset, or a local time and [weather] zone")  # fmt: skip
    return _made(pl.DataFrame({"sampled_at": instant, "outside_degc": degc}), name, zone)


def _told(layout: WeatherFile, text: pl.DataFrame, name: str) -> WeatherFile:
    """The layout with what it leaves open: the first two columns, and whether times are dates."""
    if text.width < 2:
        raise refuse(
            "BUDGET-02", f"{name}, row 1", "has one column, expected time and temperature",
            "Give a CSV with two columns, or name its separator in [weather].", 3,
        )  # fmt: skip
    time_column = layout.time_column or text.columns[0]
    steps = layout.steps
    if steps is None:
        longest = 0
        if time_column in text.columns:
            lengths = text[time_column].str.strip_chars().str.len_chars()
            longest = int(str(lengths.max() or 0))
        steps = "daily" if longest <= _DATE_LETTERS and layout.time_format is None else "hourly"
    return layout.model_copy(
        update={
            "time_column": time_column,
            "temperature_column": layout.temperature_column or text.columns[1],
            "steps": steps,
        }
    )


def _instants(when: pl.Series, layout: WeatherFile, zone: str) -> pl.Series:
    """Instants; an offset in the text counts, else the declared zone or the fleet's.

    The hour that is repeated in autumn is told by its order: its second reading of a name is the
    later one.
    """
    style = layout.time_format or "%+"
    with_offset = when.str.to_datetime(
        style, time_unit="us", time_zone="UTC", strict=False
    ) if layout.time_format is None or "%z" in style else pl.Series([None] * len(when))  # fmt: skip
    naive = pl.DataFrame({"local": _naive(when, layout.time_format)}).with_columns(
        nth=pl.col("local").cum_count().over("local")
    )
    local_zone = layout.zone or zone
    first, later = (
        naive["local"]
        .dt.replace_time_zone(local_zone, ambiguous=fold, non_existent="null")
        .dt.convert_time_zone("UTC")
        for fold in ("earliest", "latest")
    )
    local = pl.DataFrame({"f": first, "l": later, "nth": naive["nth"]}).select(
        pl.when(pl.col("nth") > 1).then("l").otherwise("f")
    )
    return with_offset.cast(pl.Datetime("us", "UTC")).fill_null(local.to_series())


def _naive(when: pl.Series, style: str | None) -> pl.Series:
    if style is not None and "%z" not in style:
        return when.str.to_datetime(style, time_unit="us", strict=False)
    found = pl.Series([None] * len(when), dtype=pl.Datetime("us"))
    if style is not None:
        return found
    text = when.str.replace("T", " ", literal=True)
    for pattern in ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"):
        found = found.fill_null(text.str.to_datetime(pattern, time_unit="us", strict=False))
    return found


def _epw(content: bytes, name: str, zone: str) -> Weather:
    head = content[:4096].decode("utf-8", errors="replace").splitlines()
    fields = head[0].split(",") if head else []
    try:
        offset_h = float(fields[8])
    except (IndexError, ValueError):
        offset_h = float("nan")
    if not fields or fields[0].strip().upper() != "LOCATION" or not -14 <= offset_h <= 14:
        raise refuse(
            "BUDGET-02", f"{name}, row 1", "is not the LOCATION line of an EPW file",
            "Give an EPW file as published, or a CSV with [weather].", 3,
        )  # fmt: skip
    text = _table(content, name, ",", _EPW_HEAD_N)
    if text.width < 7:
        raise refuse(
            "BUDGET-02", f"{name}, row {_EPW_HEAD_N + 1}", f"has {text.width} fields, expected 35",
            "Give an EPW file as published.", 3,
        )  # fmt: skip
    columns = text.columns
    rows = text.select(
        year=pl.col(columns[0]).cast(pl.Int32, strict=False),
        month=pl.col(columns[1]).cast(pl.Int8, strict=False),
        day=pl.col(columns[2]).cast(pl.Int8, strict=False),
        hour=pl.col(columns[3]).cast(pl.Int32, strict=False),
        number=pl.col(columns[6]).cast(pl.Float64, strict=False),
    ).with_row_index("row", _EPW_HEAD_N + 1)
    bad = rows.filter(
        pl.any_horizontal(pl.all().is_null()) | ~pl.col("month").is_between(1, 12)
        | ~pl.col("day").is_between(1, 31) | ~pl.col("hour").is_between(1, 24)
        | ~pl.col("year").is_between(1800, 2200)
    )  # fmt: skip
    _complain(
        bad.with_columns(pl.lit("", pl.String).alias("raw")), name, "1 to 7", "raw", "numbers"
    )
    # A typical year is put together from months of several years: taken as one, of the most years.
    years = rows["year"].unique()
    if len(years) > 1 and rows.height <= 8784:
        rows = rows.with_columns(year=pl.lit(2019, pl.Int32))
    # Month 2, day 29 of a year without one becomes null and drops out.
    date_text = pl.format("{}-{}-{}", "year", "month", "day")
    start = date_text.str.to_datetime("%Y-%m-%d", time_unit="us", strict=False)
    instant = start + pl.duration(minutes=(pl.col("hour") - 1) * 60 - round(offset_h * 60))
    readings = rows.select(
        sampled_at=instant.dt.replace_time_zone("UTC"),
        outside_degc=pl.when(pl.col("number") < _EPW_MISSING_DEGC).then("number"),
    )
    return _made(readings, name, zone)


def _table(content: bytes, name: str, separator: str, skip_n: int) -> pl.DataFrame:
    try:
        return pl.read_csv(
            BytesIO(content), separator=separator, infer_schema=False, skip_lines=skip_n,
            has_header=skip_n == 0, truncate_ragged_lines=True, encoding="utf8",
        )  # fmt: skip
    except (pl.exceptions.PolarsError, UnicodeDecodeError) as error:
        reason = str(error).splitlines()[0] if str(error) else "it is empty"
        raise refuse(
            "BUDGET-02", name, f"is not a table of text: {reason:.120}",
            "Give a CSV in UTF-8, or an EPW file, not packed.", 3,
        ) from error  # fmt: skip


def _in_degc(values: pl.Series, unit: str) -> pl.Series:
    if unit == "degf":
        values = (values - 32) * 5 / 9
    elif unit == "kelvin":
        values = values - 273.15
    return pl.DataFrame({"v": values}).select(
        pl.when(pl.col("v").is_between(COLDEST_DEGC, WARMEST_DEGC)).then("v")
    ).to_series()  # fmt: skip


def _complain(bad: pl.DataFrame, name: str, column: str, field: str, expected: str) -> None:
    if bad.is_empty():
        return
    first = bad.row(0, named=True)
    raise refuse(
        "BUDGET-02", f"{name}, row {first['row']}, column {column}",
        f"got {str(first[field])!r:.60}, expected {expected}",
        f"Mend the file or [weather]; rows like this: {bad.height}. Nothing was used.", 3,
    )  # fmt: skip


def _made(readings: pl.DataFrame, name: str, zone: str | None) -> Weather:
    try:
        return from_daily(readings) if zone is None else from_instants(readings, zone)
    except ValueError as error:
        raise refuse(
            "BUDGET-02", name, "holds no temperature that can be used",
            "Check [weather] unit and missing.", 3,
        ) from error  # fmt: skip

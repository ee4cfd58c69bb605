"""How instants are written in a column: format, offset, and which is the day, which the month."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import polars as pl

from pipeline.ingest.cells import parse_numbers
from pipeline.ingest.times import read_clock, to_utc
from pipeline.source_config import TimeFormat

_DATES = ("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y.%m.%d",
          "%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%b-%Y", "%d %b %Y", "%b %d %Y",
          "%Y%m%d")  # fmt: skip
_CLOCKS = (" %H:%M:%S", " %H:%M", " %H:%M:%S.%f", " %I:%M:%S %p", " %I:%M %p", "T%H:%M:%S",
           ", %H:%M:%S", " %H:%M %z", " %H:%M:%S %z", " %H:%M:%S%z", "%H%M%S", " %H.%M.%S",
           " %H.%M", "T%H%M%S")  # fmt: skip
_SPECIAL = (
    "%Y-%m-%d %H:%M:%S %z",
    "%Y-%m-%d %H:%M %z",
    "%Y-%m-%d %H.%M.%S",
    "%Y-%m-%d %I:%M:%S %p",
)
PATTERNS = (*_SPECIAL, *(date + clock for date in _DATES for clock in _CLOCKS))
_PLAIN_NUMBER = r"^[+-]?\d{0,11}([.,]\d*)?$|^\d{13}$|^[+-]?\d+[.,]\d+$"
LEAST_SHARE = 0.9
SAMPLE_N = 400
_FIRST = datetime(2010, 1, 1, tzinfo=UTC).timestamp()
_LAST = datetime(2045, 1, 1, tzinfo=UTC).timestamp()


@dataclass(frozen=True)
class Clocking:
    """How one column writes instants.

    Parameters
    ----------
    format
        As `TimeFormat.format`.
    has_offset
        True where every stamp says its offset from UTC, so that no zone is needed.
    is_date_only
        Only days.
    evidence
        Why.
    doubt
        What else it could be; empty where nothing.
    """

    format: str
    has_offset: bool
    is_date_only: bool
    evidence: str
    doubt: str = ""

    def instants(self, cells: pl.Series, decimal: str, zone: str = "UTC") -> pl.Series:
        """The column in UTC."""
        return _read(cells, self.format, decimal, zone)


def clocking(name: str, cells: pl.Series, decimal: str) -> Clocking | None:
    """How this column writes instants; None where it does not."""
    if isinstance(cells.dtype, pl.Datetime):
        aware = cells.dtype.time_zone is not None
        return Clocking("iso", aware, False, "typed as date and time in the file")
    if cells.dtype == pl.Date:
        return Clocking("iso", False, True, "typed as date in the file")
    if cells.dtype == pl.String:
        text = cells.str.strip_chars()
        text = text.filter(text.str.len_chars() > 0)
        if not len(text):
            return None
        head = text.head(SAMPLE_N)
        is_plain = head.str.contains(_PLAIN_NUMBER).sum() > 0.5 * len(head)
        if not is_plain and head.str.contains(r"\d[:/.\-, ]\d|\d{12}|\d{8}T").any():
            found = _of_text(text, decimal)
            if found is not None:
                return found
        numbers = parse_numbers(text, decimal)
    else:
        numbers = parse_numbers(cells, ".")
    return _epoch(numbers)


def _epoch(numbers: pl.Series) -> Clocking | None:
    known = numbers.drop_nulls()
    if len(known) < LEAST_SHARE * len(numbers) or not len(known):
        return None
    middle = known.median()
    if not isinstance(middle, float):
        return None
    for form, scale in (("epoch_s", 1.0), ("epoch_ms", 1e3)):
        if _FIRST * scale <= middle <= _LAST * scale:
            at = datetime.fromtimestamp(middle / scale, UTC)
            unit = "s" if form == "epoch_s" else "ms"
            why = f"numbers around {middle:.0f}: {unit} since 1970, {at:%B %Y}"
            return Clocking(form, True, False, why)
    return None


def _of_text(text: pl.Series, decimal: str) -> Clocking | None:
    different = text.unique(maintain_order=True)
    step = max(1, len(different) // SAMPLE_N)
    sample = different.gather_every(step).head(SAMPLE_N)
    first = str(sample[0])
    if _share(sample, "iso", decimal) >= LEAST_SHARE:
        clock = read_clock(sample, None, TimeFormat(format="iso"))
        offset_n = len(sample) - clock.offset_s.null_count()
        only_date = bool((sample.str.len_chars() <= 10).all())
        doubt = "only some stamps carry an offset" if 0 < offset_n < len(sample) else ""
        return Clocking(
            "iso", offset_n == len(sample), only_date, f"stamps such as {first!r}", doubt
        )
    fitting = [form for form in PATTERNS if _share(sample, form, decimal) >= LEAST_SHARE]
    # What reads every stamp without fractions of a second needs no pattern with them.
    fitting = [f for f in fitting if ".%f" not in f or f.replace(".%f", "") not in fitting]
    if not fitting:
        return None
    best, doubt = _likeliest(text, fitting, decimal)
    evidence = f"stamps such as {first!r}"
    if len(fitting) > 1 and not doubt:
        others = ", ".join(form for form in fitting if form != best)
        evidence += f"; {others} would scatter them or read fewer"
    return Clocking(best, "%z" in best, "%H" not in best and "%I" not in best, evidence, doubt)


def _likeliest(text: pl.Series, fitting: list[str], decimal: str) -> tuple[str, str]:
    """Of patterns that all read the cells, the one whose instants lie closest together."""
    if len(fitting) == 1:
        return fitting[0], ""
    part = text.head(20_000)
    scores = []
    for form in fitting:
        read = _read(part, form, decimal)
        steps = read.drop_nulls().diff().dt.total_seconds().abs()
        scores.append((-(len(part) - read.null_count()), float(steps.sum() or 0.0), form))
    scores.sort()
    (read_n, near, best), (other_n, far, other) = scores[0], scores[1]
    if read_n == other_n and far <= 1.5 * near:
        return best, f"{other} reads the stamps as well: which is the day, which the month?"
    return best, ""


def _share(sample: pl.Series, form: str, decimal: str) -> float:
    try:
        read = _read(sample, form, decimal)
    except pl.exceptions.PolarsError:
        return 0.0
    in_reach = read.is_between(datetime(2010, 1, 1, tzinfo=UTC), datetime(2045, 1, 1, tzinfo=UTC))
    return float(in_reach.fill_null(False).sum()) / len(sample)


def _read(cells: pl.Series, form: str, decimal: str, zone: str = "UTC") -> pl.Series:
    numbers = None
    if form in ("epoch_s", "epoch_ms"):
        trimmed = cells.str.strip_chars() if cells.dtype == pl.String else cells
        numbers = parse_numbers(trimmed, decimal)
    time = TimeFormat(format=form, zone=zone)
    return to_utc(read_clock(cells, numbers, time), zone).early

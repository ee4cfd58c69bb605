"""What the cells of one column say: numbers, words or times, and which cells mean *no reading*."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.draft.clocks import Clocking, clocking
from pipeline.ingest.cells import FLAGS, parse_numbers

Array = npt.NDArray[np.float64]
Nature = Literal["number", "time", "flag", "text", "empty"]

NULL_WORDS = frozenset(
    [
        "null",
        "none",
        "nan",
        "n/a",
        "na",
        "#n/a",
        "#na",
        "nil",
        "-",
        "--",
        "---",
        ".",
        "?",
        "missing",
        "invalid",
        "unavailable",
        "unknown",
        "keine",
        "leer",
        "fehlt",
        "saknas",
        "ingen",
        "vide",
        "nul",
        "nulo",
        "sin",
    ]
)
STANDARD_NULLS = ("", "null", "NULL", "NaN", "nan", "N/A", "NA", "-")
SENTINELS = (255.0, 511.0, 65535.0, 32767.0, -32768.0, 999.0, -999.0, 9999.0, -9999.0, 99999.0)
NUMERIC_SHARE = 0.9
WORDS_N = 12


@dataclass(frozen=True)
class Column:
    """One column, looked at.

    Parameters
    ----------
    name
        As the export writes it.
    nature
        What most of its cells are.
    numbers
        One float per row, NaN where there is none; None unless `nature` is ``number`` or
        ``flag`` in digits.
    words
        Different cells, the commonest first, at most `WORDS_N` of them.
    different_n, filled_n
        How many different cells, and how many that are not empty.
    null_words, sentinels
        Cells that mean no reading: words, and numbers far off all others.
    odd_words
        Words among numbers of which that cannot be said.
    clock
        How instants are written, for ``time``.
    cells
        As read.
    """

    name: str
    nature: Nature
    numbers: Array | None
    words: tuple[str, ...]
    different_n: int
    filled_n: int
    null_words: tuple[str, ...]
    sentinels: tuple[float, ...]
    odd_words: tuple[str, ...]
    clock: Clocking | None
    cells: pl.Series

    @property
    def known(self) -> Array:
        """The numbers that are there."""
        if self.numbers is None:
            return np.empty(0)
        return self.numbers[np.isfinite(self.numbers)]

    def summary(self) -> str:
        """What it holds, in a few words, for a comment."""
        if self.nature == "empty":
            return "empty"
        known = self.known
        if len(known) and self.nature == "number":
            return f"numbers {known.min():.6g} to {known.max():.6g}"
        if self.nature == "flag":
            return f"yes and no as {', '.join(map(repr, self.words[:4]))}"
        return "times" if self.nature == "time" else f"text, {self.different_n} different"


def look(name: str, cells: pl.Series, decimal: str) -> Column:
    """Look at one column."""
    clock = clocking(name, cells, decimal)
    if cells.dtype == pl.String:
        text = cells.str.strip_chars()
        counts = text.drop_nulls().value_counts(sort=True)
        counts = counts.filter(pl.col(counts.columns[0]) != "")
        numbers = parse_numbers(text, decimal)
    else:
        text = cells.cast(pl.String)
        counts = text.drop_nulls().value_counts(sort=True)
        numbers = parse_numbers(cells, ".")
    words = counts.to_series(0)
    filled_n = int(counts.to_series(1).sum()) if counts.height else 0
    is_null = words.str.to_lowercase().is_in(sorted(NULL_WORDS))
    real_n = filled_n - int(counts.filter(is_null).to_series(1).sum() if counts.height else 0)
    number_n = len(numbers) - numbers.null_count()
    lower = words.filter(~is_null).str.to_lowercase()
    nature: Nature
    sentinels: tuple[float, ...] = ()
    odd: tuple[str, ...] = ()
    values: Array | None = None
    if real_n == 0:
        nature = "empty"
    elif clock is not None:
        nature = "time"
    elif number_n >= NUMERIC_SHARE * real_n:
        nature = "number"
        values = numbers.to_numpy().astype(np.float64)
        sentinels = _sentinels(values)
        values = np.where(np.isin(values, sentinels), np.nan, values)
        if cells.dtype == pl.String:
            odd = _not_numbers(words.filter(~is_null), decimal)
        if set(np.unique(values[np.isfinite(values)]).tolist()) <= {0.0, 1.0}:
            nature = "flag"
    else:
        nature = "flag" if lower.len() <= 3 and lower.is_in(sorted(FLAGS)).all() else "text"
    return Column(
        name,
        nature,
        values,
        tuple(words.filter(~is_null).head(WORDS_N).to_list()),
        int(lower.len()),
        filled_n,
        tuple(words.filter(is_null).to_list()),
        sentinels,
        odd,
        clock,
        cells,
    )


def _not_numbers(words: pl.Series, decimal: str) -> tuple[str, ...]:
    return tuple(words.filter(parse_numbers(words, decimal).is_null()).head(5).to_list())


def _sentinels(values: Array) -> tuple[float, ...]:
    """Placeholders: well-known numbers that come back and lie far off the rest."""
    found = []
    known = values[np.isfinite(values)]
    for mark in SENTINELS:
        is_mark = known == mark
        rest = known[~is_mark]
        if is_mark.sum() < 2 or len(rest) < 2 or is_mark.mean() > 0.9:
            continue
        span = float(np.ptp(np.percentile(rest, [0.5, 99.5]))) or 1.0
        gap = mark - rest.max() if mark > 0 else rest.min() - mark
        if gap > 0.5 * span and gap > 50:
            found.append(mark)
    return tuple(found)

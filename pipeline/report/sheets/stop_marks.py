"""What every panel of a stop's time course is made of: its scale, its names, its values."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.report.sheets.stop_data import StopData

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]


class Label(NamedTuple):
    """Name of a line, at the height of its right end, or of its beginning where that is asked."""

    value: float
    text: str
    colour: str
    first: float | None = None


@dataclass(frozen=True)
class Panel:
    """One panel, ready to be drawn; ``words`` is its part of the alternative text."""

    title: str
    height_mm: float
    range: tuple[float, float]
    ticks: Sequence[float]
    draw: Callable[[Axes], None]
    words: str
    labels: list[Label] = field(default_factory=list)
    is_charge_only: bool = False
    """Nothing is drawn before plug-in, so that names find room there."""


def ticks(low: float, high: float) -> list[float]:
    """Three or four round steps within a scale."""
    span = high - low
    step = next(
        size * power
        for power in (1.0, 10.0, 100.0, 1000.0)
        for size in (1.0, 2.0, 5.0)
        if span / (size * power) <= 4.2 or power == 1000.0
    )
    return [float(each) for each in np.arange(np.ceil(low / step) * step, high, step)]


def values_of(data: StopData, column: str) -> Floats:
    """A column, with a hole wherever the samples pause, so that no line runs across it."""
    found: Floats = data.course[column].cast(pl.Float64).to_numpy().copy()
    if column != "from_plug_in_min":
        at = data.course["from_plug_in_min"].to_numpy()
        for from_min, _to_min in data.breaks_min:
            found[np.searchsorted(at, from_min)] = np.nan
    return found


def early(values: Floats) -> float | None:
    """Where a line of the charge begins, past the first ramp."""
    known = values[np.isfinite(values)]
    return float(np.median(known[: max(1, min(12, known.size // 4))])) if known.size else None


def last(values: Floats) -> float:
    """The last known value; 0 where none is, for labels of lines that are not drawn."""
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else 0.0

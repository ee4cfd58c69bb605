"""The report's own cold minutes against those of the table, so that both speak of the same thing.

The report splits the minutes of a measured charge along the temperatures it had; the table
simulates charges with and without each limit, each warming along its own way (some 15 % more cold
minutes on the sample fleet, mostly where sites limit). What both say of the same stops sets the
scale.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.budget.starts import SHARES
from pipeline.budget.tables import BIN_DEGC, BINS_N, FIGURES

WEIGHT_STOPS_N = 30.0
"""Stops that a scale of one counts for. Common practice, no source."""

SCALE_LIMITS = (0.3, 3.0)
"""Beyond, one of the two is wrong, and no scale mends it. Common practice, no source."""


def cold_scale(
    arrivals: pl.DataFrame, table: NDArray[np.float32], slots: NDArray[np.int32]
) -> tuple[float, int]:
    """Report over table, and the stops it rests on.

    Parameters
    ----------
    arrivals
        ``unwarmed_degc`` and ``unwarmed_cold_min``, the minutes had nobody warmed; rows where one
        is null are passed over.
    table, slots
        Of `pipeline.budget.tables.stop_table` and `pipeline.budget.templates.Templates`.
    """
    rows = arrivals.drop_nulls(["unwarmed_degc", "unwarmed_cold_min"])
    if rows.is_empty():
        return 1.0, 0
    shaped = table[:-1].reshape(-1, len(SHARES), BINS_N, len(FIGURES))
    share = np.bincount(slots.ravel(), minlength=len(shaped)) / slots.size
    per_bin = share @ shaped[:, 0, :, FIGURES.index("cold_min")].astype(np.float64)
    expected = np.interp(rows["unwarmed_degc"].to_numpy(), BIN_DEGC, per_bin)
    if not expected.sum() > 0:
        return 1.0, 0
    weight = WEIGHT_STOPS_N * expected.mean()
    scale = (rows["unwarmed_cold_min"].sum() + weight) / (expected.sum() + weight)
    return float(np.clip(scale, *SCALE_LIMITS)), rows.height

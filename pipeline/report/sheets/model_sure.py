"""How far the warmings that were seen lie from what the card says they take."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.thermal import ThermalModel

LEAST_SPELL_MIN = 10.0
LEAST_RISE_KELVIN = 5.0
LEAST_WARMINGS_N = 20
"""A range that is to hold nine of ten needs one below and one above it."""


class Spread(NamedTuple):
    """Range that held nine of ten warmings, as parts of what was predicted."""

    low: float
    high: float
    warmings_n: int


def spread_of(thermal: ThermalModel | None, warmings: pl.DataFrame) -> Spread | None:
    """Time taken over time predicted: the quantiles at 0.05 and 0.95.

    Parameters
    ----------
    thermal
        The model's thermal fit; None where there is none.
    warmings
        Rows of ``sheets/model_warmings``: minutes [min], coldest cell at both ends [degC], outside
        [degC], mean heater power [kW], mean current squared [A2].

    Returns
    -------
    Spread or None
        None below `LEAST_WARMINGS_N` warmings of which the model can tell how long they take.

    Notes
    -----
    Pieces of these warmings taught the model, so the range is no forecast of other vehicles: it
    shows how far the same model of vehicle differs from drive to drive.
    """
    if thermal is None or warmings.is_empty():
        return None
    predicted_min = thermal.minutes_to(
        warmings["cell_temp_end_degc"].to_numpy(),
        warmings["cell_temp_start_degc"].to_numpy(),
        warmings["ambient_degc"].to_numpy(),
        warmings["heater_power_kw"].to_numpy(),
        warmings["drive_i2_a2"].to_numpy(),
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = warmings["spell_min"].to_numpy() / predicted_min
    # What the model holds impossible is its worst error, and must not fall out of the range.
    ratio = np.where(np.isfinite(predicted_min), ratio, 0.0)
    ratio = ratio[np.isfinite(ratio)]
    if len(ratio) < LEAST_WARMINGS_N:
        return None
    low, high = np.quantile(ratio, (0.05, 0.95))
    return Spread(float(low), float(high), len(ratio))

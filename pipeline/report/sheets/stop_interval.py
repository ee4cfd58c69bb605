"""How well the minutes of one stop are known, as far as like charges show.

The weekly interval refits the curves 200 times; that is not repeated for a sheet. Here the curves
are taken as they are, and the rest of that interval is used: how far charges of the same model
were from what curve and limits say, and the two shares of `pipeline.minutes.intervals` for what
the refits cannot see.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.report.weekdata import Row

LEAST_CHARGES_N = 10
"""Fewer like charges say nothing of the spread."""
_PATH_SHARE = 0.01
_SITE_PATH_SHARE = 0.02
"""Twice as much for the charger's minutes, measured on the sample fleet: with it 89 % of the 88
stops that lost more than a minute to the charger's limit lie inside, without it 78 %."""
_DOUBT_SHARE = 0.25
_NORMAL_95 = 1.6449
"""Standard normal quantile at 95 % (from memory; a test holds it to the standard library)."""
_WILD = 5.0


@dataclass(frozen=True)
class MinutesInterval:
    """Ends of a 90 % interval [min], and the number of like charges behind it."""

    low_min: float
    high_min: float
    charges_n: int


def cold_interval(stop: Row, residual_rate: NDArray[np.float64]) -> MinutesInterval | None:
    """The interval of a stop's cold minutes; None where too few like charges are known.

    Parameters
    ----------
    residual_rate
        Shape (charges,): minutes beyond curve and limits over what they say, one per cold charge
        of the same model under the same fit.
    """
    cold_min = stop["lost_cold_min"]
    if cold_min is None or stop["reference_min"] is None or len(residual_rate) < LEAST_CHARGES_N:
        return None
    spread = residual_rate - np.median(residual_rate)
    # One wild charge says nothing of the others.
    bound = _WILD * float(np.median(np.abs(spread)))
    low, high = np.quantile(np.clip(spread, -bound, bound), [0.05, 0.95])
    # Only a stop that lost minutes to the cold can have lost them otherwise.
    share = min(max(cold_min, 0.0), 1.0)
    should_min = (stop["reference_min"] + max(cold_min, 0.0)) * share
    other = _path_and_doubt(cold_min, stop["split_doubt_min"], _PATH_SHARE)
    return MinutesInterval(
        # Minutes that a warm battery would have taken as well are nobody's loss.
        max(min(cold_min, 0.0), cold_min - math.hypot(float(low) * should_min, other)),
        cold_min + math.hypot(float(high) * should_min, other),
        len(residual_rate),
    )


def site_interval(stop: Row, residual_rate: NDArray[np.float64]) -> MinutesInterval | None:
    """The interval of the minutes that the charger's limit took; parameters of `cold_interval`.

    What no cause explains may be the charger's, so that the whole of what like charges took beyond
    curve and limits counts, not only its spread.
    """
    site_min = stop["lost_site_min"]
    if site_min is None or stop["reference_min"] is None or len(residual_rate) < LEAST_CHARGES_N:
        return None
    beyond_min = float(np.quantile(np.abs(residual_rate), 0.9)) * stop["reference_min"]
    # A charge that the charger did not limit at all lost nothing to it, whatever else is in doubt.
    share = min(max(site_min, 0.0), 1.0)
    half = share * math.hypot(
        beyond_min, _path_and_doubt(site_min, stop["split_doubt_min"], _SITE_PATH_SHARE)
    )
    low_min = max(min(site_min, 0.0), site_min - half)
    return MinutesInterval(low_min, site_min + half, len(residual_rate))


def _path_and_doubt(value_min: float, doubt_min: float | None, path_share: float) -> float:
    return _NORMAL_95 * math.hypot(path_share * value_min, _DOUBT_SHARE * (doubt_min or 0.0))

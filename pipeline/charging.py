"""Charging maths on arrays: the warm curve, the cold limit, and the power both allow."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
ColdForm = Literal["factor", "ceiling"]

SOC_BINS_N = 100
"""Bins of one per cent of charge."""

SOC_MID_PCT: Array = np.arange(SOC_BINS_N, dtype=np.float64) + np.float64(0.5)
"""Middle of each bin."""

LEAST_KW = 1.0
"""No limit is taken to be lower: below it a charge is not active (method, section 3)."""


def binned_curve(points: Sequence[tuple[float, float]]) -> Array:
    """Power of a warm pack at the middle of each one-per-cent bin of charge.

    Parameters
    ----------
    points
        ``(soc_pct, power_kw)``, charge rising, linear between, level beyond the ends.

    Returns
    -------
    array of shape (100,)
        Power [kW]; bin ``i`` is centred on ``i + 0.5`` per cent.

    Examples
    --------
    >>> float(binned_curve([(0, 100), (100, 50)])[0])
    99.75
    """
    soc_pct, power_kw = np.asarray(points, dtype=float).T
    power: Array = np.interp(SOC_MID_PCT, soc_pct, power_kw)
    return power


@dataclass(frozen=True)
class ChargeModel:
    """What a vehicle model takes at a fast charger, by charge and coldest cell.

    Parameters
    ----------
    reference_kw
        Shape (100,): power of a warm pack at the middle of each bin of charge [kW].
    usable_kwh
        Usable capacity; only a ceiling needs it, and it may be NaN otherwise.
    cold_form
        ``factor``: the limit is ``r(T) P_ref(soc)``; ``ceiling``: ``min(P_ref(soc), c(T) x
        capacity)``, a limit on current; None: no cold limit is known.
    cold_degc, cold_value
        Knots of ``r`` [1] or ``c`` [kW/kWh], temperature rising; linear between, level beyond.
    full_power_degc
        From here on the cold takes nothing.
    """

    reference_kw: Array
    usable_kwh: float
    full_power_degc: float
    cold_form: ColdForm | None = None
    cold_degc: Array | None = None
    cold_value: Array | None = None

    def warm_kw(self, soc_pct: ArrayLike) -> Array:
        """Power of a warm pack at this charge [kW]; NaN stays NaN."""
        power: Array = np.interp(np.asarray(soc_pct, dtype=float), SOC_MID_PCT, self.reference_kw)
        return power

    def cold_kw(self, soc_pct: ArrayLike, cell_temp_degc: ArrayLike) -> Array:
        """Power at this charge and coldest cell [kW]; NaN where the cold limit is not known."""
        temp = np.asarray(cell_temp_degc, dtype=float)
        warm = self.warm_kw(soc_pct)
        if self.cold_form is None or self.cold_degc is None or self.cold_value is None:
            return np.where(temp >= self.full_power_degc, warm, np.nan)
        value = np.interp(temp, self.cold_degc, self.cold_value)
        if self.cold_form == "factor":
            limited = warm * value
        else:
            limited = np.minimum(warm, value * self.usable_kwh)
        return np.where(temp >= self.full_power_degc, warm, np.maximum(limited, LEAST_KW))

"""Charging maths on arrays: the warm curve cut into bins."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

SOC_BINS_N = 200
"""Bins of half a per cent."""


def binned_curve(points: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    """Power of a warm pack at the middle of each half-per-cent bin of charge.

    Parameters
    ----------
    points
        ``(soc_pct, power_kw)``, charge rising, linear between, level beyond the ends.

    Returns
    -------
    array of shape (200,)
        Power [kW]; bin ``i`` is centred on ``i / 2 + 0.25`` per cent.

    Examples
    --------
    >>> float(binned_curve([(0, 100), (100, 50)])[0])
    99.875
    """
    soc_pct, power_kw = np.asarray(points, dtype=float).T
    power: NDArray[np.float64] = np.interp(np.arange(SOC_BINS_N) / 2 + 0.25, soc_pct, power_kw)
    return power

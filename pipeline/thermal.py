"""Thermal model of a pack: one lumped heat capacity in closed form (method, section 6).

``(C/eta) dT/dt = P_heat + (R/eta) I^2 + (UA/eta)(T_out - T)`` with ``T`` the coldest cell. Dividing
by the heater's efficiency makes ``C/eta`` what the heater's meter needs per kelvin, which is all
that can be learned from outside. Lumped capacitance is textbook matter; a pack has gradients, so
a fit is judged by the minutes and arrival temperatures it predicts, not by ``C``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

Array = NDArray[np.float64]

NOMINAL_PACK_V = 360.0
"""Turns power into current where no voltage is exported; the fitted ``R/eta`` goes with it."""

HEAT_KJ_PER_KELVIN_KWH = 8.4
"""Default ``C/eta`` per kWh of usable charge. Chosen so that a 77 kWh pack meets both facts of the
trade within 20 % (10 K in 24.5 min at 5.2 to 5.4 kW, 14 to 17 K in about 30 min); at 0.86 into
the cells it is 7.2 kJ/K per kWh, near the 4.7 to 6.7 of cell calorimetry plus case and coolant."""

TAU_H = 10.0
"""Default time constant of cooling. No refereed value is known: a plain middle of 3 to 24 h."""

RESISTANCE_OHM_KWH = 4.5
"""Default ``R/eta`` times usable charge, at 360 V: one-way efficiency at 1C of 0.978 at 23 degC and
0.964 at 0 degC (open vehicle simulation's battery table), taken at 10 degC, over 0.86."""

HEAT_LIMITS_KJ_PER_KELVIN_KWH = (3.0, 20.0)
TAU_LIMITS_H = (3.0, 24.0)
"""Plausible ranges (method, section 6): a fit outside them is reported and not used."""


@dataclass(frozen=True)
class ThermalModel:
    """One lumped pack. Standard errors are NaN where nothing was fitted.

    Attributes
    ----------
    heat_kj_per_kelvin, resistance_ohm, loss_w_per_kelvin
        ``C/eta``, ``R/eta`` (for a current of power / `nominal_v`) and ``UA/eta``; none negative.
    drive_spread_kelvin_per_h
        Spread of what driving stretches rose beyond the model, per hour; NaN if not learned.
    """

    heat_kj_per_kelvin: float
    resistance_ohm: float
    loss_w_per_kelvin: float
    heat_se_kj_per_kelvin: float = np.nan
    resistance_se_ohm: float = np.nan
    loss_se_w_per_kelvin: float = np.nan
    nominal_v: float = NOMINAL_PACK_V
    heater_power_kw: float = 5.0
    source: Literal["learned", "default"] = "default"
    tau_source: Literal["learned", "default"] = "default"
    stretches_n: int = 0
    drive_spread_kelvin_per_h: float = np.nan

    def __post_init__(self) -> None:
        if not self.heat_kj_per_kelvin > 0:
            raise ValueError(f"heat_kj_per_kelvin must be positive: {self.heat_kj_per_kelvin}")
        if not (self.resistance_ohm >= 0 and self.loss_w_per_kelvin >= 0):
            raise ValueError("resistance_ohm and loss_w_per_kelvin must not be negative")

    @property
    def tau_h(self) -> float:
        """Time constant ``C/UA`` [h]; infinite for a pack that loses nothing."""
        if self.loss_w_per_kelvin == 0:
            return np.inf
        return self.heat_kj_per_kelvin / self.loss_w_per_kelvin / 3.6

    def drift_kelvin_per_min(
        self, start_degc: ArrayLike, ambient_degc: ArrayLike, heat_kw: ArrayLike, i2_a2: ArrayLike
    ) -> Array:
        """Rate at which the coldest cell warms at `start_degc`, inputs as in `after`."""
        lost_w = self.loss_w_per_kelvin * (np.asarray(ambient_degc) - np.asarray(start_degc))
        heat_w = 1000 * np.asarray(heat_kw) + self.resistance_ohm * np.asarray(i2_a2) + lost_w
        rate: Array = heat_w * 0.06 / self.heat_kj_per_kelvin
        return rate

    def after(
        self,
        start_degc: ArrayLike,
        ambient_degc: ArrayLike,
        time_min: ArrayLike,
        heat_kw: ArrayLike = 0.0,
        i2_a2: ArrayLike = 0.0,
    ) -> Array:
        """Temperature of the coldest cell after `time_min` with constant inputs [degC].

        ``T(t) = T_inf + (T0 - T_inf) exp(-t/tau)``, written as start plus drift times an effective
        time, so that it holds as ``UA -> 0`` too. Arguments broadcast; NaN in, NaN out.

        Parameters
        ----------
        heat_kw
            Electric power of the battery heater.
        i2_a2
            Mean of pack current squared, current being power / `nominal_v`.
        """
        drift = self.drift_kelvin_per_min(start_degc, ambient_degc, heat_kw, i2_a2)
        minutes = np.asarray(time_min, dtype=float)
        result: Array = np.asarray(start_degc) + drift * minutes * _level(
            minutes / (60 * self.tau_h)
        )
        return result

    def minutes_to(
        self,
        threshold_degc: ArrayLike,
        start_degc: ArrayLike,
        ambient_degc: ArrayLike,
        heat_kw: ArrayLike = 0.0,
        i2_a2: ArrayLike = 0.0,
    ) -> Array:
        """Minutes until the coldest cell reaches `threshold_degc` from below.

        ``tau ln((T_inf - T0)/(T_inf - T*))``; 0 where it starts at or above, infinite where
        ``T_inf <= T*``: it never gets warm. NaN in, NaN out. Arguments broadcast.
        """
        drift = self.drift_kelvin_per_min(start_degc, ambient_degc, heat_kw, i2_a2)
        gap = np.asarray(threshold_degc, dtype=float) - np.asarray(start_degc, dtype=float)
        drift, gap = np.broadcast_arrays(drift, gap)
        # drift * tau is T_inf - T0, so gap / (drift * tau) is the share of the way to T_inf.
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            linear = np.where(drift > 0, gap / drift, np.inf)
            share = linear / (60 * self.tau_h)
            minutes = np.where(share < 1, linear * _unlevel(np.minimum(share, 1 - 1e-16)), np.inf)
        result: Array = np.where(gap <= 0, 0.0, minutes)
        return np.where(np.isnan(drift) | np.isnan(gap), np.nan, result)


def default_model(usable_kwh: float, heater_power_kw: float = 5.0) -> ThermalModel:
    """The model of a pack nobody has measured, scaled by its usable charge.

    Raises
    ------
    ValueError
        When `usable_kwh` is not positive.
    """
    heat = HEAT_KJ_PER_KELVIN_KWH * usable_kwh
    if not heat > 0:
        raise ValueError(f"usable_kwh must be positive: {usable_kwh}")
    return ThermalModel(
        heat_kj_per_kelvin=heat,
        resistance_ohm=RESISTANCE_OHM_KWH / usable_kwh,
        loss_w_per_kelvin=heat / TAU_H / 3.6,
        heater_power_kw=heater_power_kw,
    )


def drive_heat_limit(
    model: ThermalModel,
    i2_a2s: ArrayLike,
    hours: ArrayLike,
    start_degc: ArrayLike,
    ambient_degc: ArrayLike,
    resolution_kelvin: float = 0.1,
    level: float = 0.95,
) -> Array:
    """Upper prediction limit of the rise that driving alone explains [K] (method, section 2).

    The model's rise without heater, plus the one-sided normal quantile times the spread. The
    residual of a stretch is taken to last for the whole drive (same road, same driver), so it
    grows with the hours, which errs towards *unknown*; the rounding of both readings is added.
    NaN where the model has no learned spread.

    Parameters
    ----------
    i2_a2s
        Integral of pack current squared [A^2 s], current being power / ``model.nominal_v``.
    """
    time_h = np.asarray(hours, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        i2_a2 = np.where(time_h > 0, np.asarray(i2_a2s, dtype=float) / (3600 * time_h), 0.0)
    rise = model.after(start_degc, ambient_degc, 60 * time_h, 0.0, i2_a2) - np.asarray(start_degc)
    ohmic_kelvin = i2_a2 * 3.6 * time_h / model.heat_kj_per_kelvin
    spread = np.sqrt(
        (model.drive_spread_kelvin_per_h * time_h) ** 2
        + (np.nan_to_num(model.resistance_se_ohm) * ohmic_kelvin) ** 2
        + resolution_kelvin**2 / 6
    )
    limit: Array = rise + special.ndtri(level) * spread
    return limit


def _level(x: Array) -> Array:
    """``(1 - exp(-x)) / x``: the part of a drift that survives decay; 1 at 0."""
    safe = np.where(x == 0, 1.0, x)
    result: Array = np.where(x == 0, 1.0, -np.expm1(-safe) / safe)
    return result


def _unlevel(share: Array) -> Array:
    """``-ln(1 - s) / s``: how much longer than linear the way to share `s` takes; 1 at 0."""
    safe = np.where(share == 0, 0.5, share)
    result: Array = np.where(share == 0, 1.0, -np.log1p(-safe) / safe)
    return result

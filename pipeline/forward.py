"""A charge simulated forward: how long it would take from another temperature (method, section 6).

All stops advance together, one step at a time, as arrays; each leaves when its energy is in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike

from pipeline.thermal import Array, ThermalModel

AUX_STANDING_KW = 0.3
"""What a standing vehicle takes from the charger beside pack and heater. Common practice, no
source."""

LONGEST_MIN = 24 * 60.0
"""A charge that has not ended by then never does."""


class Charging(Protocol):
    """What `pipeline.charging.ChargeModel` offers here."""

    @property
    def usable_kwh(self) -> float: ...

    @property
    def cold_form(self) -> str | None: ...

    def warm_kw(self, soc_pct: ArrayLike) -> Array: ...

    def cold_kw(self, soc_pct: ArrayLike, cell_temp_degc: ArrayLike) -> Array: ...


@dataclass(frozen=True)
class PlugHeater:
    """How a vehicle heats its pack at the charger: on below one temperature until another; below
    `hold_below_degc` it takes no charge until `hold_until_degc`. -inf for never."""

    power_kw: float
    below_degc: float
    until_degc: float
    hold_below_degc: float = -np.inf
    hold_until_degc: float = -np.inf

    def __post_init__(self) -> None:
        if not self.power_kw > 0:
            raise ValueError(f"power_kw must be positive: {self.power_kw}")
        if self.until_degc < self.below_degc or self.hold_until_degc < self.hold_below_degc:
            raise ValueError("heating ends at a temperature below that at which it begins")


def charge_forward(
    model: Charging,
    thermal: ThermalModel,
    soc_start_pct: ArrayLike,
    energy_kwh: ArrayLike,
    cell_temp_start_degc: ArrayLike,
    ambient_degc: ArrayLike,
    site_kw: ArrayLike = np.inf,
    heater: PlugHeater | None = None,
    soc_end_pct: ArrayLike | None = None,
    curve_scale: ArrayLike = 1.0,
    aux_kw: float = AUX_STANDING_KW,
    step_s: float = 30.0,
) -> Array:
    """Minutes each charge takes, with ``P = min(P_ref, P_cold, P_site - heater - aux)``.

    The pack warms by its heater and by I^2 R (closed form within a step). Minutes held below
    1 kW for warming count. Within the last step time is linear in energy.

    Parameters
    ----------
    soc_start_pct, energy_kwh, cell_temp_start_degc, ambient_degc
        Broadcast to one shape ``(N,)``: charge, energy wanted into the pack, coldest cell,
        outside air.
    site_kw
        The charger's limit; inf where it does not limit. NaN means unknown and gives NaN.
    soc_end_pct
        Where known, charge follows energy linearly to it; otherwise by ``model.usable_kwh``.
    curve_scale
        A vehicle's own scale on the warm curve.

    Returns
    -------
    array of shape (N,)
        Minutes; 0 for no energy, inf where the charge never ends (or not within a day), NaN
        where an input or the power at some charge and temperature is unknown.
    """
    given = np.broadcast_arrays(
        *np.atleast_1d(
            soc_start_pct, energy_kwh, cell_temp_start_degc, ambient_degc, site_kw, curve_scale
        )
    )
    inputs: Array = np.stack(given).astype(float)
    soc, energy = inputs[:2]
    with np.errstate(divide="ignore", invalid="ignore"):
        per_kwh = (
            np.full_like(soc, 100 / model.usable_kwh)
            if soc_end_pct is None
            else (np.broadcast_to(soc_end_pct, soc.shape) - soc) / energy
        )
    minutes = np.where(energy <= 0, 0.0, np.inf)
    is_unknown = np.isnan(inputs).any(axis=0) | (np.isnan(per_kwh) & (energy > 0))
    minutes[is_unknown] = np.nan
    run = np.flatnonzero(np.isinf(minutes))
    # One row each, so that all that has ended leaves in one cut.
    state: Array = np.vstack((inputs, per_kwh, np.zeros((2, len(soc)))))[:, run]
    hours = step_s / 3600
    for step_no in range(int(np.ceil(LONGEST_MIN * 60 / step_s))):
        if not len(run):
            break
        soc, left, cell, ambient, site, scale, per_kwh, was_heating, was_holding = state
        heater_kw = np.zeros(len(run))
        is_holding = np.zeros(len(run), dtype=bool)
        if heater:
            is_holding = cell < np.where(
                was_holding > 0, heater.hold_until_degc, heater.hold_below_degc
            )
            is_heating = cell < np.where(was_heating > 0, heater.until_degc, heater.below_degc)
            heater_kw[is_heating | is_holding] = heater.power_kw
            state[7], state[8] = is_heating, is_holding
        power = np.minimum(_vehicle_kw(model, soc, cell, scale), site - heater_kw - aux_kw)
        power = np.where(is_holding, 0.0, np.maximum(power, 0.0))
        step_kwh = power * hours
        is_last = step_kwh >= left
        is_lost = np.isnan(power)
        minutes[run[is_last]] = (step_no + left[is_last] / step_kwh[is_last]) * step_s / 60
        minutes[run[is_lost]] = np.nan
        state[0] = np.minimum(soc + step_kwh * per_kwh, 100.0)
        state[1] = left - step_kwh
        amps = power * 1000 / thermal.nominal_v
        state[2] = thermal.after(cell, ambient, step_s / 60, heater_kw, amps**2)
        if is_last.any() or is_lost.any():
            goes_on = ~(is_last | is_lost)
            run, state = run[goes_on], state[:, goes_on]
    return minutes


def _vehicle_kw(model: Charging, soc_pct: Array, cell_degc: Array, scale: Array) -> Array:
    """``min(P_ref, P_cold)`` of a vehicle with its own scale.

    The scale acts on the curve, so on a factor too, but not on a ceiling on current.
    """
    cold = model.cold_kw(soc_pct, cell_degc)
    if model.cold_form != "ceiling":
        return cold * scale
    warm = model.warm_kw(soc_pct)
    return np.where(cold < warm, np.minimum(cold, warm * scale), warm * scale)

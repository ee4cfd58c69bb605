"""What warming was worth at a stop, and what it would have been: pure arithmetic on arrays.

The charge is simulated forward from two temperatures, so that both ends carry the same errors
and the difference little of them (method, section 6).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.forward import Charging, PlugHeater, charge_forward
from pipeline.thermal import Array, ThermalModel

IDLE_TOLERANCE_MIN = 2.0
"""Plugging in and out takes as long; idle minutes beyond it were spent for another reason."""


@dataclass(frozen=True)
class Approach:
    """The way to each stop, arrays of one length; NaN is not known.

    ``lead_min`` is the time in which warming could have run, ``lead_start_degc`` the coldest cell
    at its start, ``lead_i2_a2`` the mean of pack current squared on it.
    """

    lead_min: Array
    lead_start_degc: Array
    lead_i2_a2: Array
    ambient_degc: Array
    arrived_degc: Array
    unwarmed_degc: Array
    warming_kwh: Array


@dataclass(frozen=True)
class Charge:
    """The charge at each stop, arrays of one length."""

    soc_start_pct: Array
    soc_end_pct: Array
    energy_kwh: Array
    site_kw: Array
    curve_scale: Array


@dataclass(frozen=True)
class Worth:
    """Minutes per stop, NaN where not known.

    ``saved``: what the warming that ran saved; ``missed``: what more warming in the time there
    was would have saved. Gross is charging time alone, net counts the minutes that putting the
    warming energy back takes. ``reachable_degc`` and ``missed_kwh`` are where that warming would
    have led and what it takes; ``needed_min`` what it takes to full warmth.
    """

    net_saved_min: Array
    gross_saved_min: Array
    net_missed_min: Array
    gross_missed_min: Array
    refill_min: Array
    needed_min: Array
    reachable_degc: Array
    missed_kwh: Array


def worth_of_warming(
    model: Charging,
    thermal: ThermalModel,
    approach: Approach,
    charge: Charge,
    warm_degc: float,
    heater: PlugHeater | None,
) -> Worth:
    """Saved and missed minutes of every stop of one model.

    Without the warming that ran, the pack would have come colder but fuller, by the energy that
    warming took; with more of it, warmer but emptier. So the charge is moved to the other start
    and end with the same end of charge.

    Parameters
    ----------
    warm_degc
        Where warming ends by itself: the model's threshold.
    heater
        The heater at the plug, or None.
    """

    def minutes(extra_kwh: Array, from_degc: Array) -> Array:
        """Time to the same end of charge with `extra_kwh` less in the pack at plug-in."""
        gain = charge.soc_end_pct - charge.soc_start_pct
        with np.errstate(invalid="ignore", divide="ignore"):
            start = charge.soc_start_pct - extra_kwh * gain / charge.energy_kwh
        return charge_forward(
            model,
            thermal,
            np.clip(start, 0.0, 100.0),
            np.maximum(charge.energy_kwh + extra_kwh, 0.0),
            from_degc,
            approach.ambient_degc,
            charge.site_kw,
            heater,
            soc_end_pct=charge.soc_end_pct,
            curve_scale=charge.curve_scale,
        )

    nothing = np.zeros(len(charge.energy_kwh))
    warmed_kwh = np.nan_to_num(approach.warming_kwh)
    did_warm = warmed_kwh > 0
    as_was = minutes(nothing, approach.arrived_degc)
    same_energy = minutes(nothing, approach.unwarmed_degc)
    without = minutes(-warmed_kwh, approach.unwarmed_degc)
    gross_saved = np.where(did_warm, same_energy - as_was, 0.0)
    net_saved = np.where(did_warm, without - as_was, 0.0)
    needed = thermal.minutes_to(
        warm_degc,
        approach.lead_start_degc,
        approach.ambient_degc,
        thermal.heater_power_kw,
        approach.lead_i2_a2,
    )
    ran = np.minimum(needed, approach.lead_min)
    led_to = thermal.after(
        approach.lead_start_degc,
        approach.ambient_degc,
        ran,
        thermal.heater_power_kw,
        approach.lead_i2_a2,
    )
    reachable = np.maximum(led_to, approach.arrived_degc)
    reachable = np.where(approach.arrived_degc >= warm_degc, approach.arrived_degc, reachable)
    more_kwh = np.maximum(thermal.heater_power_kw * ran / 60 - warmed_kwh, 0.0)
    more_kwh = np.where(reachable > approach.arrived_degc, more_kwh, 0.0)
    could = minutes(more_kwh, reachable)
    gross_missed = as_was - minutes(nothing, reachable)
    net_missed = as_was - could
    is_more = more_kwh > 0
    with np.errstate(invalid="ignore"):
        return Worth(
            net_saved_min=_known(net_saved),
            gross_saved_min=_known(gross_saved),
            net_missed_min=_known(np.where(is_more, net_missed, 0.0 * as_was)),
            gross_missed_min=_known(np.where(is_more, gross_missed, 0.0 * as_was)),
            refill_min=_known(np.where(did_warm, gross_saved - net_saved, 0.0)),
            needed_min=_known(needed),
            reachable_degc=reachable,
            missed_kwh=np.where(np.isfinite(reachable), more_kwh, np.nan),
        )


def _known(values: Array) -> Array:
    """NaN for what never ends: no figure of minutes can be drawn from it."""
    return np.where(np.isfinite(values), values, np.nan)


def valued_minutes(net_min: Array, idle_min: Array, break_min: Array, is_done: bool) -> Array:
    """Net minutes that were not spent anyway.

    Parameters
    ----------
    idle_min
        At the plug after or beside the charge: who stays on has lost nothing to its length.
    break_min
        Of the stay inside recorded breaks.
    is_done
        True for minutes that warming saved: without it the charge would first have eaten up the
        idle minutes and the break. False for minutes missed: where the vehicle stood on after
        its charge or during a break, a shorter charge would have changed nothing.
    """
    idle = np.maximum(np.nan_to_num(idle_min) - IDLE_TOLERANCE_MIN, 0.0)
    free = idle + np.nan_to_num(break_min)
    if is_done:
        return np.where(net_min > 0, np.maximum(net_min - free, 0.0), net_min)
    return np.where(net_min > 0, np.where(idle > 0, 0.0, np.maximum(net_min - free, 0.0)), net_min)


def break_even_per_hour(net_min: Array, cost: Array) -> Array:
    """Value of an hour of driver time at which warming pays; NaN where it saves no time.

    0 where it saves time and money.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(net_min > 0, np.maximum(cost, 0.0) / net_min * 60, np.nan)

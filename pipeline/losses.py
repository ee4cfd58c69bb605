"""Minutes lost by cause: what each step of a charge would have taken without the cold, without
the site's limit, and without both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.charging import ChargeModel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Limits:
    """Power [kW] a pack would take per step with no cause acting, only the cold, only the site's
    limit, or both. NaN where a limit is not known."""

    none_kw: Array
    cold_kw: Array
    site_kw: Array
    both_kw: Array


@dataclass(frozen=True)
class Losses:
    """Minutes per stop. NaN where a figure is not known.

    ``excess_min`` is what the charge took beyond a warm pack at an unlimited charger; cold, site
    and unexplained add up to it. ``lost_min`` is the part beyond a warm pack at *this* charger.
    ``split_doubt_min`` is half of what cold and site would differ by, were either put first: the
    minutes that either alone would have cost.
    """

    reference_min: Array
    lost_min: Array
    excess_min: Array
    cold_min: Array
    site_min: Array
    unexplained_min: Array
    held_back_min: Array
    split_doubt_min: Array


def limits_of(
    model: ChargeModel, soc_pct: Array, cell_temp_degc: Array, supply_kw: Array, scale: Array
) -> Limits:
    """What model and site allow at each step, at the charge and temperature measured.

    Parameters
    ----------
    supply_kw
        What the charger has for the pack; inf where it does not limit, NaN where not known.
    scale
        The vehicle's own level against the model's curve.

    Notes
    -----
    A warm or unhindered charge would have warmed and filled the pack a little differently on the
    way. Both effects were measured on simulated fleets: together below 1 % of the cold minutes.
    """
    warm = model.warm_kw(soc_pct) * scale
    cold = model.cold_kw(soc_pct, cell_temp_degc) * scale
    return Limits(
        none_kw=warm,
        cold_kw=cold,
        site_kw=np.minimum(warm, supply_kw),
        both_kw=np.minimum(cold, supply_kw),
    )


def split_losses(
    stop: NDArray[np.intp],
    stops_n: int,
    step_min: Array,
    pack_kwh: Array,
    limits: Limits,
    is_held: NDArray[np.bool_],
    is_ramp: NDArray[np.bool_],
    is_held_back: NDArray[np.bool_],
) -> Losses:
    """Shapley minutes of cold pack and site limit, the rest unexplained (method, section 5).

    With ``t(S)`` the minutes for the same energy when only the causes in ``S`` act, cold is
    ``((t(c) - t()) + (t(c,s) - t(s))) / 2`` plus the minutes held for warming, site is
    ``((t(s) - t()) + (t(c,s) - t(c))) / 2`` (Shapley 1953, for two players), so that both add up
    to ``t(c,s) - t()``. In the first minute only what these causes explain is lost: ramping up is
    nobody's loss.

    Parameters
    ----------
    stop, step_min, pack_kwh, is_held, is_ramp, is_held_back
        One per step.
    stops_n
        How many stops there are.
    """

    def minutes(limit_kw: Array) -> Array:
        return pack_kwh / limit_kw * 60.0

    def total(per_step: Array) -> Array:
        summed: Array = np.bincount(stop, per_step, minlength=stops_n).astype(np.float64)
        return summed

    t_none, t_cold = minutes(limits.none_kw), minutes(limits.cold_kw)
    t_site, t_both = minutes(limits.site_kw), minutes(limits.both_kw)
    cold_step = 0.5 * ((t_cold - t_none) + (t_both - t_site))
    site_step = 0.5 * ((t_site - t_none) + (t_both - t_cold))
    doubt = 0.5 * ((t_cold - t_none) - (t_both - t_site))
    cold_step = np.where(is_held, step_min, cold_step)
    site_step = np.where(is_held, 0.0, site_step)
    # A held step is all cold, whatever trickle it took.
    t_none = np.where(is_held, 0.0, t_none)
    t_site = np.where(is_held, 0.0, t_site)
    explained = np.where(is_held, step_min, t_both)
    of_ramp = np.where(np.isfinite(t_both), t_both, t_site)
    counted = np.where(is_ramp & ~is_held, of_ramp, step_min)
    excess = total(counted) - total(t_none)
    cold, site = total(cold_step), total(site_step)
    back = total(np.where(is_held_back, counted - explained, 0.0))
    active = total(step_min)
    lost = total(counted) - total(t_site)
    return Losses(
        reference_min=active - lost,
        lost_min=lost,
        excess_min=excess,
        cold_min=cold,
        site_min=site,
        unexplained_min=excess - cold - site,
        held_back_min=back,
        split_doubt_min=np.abs(total(np.where(is_held, 0.0, doubt))),
    )

"""What the fleet's own charges and drives teach about its models, vehicles and sites."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.charging import binned_curve
from pipeline.config import Fleet, VehicleModel
from pipeline.learning.cold_limit import KNOTS_DEGC
from pipeline.learning.fit import ModelFit, Prior, fit_model
from pipeline.learning.plateaus import site_limits
from pipeline.learning.steps import Array, ChargeSteps, Flags
from pipeline.learning.thermal_fit import ThermalRefusal, fit_thermal, stretches_of
from pipeline.minutes.window import Window
from pipeline.thermal import ThermalModel, default_model

PLUG_SESSIONS_N = 5
PLUG_HEATER_KW = 0.5
PLUG_START_MIN = 3.0


@dataclass(frozen=True)
class PlugHeating:
    """When the charger heats the pack: on below, until; and below what it takes no charge yet.

    NaN where fewer than five sessions tell.
    """

    below_degc: float = np.nan
    until_degc: float = np.nan
    hold_below_degc: float = np.nan


@dataclass(frozen=True)
class Learned:
    """All fits of one week. ``supply_kw`` per step is NaN where the site's limit is not known.

    ``site_kw`` per stop: rating, else learned plateau, else inf where the site has been seen to
    give all that the vehicle takes, else NaN.
    """

    fits: dict[str, ModelFit]
    thermal: dict[str, ThermalModel]
    thermal_why: dict[str, str]
    plug: dict[str, PlugHeating]
    site_kw: Array
    is_site_learned: Flags
    learned_sites: dict[str, tuple[float, int]]
    steps: ChargeSteps
    of_model: dict[str, Flags] = field(default_factory=dict)

    def scale_of(self, model_id: str, window: Window) -> Array:
        """The scale of each stop's vehicle under the model's fit."""
        return self.fits[model_id].scale[window.vehicle]


def learn(window: Window, fleet: Fleet) -> Learned:
    """Fit every model that the window's stops know.

    Sites of unknown rating are looked at under a first fit; where their plateaus tell a limit, the
    models are fitted again with it.
    """
    rating = window.numbers("site_power_kw")
    models = sorted(name for name in window.stops["model_id"].unique() if name is not None)
    of_model = {
        name: (window.stops["model_id"] == name).fill_null(False).to_numpy() for name in models
    }
    steps = window.steps.with_site_kw(rating)
    fits = _fit_all(steps, models, of_model, window, fleet)
    is_unrated = np.isnan(rating)
    level, count, seen = _unrated_sites(steps, fits, of_model, window, is_unrated)
    known = window.site >= 0
    site_kw = rating.copy()
    learned_here = is_unrated & known & np.isfinite(level[window.site])
    site_kw[learned_here] = level[window.site[learned_here]]
    if learned_here.any():
        steps = window.steps.with_site_kw(site_kw)
        fits = _fit_all(steps, models, of_model, window, fleet)
    enough = _gives_enough(fits, of_model, window, seen)
    site_kw = np.where(np.isnan(site_kw) & enough, np.inf, site_kw)
    supply = np.where(np.isinf(site_kw)[steps.stop], np.inf, site_kw[steps.stop] - steps.heater_kw)
    steps = replace(steps, supply_kw=np.maximum(supply, 1.0))
    thermal: dict[str, ThermalModel] = {}
    why: dict[str, str] = {}
    for name in models:
        model, reason = _thermal(window, name, fleet.models[name])
        if model is not None:
            thermal[name] = model
        if reason:
            why[name] = reason
    return Learned(
        fits=fits,
        thermal=thermal,
        thermal_why=why,
        plug={name: _plug_heating(steps.where(of_model[name][steps.stop])) for name in models},
        site_kw=site_kw,
        is_site_learned=learned_here,
        learned_sites={
            window.site_ids[number]: (float(level[number]), int(count[number]))
            for number in np.flatnonzero(np.isfinite(level))
        },
        steps=steps,
        of_model=of_model,
    )


def prior_of(model: VehicleModel) -> Prior:
    """What is configured for a model, at the bins and knots the fit uses."""
    value = None
    if model.cold_limit is not None:
        temps, values = np.asarray(model.cold_limit, dtype=float).T
        value = np.interp(KNOTS_DEGC, temps, values)
    return Prior(
        usable_kwh=model.usable_kwh or float("nan"),
        warm_threshold_degc=model.warm_threshold_degc,
        warm_tolerance_kelvin=model.warm_tolerance_kelvin,
        reference_kw=binned_curve(model.warm_curve) if model.warm_curve else None,
        cold_form=model.cold_limit_form if value is not None else None,
        cold_value=value,
    )


def _fit_all(
    steps: ChargeSteps,
    models: list[str],
    of_model: dict[str, Flags],
    window: Window,
    fleet: Fleet,
) -> dict[str, ModelFit]:
    fits = {}
    for name in models:
        mine = steps.where(of_model[name][steps.stop])
        fit = fit_model(
            mine,
            prior_of(fleet.models[name]),
            window.vehicle,
            len(window.vehicle_ids),
            len(window.stops),
        )
        if fit is not None:
            fits[name] = fit
    return fits


def _unrated_sites(
    steps: ChargeSteps,
    fits: dict[str, ModelFit],
    of_model: dict[str, Flags],
    window: Window,
    is_unrated: Flags,
) -> tuple[Array, Array, Array]:
    """Learned level, sessions and most seen power of each site; NaN where rated or not known."""
    limit = np.full(len(steps), np.nan)
    for name, fit in fits.items():
        mine = of_model[name][steps.stop]
        limit[mine] = (
            fit.model.cold_kw(steps.soc_pct[mine], steps.cell_temp_degc[mine])
            * fit.scale[window.vehicle[steps.stop[mine]]]
        )
    site = np.where(is_unrated, window.site, -1)
    return site_limits(steps, limit, site, max(len(window.site_ids), 1))


def _gives_enough(
    fits: dict[str, ModelFit], of_model: dict[str, Flags], window: Window, seen_kw: Array
) -> Flags:
    """Stops at a site that was seen to give as much as this model ever takes: no limit there."""
    enough = np.zeros(len(window.stops), dtype=bool)
    most = np.where(window.site >= 0, seen_kw[window.site], np.nan)
    for name, fit in fits.items():
        with np.errstate(invalid="ignore"):
            enough |= of_model[name] & (most >= 0.97 * fit.curve.reference_kw.max())
    return enough


def _thermal(
    window: Window, name: str, model: VehicleModel
) -> tuple[ThermalModel | None, str | None]:
    """The learned thermal model, else the default with the reason; None without a capacity."""
    if model.usable_kwh is None:
        return None, "no_usable_kwh"
    frame = window.stretches.filter(window.stretches["model_id"] == name)
    found = fit_thermal(stretches_of(frame), model.usable_kwh, model.heater_power_kw)
    if isinstance(found, ThermalRefusal):
        return default_model(model.usable_kwh, model.heater_power_kw), found.reason
    return found, None


def _plug_heating(steps: ChargeSteps) -> PlugHeating:
    """Thresholds of the heater at the plug, from the stops that show it."""
    on = (steps.heater_kw >= PLUG_HEATER_KW) & np.isfinite(steps.cell_temp_degc)
    if len(np.unique(steps.stop[on])) < PLUG_SESSIONS_N:
        return PlugHeating()
    first = np.concatenate([[True], steps.stop[1:] != steps.stop[:-1]])
    run = np.maximum.accumulate(np.where(first, np.arange(len(steps)), 0))
    since_min = np.cumsum(steps.step_min) - (np.cumsum(steps.step_min) - steps.step_min)[run]
    at_start = on & (since_min <= PLUG_START_MIN)
    held = steps.is_held & np.isfinite(steps.cell_temp_degc)

    def top(mask: Flags) -> float:
        if len(np.unique(steps.stop[mask])) < PLUG_SESSIONS_N:
            return float("nan")
        return float(np.quantile(steps.cell_temp_degc[mask], 0.95))

    return PlugHeating(below_degc=top(at_start), until_degc=top(on), hold_below_degc=top(held))

"""What a model's fit tells the budget, and what is assumed where it tells nothing."""

from __future__ import annotations

import numpy as np

from pipeline.budget import priors
from pipeline.budget.tables import ModelFacts
from pipeline.charging import ChargeModel
from pipeline.forward import PlugHeater
from pipeline.thermal import ThermalModel, default_model


def model_facts(
    charge: ChargeModel | None,
    thermal: ThermalModel | None,
    plug_heater: PlugHeater | None,
    *,
    usable_kwh: float | None,
    cold_source: str,
    warm_threshold_degc: float = 21.0,
    warm_tolerance_kelvin: float = 0.5,
    heater_power_kw: float = 5.0,
    least_lead_min: float = 5.0,
    can_warm: bool = True,
) -> ModelFacts:
    """Physics of one model, learned, configured or usual, with how far it may be out.

    Parameters
    ----------
    charge, thermal, plug_heater
        As fitted (`pipeline.fits.StoredFit`); None where nothing is known.
    cold_source
        Of the fit: ``learned``, ``configured``, ``not_seen`` (cold charges were not slower: the
        cold costs nothing) or ``none``.
    """
    usable = usable_kwh if usable_kwh and np.isfinite(usable_kwh) else priors.CURVE_USABLE_KWH
    if charge is None:
        charge, cold_spread = priors.default_charge_model(usable), priors.COLD_SPREAD_DEFAULT
    else:
        if not charge.usable_kwh > 0:
            charge = _replaced(charge, usable)
        if cold_source == "not_seen":
            charge, cold_spread = _without_cold(charge), priors.COLD_SPREAD_LEARNED
        elif charge.cold_form is None or cold_source == "none":
            charge, cold_spread = priors.with_default_cold(charge), priors.COLD_SPREAD_DEFAULT
        elif cold_source == "configured":
            cold_spread = priors.COLD_SPREAD_CONFIGURED
        else:
            cold_spread = priors.COLD_SPREAD_LEARNED
    known = thermal or default_model(usable, heater_power_kw)
    if known.source != "learned":
        heat_spread = priors.HEAT_SPREAD_DEFAULT
    else:
        relative = known.heat_se_kj_per_kelvin / known.heat_kj_per_kelvin
        heat_spread = max(float(np.nan_to_num(relative)), priors.HEAT_SPREAD_LEARNED)
    return ModelFacts(
        charge=charge,
        thermal=known,
        plug_heater=plug_heater,
        warm_threshold_degc=warm_threshold_degc,
        warm_tolerance_kelvin=warm_tolerance_kelvin,
        least_lead_min=least_lead_min,
        heat_spread=heat_spread,
        cold_spread=cold_spread,
        can_warm=can_warm,
    )


def default_facts(usable_kwh: float | None, heater_power_kw: float = 5.0) -> ModelFacts:
    """Physics of a model nobody has measured; its spreads are those of defaults."""
    return model_facts(
        None, None, None, usable_kwh=usable_kwh, cold_source="none",
        heater_power_kw=heater_power_kw,
    )  # fmt: skip


def _without_cold(charge: ChargeModel) -> ChargeModel:
    """The warm curve at every temperature."""
    return ChargeModel(
        charge.reference_kw, charge.usable_kwh, charge.full_power_degc, "factor",
        np.array([-40.0, charge.full_power_degc]), np.ones(2),
    )  # fmt: skip


def _replaced(charge: ChargeModel, usable_kwh: float) -> ChargeModel:
    return ChargeModel(
        charge.reference_kw, usable_kwh, charge.full_power_degc, charge.cold_form,
        charge.cold_degc, charge.cold_value,
    )  # fmt: skip

"""What is assumed before a fleet has shown anything, each with its source or the lack of one.

Priors are wide on purpose: a budget from them must say *we hardly know*. Data take over by their
weight, nothing is switched.
"""

from __future__ import annotations

import numpy as np

from pipeline.charging import SOC_MID_PCT, ChargeModel

# --- Stops (pipeline.budget.counts) ---
STOPS_PER_DAY = 0.4
STOPS_PER_DAY_SPREAD = 1.0
"""Fast-charge stops of a vehicle a day, and the standard deviation of its logarithm (so 0.11 to
1.4 for the middle 80 %: from a pool car that mostly charges overnight to a van that stops every
round). Common practice, no source."""

VEHICLE_SPREAD, DEPOT_SPREAD = 0.35, 0.15
"""Standard deviation of log rates between vehicles of a depot and between depots. Common practice,
no source."""

SEASON_SPREAD, MONTH_SPREAD = 0.10, 0.06
"""The same between calendar months, and of a single month against its usual level (work won or
lost, strikes). Common practice, no source."""

WAVE_SPREAD = 0.20
"""Of each half of a yearly wave in log rates (summer against winter, spring against autumn): seven
months that agree are a season, single months are chance. Common practice, no source."""

DRIFT_SPREAD = 0.10
"""The same from one year to the next. One winter cannot show it: 5 % more kilometres are some 10 %
more fast charges where vans also charge overnight. Common practice, no source."""

DISPERSION, DISPERSION_SPREAD = 0.15, 1.0
"""Median of the negative binomial's dispersion by vehicle and month, and the standard deviation of
its logarithm. Common practice, no source."""

VARIANCE_WEIGHT = 3.0
"""How many observed groups a spread above counts for."""

# --- Weather (pipeline.budget.blocks) ---
SHIFT_KELVIN = 2.0
"""Standard deviation of a season's mean where the series is too short (method, section 8)."""

# --- Un-warmed arrival (pipeline.budget.arrival) ---
ARRIVAL_MEAN = (6.0, 0.7, 6.3)
ARRIVAL_SPREAD = (6.0, 0.25, 4.0)
"""Pack at 0 degC outside without a drive [degC], its change per degree outside, and its rise per
hour of approach, with standard deviations. The rise is the median of 28 instrumented winter trips
of a small pack (open measurements, notes of the project; 13.6 at most); the rest is common
practice, no source."""

ARRIVAL_RESIDUAL_KELVIN, ARRIVAL_RESIDUAL_WEIGHT = 5.0, 6.0
"""Scatter about it, and how many stops that guess counts for. Common practice, no source."""

ARRIVAL_VEHICLE_KELVIN = 2.5
"""Spread between vehicles (hall or yard). Common practice, no source."""

# --- Starting to warm (pipeline.budget.starts) ---
START_RATE, START_WEIGHT = 0.44, 2.0
"""Rate at which drivers start warming, and the stops it counts for: in one national association's
survey 44 % of users use battery preheating (press report, read in excerpt only)."""

START_CONCENTRATION = 4.0
"""Alpha + beta of the rate between vehicles before it can be fitted. Common practice, no source."""

START_DRIFT_LOGIT = 0.35
"""How far a fleet's habit moves from one season to the next (drivers leave, others learn): 0.44
becomes 0.36 to 0.53 for the middle two thirds. Common practice, no source."""

# --- Physics (pipeline.budget.tables) ---
HEAT_SPREAD_DEFAULT, HEAT_SPREAD_LEARNED = 0.20, 0.03
"""Relative standard deviation of warming energy: defaults (calorimetry of packs spans 4.7 to 6.7 kJ
per K and kWh before case and coolant) and a learned thermal model without its own error."""

COLD_SPREAD_DEFAULT, COLD_SPREAD_CONFIGURED, COLD_SPREAD_LEARNED = 0.50, 0.25, 0.06
"""Standard deviation of the logarithm of cold minutes. Published losses at 0 degC of one vehicle
lie between 36 points and 36 % of the charge taken in half an hour; other packs differ more."""

_DEFAULT_CURVE_SOC_PCT = (0.0, 10.0, 50.0, 80.0, 100.0)
_DEFAULT_CURVE_C = (1.2, 1.6, 1.5, 0.8, 0.2)
"""Warm curve in kW per kWh of usable capacity. Common practice, no source."""

_DEFAULT_COLD_DEGC = (-20.0, -10.0, 0.0, 10.0, 20.0, 25.0)
_DEFAULT_COLD_FACTOR = (0.12, 0.26, 0.44, 0.70, 0.96, 1.0)
"""Factor on it by coldest cell. Common practice, no source, held against the published loss at
0 degC (Motoaki, Yi and Salisbury 2018) by a test."""

CURVE_USABLE_KWH = 60.0
"""Capacity of a vehicle nobody described. Common practice, no source."""

KM_PER_KWH = 4.8
"""Common practice, no source."""


def default_charge_model(usable_kwh: float, full_power_degc: float = 21.0) -> ChargeModel:
    """What a vehicle takes that nobody has measured or described.

    Raises
    ------
    ValueError
        When `usable_kwh` is not positive.
    """
    if not usable_kwh > 0:
        raise ValueError(f"usable_kwh must be positive: {usable_kwh}")
    per_kwh = np.interp(SOC_MID_PCT, _DEFAULT_CURVE_SOC_PCT, _DEFAULT_CURVE_C)
    return with_default_cold(ChargeModel(per_kwh * usable_kwh, usable_kwh, full_power_degc))


def with_default_cold(charge: ChargeModel) -> ChargeModel:
    """The same curve, slowed by cold as is usual: for a model whose cold limit is not known."""
    return ChargeModel(
        reference_kw=charge.reference_kw,
        usable_kwh=charge.usable_kwh,
        full_power_degc=max(charge.full_power_degc, _DEFAULT_COLD_DEGC[-1]),
        cold_form="factor",
        cold_degc=np.array(_DEFAULT_COLD_DEGC),
        cold_value=np.array(_DEFAULT_COLD_FACTOR),
    )

"""Constants of the method, each once. Every edition prints `METHOD_VERSION`.

These are definitions, not settings: what an operator may choose lies in `pipeline.config`.
"""

from __future__ import annotations

from typing import Any

from pipeline.config import Fleet

METHOD_VERSION = "1.1"

CONSTANTS: dict[str, Any] = {
    # Sensors are doubted (section 1). A soak is 5 K of outside when it is long; before that, what
    # is left of the distance at its start with the longest plausible time constant (section 6).
    "soak_margin_kelvin": 5.0,
    "soak_tau_h": 24.0,
    "soak_least_h": 10.0,
    # However long, one soak is no proof (the van may have stood in a heated hall): two are.
    "soak_proof_h": 1.0e6,
    "offset_kelvin": 40.0,  # of raw bytes
    # Common practice, no source: no pack is 30 degC and 20 K over the air at every moment of a
    # week, or 10 K under it, driven and charged for some hours.
    "never_warmer_degc": 30.0,
    "never_apart_kelvin": 20.0,
    "never_below_kelvin": 10.0,
    "never_least_h": 3.0,
    # Common practice, no source: so long does no pack that is driven and charged stand still.
    "still_driven_h": 2.0,
    "still_charged_h": 0.5,
    "still_least_h": 4.0,
    "outside_apart_kelvin": 1.0,  # both may be shown in whole degrees
    "outside_least_h": 2.0,
    # From samples to stops (method, section 3).
    "plugged_min_kw": 1.0,
    "heater_on_min_kw": 0.5,
    "standing_max_kmh": 1.0,
    "break_max_s": 180,
    "silence_max_s": 3600,
    "gap_min_s": 120,
    "dc_proof_s": 60,
    "approach_max_min": 180,
    "parked_dwell_min": 30,
    "warming_min_s": 60,
    "warming_join_s": 60,
    # Outcomes (section 4).
    "warming_min_kwh": 0.1,
    "edge_min": 2.0,
    "approach_short_min": 5.0,
    # Grade B (section 2): 28 winter trips of one small passive pack warmed by 6.3 K an hour in
    # the median and 13.6 at most, in step with current squared (source: the project's notes on
    # open measurements). Between the two nothing is claimed.
    "drive_heat_median_kelvin_per_h": 6.3,
    "drive_heat_max_kelvin_per_h": 13.6,
    "rise_margin_kelvin": 2.0,
    "rise_resolution_kelvin": 0.5,
    # Minutes (section 5).
    "ramp_s": 60,
    "charge_step_s": 30,
    "held_stop_min": 3.0,
    "departure_min": 60.0,
    # Where no voltage is exported: a common system voltage (common practice, no source). The fitted
    # resistance takes up the difference, so that only rises in temperature are ever used.
    "nominal_pack_v": 360.0,
    # Stretches for the thermal fit: long enough that the rounding of both readings is small.
    "spell_edge_s": 60.0,
    "stretch_warming_min": 10.0,
    "stretch_driving_min": 15.0,
    "stretch_least_min": 5.0,
    "stretch_parked_least_min": 60.0,
    "stretch_parked_most_min": 1200.0,
    # Meter energy against pack energy, 0.93 +- 0.04 (section 2, grade D).
    "charging_efficiency": 0.93,
}


def parameters(fleet: Fleet) -> dict[str, Any]:
    """All that a statement may name: the constants and the operator's settings."""
    settings = fleet.settings
    return CONSTANTS | {
        "zone": settings.time_zone,
        "lead_window_min": settings.lead_window_min,
        "min_session_kwh": settings.min_session_kwh,
        "energy_price_per_kwh": settings.energy_price_per_kwh,
        "is_price_assumed": "energy_price_per_kwh" not in settings.model_fields_set,
    }

"""The verdict on each stop: its outcome, its reason and the minutes lost, from the true states.

Order of the reasons where several hold. Not warmed: `approach_too_short` (under 5 min from the
approach's start to plug-in), `no_destination`, `destination_not_recognised`, `set_too_late` (under
3 min before plug-in), `vehicle_did_not_respond`. Part warmed: `cut_off_low_charge`, `ended_early`,
`too_cold_for_the_time`, `began_late`.

Minutes lost come from twin charges of the same pack energy from the same state, or from a warm
pack at the same charge where cold is not a cause. With t(S) the minutes when only the causes S of
{cold, site} act (no ramp, no sharing, no derating), `lost_cold` and `lost_site` are the Shapley
values, the mean over both orders of switching a cause on, and add up to t(cold, site) - t(none).
`lost_other` is what is left of active - ideal: sharing, ramp, hot derating. Minutes held at the
plug are part of active and so of `lost_cold`, also where the stay was over before the pack took
any charge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from sim_physics import (
    COLDEST_BELOW_EDGE_K,
    WARM_TOLERANCE_K,
    ChargePlan,
    Pack,
    PackState,
    RoadTrace,
    charge,
    twin_coldest_degc,
)

LEAD_MIN = 30.0
TOO_LATE_MIN = 3.0
TOO_SHORT_MIN = 5.0
WARMING_AT_LEAST_KWH = 0.1


@dataclass
class Stop:
    """The truth of one charge session; a row of truth/stops.csv."""

    vehicle_id: str
    driver_id: str
    true_driver_id: str
    site_id: str
    mode: str
    plug_in_s: float
    plug_out_s: float
    soc_start_pct: float
    soc_end_pct: float
    energy_kwh: float
    peak_kw: float
    meter_kwh: float
    active_min: float
    held_min: float
    approach_start_s: float
    arrival_cell_temp_min_degc: float
    ambient_degc: float
    odo_km: float
    plug_heater_kwh: float = 0.0
    outcome: str = ""
    why: str = ""
    unwarmed_cell_temp_min_degc: float | None = None
    warming_kwh: float = 0.0
    warming_min: float = 0.0
    approach_min: float | None = None
    ideal_min: float | None = None
    site_reference_min: float | None = None
    lost_total_min: float | None = None
    lost_cold_min: float | None = None
    lost_site_min: float | None = None
    lost_other_min: float | None = None
    is_shared: bool = False
    shared_min: float = 0.0
    derated_min: float = 0.0
    is_defect_near: bool = False
    is_rental: bool = False


@dataclass
class Nav:
    """The destination of the approach under way."""

    kind: str = "none"
    set_s: float = math.inf
    clear_s: float = math.inf


def judge_approach(stop: Stop, nav: Nav, pack: Pack, traces: list[RoadTrace], dt: float) -> None:
    """Fill in outcome, reason and warming from the road since the approach began."""
    n = round((stop.plug_in_s - stop.approach_start_s) / dt)
    heater = np.concatenate([trace.heater_kw for trace in traces])[-n:]
    soc = np.concatenate([trace.soc_pct for trace in traces])[-n:]
    total = sum(len(trace.heater_kw) for trace in traces)
    on = np.flatnonzero(heater > 0)
    arrived = stop.arrival_cell_temp_min_degc
    stop.approach_min = n * dt / 60.0
    stop.warming_kwh = float(heater.sum()) * dt / 3600.0
    stop.warming_min = len(on) * dt / 60.0
    unwarmed = arrived
    if len(on):
        unwarmed = twin_coldest_degc(pack, traces, total - n + int(on[0]), dt)
    stop.unwarmed_cell_temp_min_degc = unwarmed
    warm = pack.warm_degc - WARM_TOLERANCE_K
    did_warm = stop.warming_kwh >= WARMING_AT_LEAST_KWH
    lead = min(n, int(LEAD_MIN * 60.0 / dt))
    if did_warm and arrived >= warm:
        stop.outcome = "warmed" if unwarmed < warm else "warmed_unneeded"
        return
    if arrived >= warm:
        stop.outcome = "already_warm"
        return
    if did_warm:
        stop.outcome = "part_warmed"
        is_cut = any(trace.cut_off_by_charge for trace in traces)
        ended = (n - 1 - int(on[-1])) * dt > 60.0
        began_late = (int(on[0]) - (n - lead)) * dt > 120.0
        if ended:
            stop.why = "cut_off_low_charge" if is_cut else "ended_early"
        else:
            stop.why = "began_late" if began_late else "too_cold_for_the_time"
        return
    stop.outcome, stop.why = "not_warmed", _why_not(stop, nav)
    is_set = nav.kind == "charging_place" and nav.clear_s >= stop.plug_in_s
    if is_set:
        since = max(nav.set_s, stop.plug_in_s - lead * dt)
        tail = max(1, int((stop.plug_in_s - since) / dt))
        if float(soc[-tail:].max()) <= pack.cutoff_soc_pct:
            stop.outcome, stop.why = "low_charge_hold", ""


def _why_not(stop: Stop, nav: Nav) -> str:
    if (stop.approach_min or 0.0) < TOO_SHORT_MIN:
        return "approach_too_short"
    if nav.kind == "none":
        return "no_destination"
    if nav.kind == "address":
        return "destination_not_recognised"
    if stop.plug_in_s - nav.set_s < TOO_LATE_MIN * 60.0:
        return "set_too_late"
    return "vehicle_did_not_respond"


def judge_minutes(
    stop: Stop, pack: Pack, before: PackState, site_power_kw: float, dt_s: float
) -> None:
    """Fill in the minutes lost, from twin charges that start in the state `before`.

    A twin without the cause cold starts at full-power temperature. Only lifting the limit would
    push full current through cold cells, whose resistance then burns energy no warm pack burns.
    """
    warm_degc = pack.full_power_degc + COLDEST_BELOW_EDGE_K
    warm = PackState(
        max(before.core_degc, warm_degc), max(before.edge_degc, warm_degc), before.soc_pct
    )

    def minutes(cold: bool, limited: bool) -> float:
        if stop.energy_kwh <= 0.0:
            # Held until the stay was over: a twin that is to deliver nothing would end at once.
            return stop.held_min if cold else 0.0
        state = before.copy() if cold else warm.copy()
        plan = ChargePlan(
            site_kw=site_power_kw if limited else math.inf,
            target_soc_pct=100.0,
            max_min=900.0,
            has_cold_limit=cold,
            has_derating=False,
            stop_at_kwh=stop.energy_kwh,
        )
        twin = charge(pack, state, plan, stop.ambient_degc, dt_s)
        over_kwh = max(0.0, twin.energy_kwh - stop.energy_kwh)
        last_kw = float(twin.pack_kw[-1]) if len(twin.pack_kw) else 0.0
        return twin.active_min - (over_kwh / last_kw * 60.0 if last_kw > 0 else 0.0)

    none, cold = minutes(False, False), minutes(True, False)
    limited, both = minutes(False, True), minutes(True, True)
    stop.ideal_min, stop.site_reference_min = none, limited
    stop.lost_total_min = stop.active_min - none
    stop.lost_cold_min = 0.5 * ((cold - none) + (both - limited))
    stop.lost_site_min = 0.5 * ((limited - none) + (both - cold))
    stop.lost_other_min = stop.lost_total_min - (both - none)

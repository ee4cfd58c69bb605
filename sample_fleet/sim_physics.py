"""The pack, the road and the charger: what really happens in the demo fleet.

A pack is two thermal nodes: `core` (inner cells) and `edge` (outer cells, which lose heat to the
outside). The coldest cell sits a little below the edge node, the hottest a little above the core.
Energy is booked at the pack terminals: positive `pack_kw` flows into the pack, the ohmic loss
turns into heat and does not reach the state of charge.

Nothing here is shared with the program under test: this file is the judge, not the pupil.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

COLDEST_BELOW_EDGE_K = 0.5
HOTTEST_ABOVE_CORE_K = 0.5
WARM_TOLERANCE_K = 0.5
STOP_ABOVE_WARM_K = 1.0
TABLE_LOW_DEGC = -60.0
AUX_STANDING_KW = 0.3
COOLING_ABOVE_DEGC = 36.5
COOLING_W_PER_K = 450.0
DERATE_FROM_DEGC = 37.0
DERATE_SPAN_K = 8.0
DERATE_FLOOR = 0.3
STRETCH_ABOVE_DEGC = 5.0


def _listed(values: Array) -> list[float]:
    return [float(value) for value in values]


@dataclass(frozen=True)
class Pack:
    """One invented vehicle model. `curve_*` is the warm curve, `cold_*` its cold limit."""

    model_id: str
    usable_kwh: float
    max_dc_kw: float
    ac_max_kw: float
    nominal_v: float
    resistance_ohm: float
    heat_kj_per_k: float
    edge_share: float
    core_edge_w_per_k: float
    loss_w_per_k: float
    loss_w_per_k_per_kmh: float
    heater_kw: float
    heater_efficiency: float
    heater_edge_share: float
    cold_form: str
    curve_soc_pct: tuple[float, ...]
    curve_kw: tuple[float, ...]
    cold_degc: tuple[float, ...]
    cold_value: tuple[float, ...]
    full_power_degc: float
    warm_degc: float = 21.0
    cutoff_soc_pct: float = 20.0
    hold_below_degc: float = -4.5
    support_below_degc: float = 8.0
    support_until_degc: float = 14.0

    # Tables instead of formulas inside the step loops: five million steps must take seconds.
    @cached_property
    def ref_kw(self) -> list[float]:
        """Warm power per 0.1 % of charge."""
        grid = (np.arange(1002) + 0.5) / 10.0
        return _listed(np.interp(grid, self.curve_soc_pct, self.curve_kw))

    @cached_property
    def cold_table(self) -> list[float]:
        """Cold factor, or ceiling in kW, per 0.1 K from -60 degC."""
        grid = TABLE_LOW_DEGC + (np.arange(1500) + 0.5) / 10.0
        value = np.interp(grid, self.cold_degc, self.cold_value)
        return _listed(value * (self.usable_kwh if self.cold_form == "ceiling" else 1.0))

    @cached_property
    def resistance_table(self) -> list[float]:
        """Pack resistance in ohm per 0.1 K from -60 degC; cold cells resist more."""
        grid = TABLE_LOW_DEGC + (np.arange(1500) + 0.5) / 10.0
        return _listed(self.resistance_ohm * (0.8 + 0.2 * np.exp((25.0 - grid) / 16.0)))

    def with_cold_form(self, form: str) -> Pack:
        """The same pack with its cold limit as a factor or as a ceiling, about as strict."""
        if form == self.cold_form:
            return self
        degc, value = OTHER_COLD_LIMITS[self.model_id]
        return replace(self, cold_form=form, cold_degc=degc, cold_value=value)

    def with_full_power_at(self, degc: float) -> Pack:
        """The same pack whose cold limit lets go only at `degc`.

        Real cold stays as it was: the knots above 5 degC are spread out, so the pack is slower
        wherever its own limit had begun to open. Where its own warming ends does not move.
        """
        spread = (degc - STRETCH_ABOVE_DEGC) / (self.full_power_degc - STRETCH_ABOVE_DEGC)
        knots = tuple(
            knot
            if knot <= STRETCH_ABOVE_DEGC
            else STRETCH_ABOVE_DEGC + (knot - STRETCH_ABOVE_DEGC) * spread
            for knot in self.cold_degc
        )
        return replace(self, cold_degc=knots, full_power_degc=degc)


PLOVER_60 = Pack(
    model_id="plover-60",
    usable_kwh=60.0,
    max_dc_kw=125.0,
    ac_max_kw=11.0,
    nominal_v=350.0,
    resistance_ohm=0.066,
    heat_kj_per_k=560.0,
    edge_share=0.4,
    core_edge_w_per_k=190.0,
    loss_w_per_k=14.5,
    loss_w_per_k_per_kmh=0.15,
    heater_kw=5.2,
    heater_efficiency=0.86,
    heater_edge_share=0.39,
    cold_form="factor",
    curve_soc_pct=(0, 5, 10, 35, 50, 60, 70, 80, 90, 95, 100),
    curve_kw=(105, 120, 125, 125, 105, 88, 70, 52, 28, 14, 4),
    cold_degc=(-8, -5, 0, 5, 10, 15, 21),
    cold_value=(0.10, 0.16, 0.29, 0.44, 0.60, 0.79, 1.0),
    full_power_degc=21.0,
    support_below_degc=5.0,
    support_until_degc=10.0,
)
BITTERN_77 = Pack(
    model_id="bittern-77",
    usable_kwh=77.0,
    max_dc_kw=170.0,
    ac_max_kw=11.0,
    nominal_v=370.0,
    resistance_ohm=0.052,
    heat_kj_per_k=635.0,
    edge_share=0.4,
    core_edge_w_per_k=210.0,
    loss_w_per_k=16.5,
    loss_w_per_k_per_kmh=0.17,
    heater_kw=5.4,
    heater_efficiency=0.86,
    heater_edge_share=0.385,
    cold_form="ceiling",
    curve_soc_pct=(0, 5, 10, 30, 45, 55, 65, 75, 80, 90, 95, 100),
    curve_kw=(150, 165, 170, 170, 145, 122, 100, 80, 62, 32, 16, 5),
    cold_degc=(-8, -5, 0, 5, 10, 15, 20, 25),
    cold_value=(0.15, 0.27, 0.48, 0.74, 1.05, 1.45, 1.85, 2.2078),
    full_power_degc=25.0,
    support_below_degc=8.0,
    support_until_degc=14.0,
)
PACKS = {pack.model_id: pack for pack in (PLOVER_60, BITTERN_77)}
# Each pack's limit in the form it does not have: (degC, value). Full power where it has it anyway.
OTHER_COLD_LIMITS: dict[str, tuple[tuple[float, ...], tuple[float, ...]]] = {
    "plover-60": (
        (-8, -5, 0, 5, 10, 15, 21),
        (0.16, 0.29, 0.52, 0.80, 1.13, 1.55, 2.0834),
    ),
    "bittern-77": (
        (-8, -5, 0, 5, 10, 15, 20, 25),
        (0.09, 0.15, 0.26, 0.40, 0.55, 0.72, 0.88, 1.0),
    ),
}


@dataclass
class PackState:
    """Temperatures of both nodes and the state of charge."""

    core_degc: float
    edge_degc: float
    soc_pct: float

    @property
    def coldest_degc(self) -> float:
        return self.edge_degc - COLDEST_BELOW_EDGE_K

    def copy(self) -> PackState:
        return PackState(self.core_degc, self.edge_degc, self.soc_pct)


@dataclass
class RoadTrace:
    """States at the START of each step of a drive or short stand, with the inputs for a twin."""

    base_kw: Array  # discharge without the battery heater
    loss_w_per_k: Array
    ambient_degc: Array
    core_degc: Array
    edge_degc: Array
    soc_pct: Array
    heater_kw: Array
    refused_by_charge: bool
    cut_off_by_charge: bool


@dataclass
class Warmer:
    """The vehicle's own warming logic; lives through one approach."""

    is_on: bool = False
    is_latched_off: bool = False
    was_on: bool = False


def road(
    pack: Pack,
    state: PackState,
    base_kw: Array,
    speed_kmh: Array,
    ambient_degc: Array,
    dt_s: float,
    may_warm: NDArray[np.bool_] | None = None,
    warmer: Warmer | None = None,
) -> RoadTrace:
    """Integrate a drive or an awake stand; changes `state` to the end of it."""
    loss = pack.loss_w_per_k + pack.loss_w_per_k_per_kmh * speed_kmh
    asked = may_warm.tolist() if may_warm is not None else [False] * len(base_kw)
    warmer = warmer or Warmer()
    core, edge, soc = state.core_degc, state.edge_degc, state.soc_pct
    resistance = pack.resistance_table
    core_k_per_w = dt_s / (pack.heat_kj_per_k * 1000.0 * (1.0 - pack.edge_share))
    edge_k_per_w = dt_s / (pack.heat_kj_per_k * 1000.0 * pack.edge_share)
    core_share, edge_share = 1.0 - pack.edge_share, pack.edge_share
    bond = pack.core_edge_w_per_k
    heat_w = pack.heater_kw * 1000.0 * pack.heater_efficiency
    heat_edge_w = heat_w * pack.heater_edge_share
    heat_core_w = heat_w - heat_edge_w
    amp_per_kw = 1000.0 / pack.nominal_v
    pct_per_kw = dt_s / 36.0 / pack.usable_kwh
    begin_degc = pack.warm_degc + COLDEST_BELOW_EDGE_K
    stop_degc = begin_degc + STOP_ABOVE_WARM_K
    cutoff, heater_kw = pack.cutoff_soc_pct, pack.heater_kw
    is_on, latched, was_on = warmer.is_on, warmer.is_latched_off, warmer.was_on
    refused = cut_off = False
    out_core: list[float] = []
    out_edge: list[float] = []
    out_soc: list[float] = []
    out_heat: list[float] = []
    for kw, loss_w, outside, ask in zip(
        base_kw.tolist(), loss.tolist(), ambient_degc.tolist(), asked, strict=True
    ):
        if ask:
            if soc <= cutoff:
                if is_on:
                    cut_off = True
                elif not latched and edge < begin_degc:
                    refused = True
                latched = True
                is_on = False
            elif is_on:
                is_on = edge < stop_degc
            elif not latched:
                is_on = edge < begin_degc
                was_on = was_on or is_on
        else:
            is_on = False
        out_core.append(core)
        out_edge.append(edge)
        out_soc.append(soc)
        heat = heater_kw if is_on else 0.0
        out_heat.append(heat)
        draw = kw + heat
        amp = draw * amp_per_kw
        ohmic = amp * amp * resistance[int((edge - TABLE_LOW_DEGC) * 10.0)]
        flow = bond * (core - edge)
        if is_on:
            core += (ohmic * core_share - flow + heat_core_w) * core_k_per_w
            edge += (ohmic * edge_share + flow + heat_edge_w - loss_w * (edge - outside)) * (
                edge_k_per_w
            )
        else:
            core += (ohmic * core_share - flow) * core_k_per_w
            edge += (ohmic * edge_share + flow - loss_w * (edge - outside)) * edge_k_per_w
        soc -= (draw + ohmic * 0.001) * pct_per_kw
    state.core_degc, state.edge_degc, state.soc_pct = core, edge, max(soc, 1.0)
    warmer.is_on, warmer.is_latched_off, warmer.was_on = is_on, latched, was_on
    return RoadTrace(
        base_kw,
        loss,
        ambient_degc,
        np.array(out_core),
        np.array(out_edge),
        np.array(out_soc),
        np.array(out_heat),
        refused,
        cut_off,
    )


def park(pack: Pack, state: PackState, ambient_degc: Array, step_s: float) -> None:
    """A sleeping vehicle: no current, only cooling. Standby takes a trace of charge."""
    core, edge = state.core_degc, state.edge_degc
    core_k_per_w = step_s / (pack.heat_kj_per_k * 1000.0 * (1.0 - pack.edge_share))
    edge_k_per_w = step_s / (pack.heat_kj_per_k * 1000.0 * pack.edge_share)
    for outside in ambient_degc.tolist():
        flow = pack.core_edge_w_per_k * (core - edge)
        core -= flow * core_k_per_w
        edge += (flow - pack.loss_w_per_k * (edge - outside)) * edge_k_per_w
    state.core_degc, state.edge_degc = core, edge
    state.soc_pct = max(1.0, state.soc_pct - 0.0002 * len(ambient_degc) * step_s / 60.0)


@dataclass(frozen=True)
class ChargePlan:
    """What the charger and the driver impose. `shares` are (from second, fraction of rating)."""

    site_kw: float
    target_soc_pct: float
    max_min: float
    handshake_s: float = 0.0
    ramp_s: float = 0.0
    shares: tuple[tuple[float, float], ...] = ()
    breaks_s: tuple[tuple[float, float], ...] = ()
    is_ac: bool = False
    has_cold_limit: bool = True
    has_derating: bool = True
    stop_at_kwh: float = math.inf


@dataclass
class ChargeTrace:
    """States at the START of each step at the plug (while charge is wanted)."""

    pack_kw: Array
    heater_kw: Array
    core_degc: Array
    edge_degc: Array
    soc_pct: Array
    is_broken: NDArray[np.bool_]
    energy_kwh: float = 0.0
    heater_kwh: float = 0.0
    active_min: float = 0.0
    held_min: float = 0.0
    shared_min: float = 0.0
    derated_min: float = 0.0
    peak_kw: float = field(default=0.0)


def charge(
    pack: Pack, state: PackState, plan: ChargePlan, ambient_degc: float, dt_s: float
) -> ChargeTrace:
    """Integrate one charge; changes `state`. The heater at the plug is fed by the charger."""
    core, edge, soc = state.core_degc, state.edge_degc, state.soc_pct
    ref, cold, resistance = pack.ref_kw, pack.cold_table, pack.resistance_table
    is_ceiling = pack.cold_form == "ceiling"
    core_k_per_w = dt_s / (pack.heat_kj_per_k * 1000.0 * (1.0 - pack.edge_share))
    edge_k_per_w = dt_s / (pack.heat_kj_per_k * 1000.0 * pack.edge_share)
    core_share, edge_share = 1.0 - pack.edge_share, pack.edge_share
    bond, loss_w = pack.core_edge_w_per_k, pack.loss_w_per_k
    heat_w = pack.heater_kw * 1000.0 * pack.heater_efficiency
    heat_edge_w = heat_w * pack.heater_edge_share
    heat_core_w = heat_w - heat_edge_w
    amp_per_kw = 1000.0 / pack.nominal_v
    pct_per_kw = dt_s / 36.0 / pack.usable_kwh
    kwh_per_kw = dt_s / 3600.0
    # At a slow plug there is time; at a fast one the heater only helps in real cold.
    support_below = 8.0 if plan.is_ac else pack.support_below_degc
    support_until = 13.0 if plan.is_ac else pack.support_until_degc
    ramp_kw = pack.max_dc_kw / plan.ramp_s * dt_s if plan.ramp_s > 0 else math.inf
    shares, breaks = list(plan.shares), list(plan.breaks_s)
    share = 1.0
    ready_s = plan.handshake_s
    broken_until_s = -1.0
    is_holding = is_supporting = False
    last_kw = energy = heater_energy = peak = 0.0
    active = held = shared = derated = 0
    out_kw: list[float] = []
    out_heat: list[float] = []
    out_core: list[float] = []
    out_edge: list[float] = []
    out_soc: list[float] = []
    out_broken: list[bool] = []
    steps = int(plan.max_min * 60.0 / dt_s)
    now_s = 0.0
    for _ in range(steps):
        if soc >= plan.target_soc_pct or energy >= plan.stop_at_kwh:
            break
        while shares and now_s >= shares[0][0]:
            share = shares.pop(0)[1]
        if breaks and now_s >= breaks[0][0]:
            broken_until_s = now_s + breaks.pop(0)[1]
            ready_s = broken_until_s + plan.handshake_s
            last_kw = 0.0
        coldest = edge - COLDEST_BELOW_EDGE_K
        heat = 0.0
        is_ready = now_s >= ready_s
        if plan.has_cold_limit and is_ready:
            if coldest < pack.hold_below_degc or (
                is_holding and coldest < pack.hold_below_degc + 2.0
            ):
                is_holding = True
            else:
                is_holding = False
            if coldest < support_below or (is_supporting and coldest < support_until):
                is_supporting = True
            else:
                is_supporting = False
            if is_supporting or is_holding:
                heat = pack.heater_kw
        if not is_ready or is_holding:
            kw = 0.0
        else:
            kw = ref[int(soc * 10.0)]
            if plan.has_cold_limit:
                limit = cold[int((coldest - TABLE_LOW_DEGC) * 10.0)]
                if is_ceiling:
                    kw = min(kw, limit)
                else:
                    kw *= limit
            if plan.has_derating and core > DERATE_FROM_DEGC:
                kw *= max(DERATE_FLOOR, 1.0 - (core - DERATE_FROM_DEGC) / DERATE_SPAN_K)
                derated += 1
            supply = plan.site_kw * share - heat - AUX_STANDING_KW
            if kw > supply:
                kw = max(supply, 0.0)
                if share < 1.0:
                    shared += 1
            kw = min(kw, last_kw + ramp_kw)
        last_kw = kw
        out_kw.append(kw)
        out_heat.append(heat)
        out_core.append(core)
        out_edge.append(edge)
        out_soc.append(soc)
        out_broken.append(now_s < broken_until_s)
        if kw >= 1.0:
            active += 1
        elif heat >= 0.5 and coldest < pack.warm_degc:
            active += 1
            held += 1
        peak = max(peak, kw)
        amp = kw * amp_per_kw
        ohmic = amp * amp * resistance[int((edge - TABLE_LOW_DEGC) * 10.0)]
        flow = bond * (core - edge)
        cool = COOLING_W_PER_K * (core - COOLING_ABOVE_DEGC) if core > COOLING_ABOVE_DEGC else 0.0
        core_w = ohmic * core_share - flow - min(cool, 6000.0)
        edge_w = ohmic * edge_share + flow - loss_w * (edge - ambient_degc)
        if heat:
            core_w += heat_core_w
            edge_w += heat_edge_w
        core += core_w * core_k_per_w
        edge += edge_w * edge_k_per_w
        soc = min(100.0, soc + (kw - ohmic * 0.001) * pct_per_kw)
        energy += kw * kwh_per_kw
        heater_energy += heat * kwh_per_kw
        now_s += dt_s
    state.core_degc, state.edge_degc, state.soc_pct = core, edge, soc
    return ChargeTrace(
        np.array(out_kw),
        np.array(out_heat),
        np.array(out_core),
        np.array(out_edge),
        np.array(out_soc),
        np.array(out_broken, dtype=bool),
        energy,
        heater_energy,
        active * dt_s / 60.0,
        held * dt_s / 60.0,
        shared * dt_s / 60.0,
        derated * dt_s / 60.0,
        peak,
    )


ROAD_KINDS = {  # mean speed, its scatter, stops per minute
    "town": (36.0, 11.0, 0.55),
    "rural": (64.0, 9.0, 0.08),
    "fast": (87.0, 7.0, 0.01),
}
MASS_KG, ROLLING, DRAG_M2, AIR_KG_M3 = 3050.0, 0.0115, 1.55, 1.32


def _smooth(values: Array, width: int) -> Array:
    if width <= 1:
        return values
    padded = np.pad(values, (width // 2, width - 1 - width // 2), mode="edge")
    sums = np.cumsum(np.concatenate(([0.0], padded)))
    means: Array = (sums[width:] - sums[:-width]) / width
    return means


def speed_profile(rng: np.random.Generator, kind: str, minutes: float, dt_s: float) -> Array:
    """A stop-and-go speed trace in km/h that begins and ends at rest."""
    mean, scatter, stops_per_min = ROAD_KINDS[kind]
    n = max(6, round(minutes * 60.0 / dt_s))
    wide = max(2, int(75.0 / dt_s))
    noise = _smooth(rng.standard_normal(n), wide) * math.sqrt(wide)
    level = mean * rng.uniform(0.9, 1.1) + scatter * noise
    moving = np.ones(n)
    for at in rng.integers(0, n, rng.poisson(stops_per_min * minutes)).tolist():
        moving[at : at + int(rng.uniform(8.0, 45.0) / dt_s) + 1] = 0.0
    level = np.maximum(level, 0.25 * mean) * moving
    level = _smooth(level, max(1, int(20.0 / dt_s)))
    step_kmh = 1.1 * 3.6 * dt_s
    from_rest = np.arange(n) * step_kmh
    speed: Array = np.minimum(level, np.minimum(from_rest, from_rest[::-1]))
    return speed


def drive_power_kw(speed_kmh: Array, ambient_degc: Array, dt_s: float) -> Array:
    """Discharge for traction, cabin and electronics; braking gives part of its energy back."""
    speed_ms = speed_kmh / 3.6
    acceleration = np.diff(speed_ms, append=speed_ms[-1:]) / dt_s
    force = MASS_KG * acceleration + 0.5 * AIR_KG_M3 * DRAG_M2 * speed_ms**2
    force += np.where(speed_ms > 0.1, MASS_KG * 9.81 * ROLLING, 0.0)
    wheel_kw = force * speed_ms / 1000.0
    traction = np.where(wheel_kw > 0, wheel_kw / 0.87, wheel_kw * 0.62)
    return np.maximum(traction, -60.0) + standing_power_kw(ambient_degc)


def standing_power_kw(ambient_degc: Array) -> Array:
    """Cabin heat and electronics of an awake vehicle."""
    return 0.4 + np.clip(0.075 * (18.0 - ambient_degc), 0.0, 3.2)


def twin_coldest_degc(pack: Pack, traces: list[RoadTrace], first_step: int, dt_s: float) -> float:
    """The coldest cell at the end of the same road from `first_step` on, with the heater off."""
    core = np.concatenate([trace.core_degc for trace in traces])
    edge = np.concatenate([trace.edge_degc for trace in traces])
    soc = np.concatenate([trace.soc_pct for trace in traces])
    state = PackState(core[first_step], edge[first_step], soc[first_step])
    base = np.concatenate([trace.base_kw for trace in traces])[first_step:]
    ambient = np.concatenate([trace.ambient_degc for trace in traces])[first_step:]
    loss = np.concatenate([trace.loss_w_per_k for trace in traces])[first_step:]
    speed = (loss - pack.loss_w_per_k) / pack.loss_w_per_k_per_kmh
    road(pack, state, base, speed, ambient, dt_s)
    return state.coldest_degc

"""One van and its logger: where it is, what its pack does, what is written down.

`Van` moves through time in whole steps; every piece (a drive, a stand, a rest, a charge) records
the samples its logger would take and keeps the road since the last charge, from which
`sim_truth.py` draws its verdict. What a van does on a day is decided in `sim_days.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from sim_physics import (
    AUX_STANDING_KW,
    COLDEST_BELOW_EDGE_K,
    HOTTEST_ABOVE_CORE_K,
    Array,
    ChargePlan,
    ChargeTrace,
    Pack,
    PackState,
    RoadTrace,
    Warmer,
    charge,
    drive_power_kw,
    park,
    road,
    standing_power_kw,
)
from sim_truth import Nav, Stop, judge_approach, judge_minutes
from sim_world import (
    RENTER,
    RNG_START,
    FleetSpec,
    Habit,
    Rota,
    Site,
    VehicleSetup,
    Weather,
)

SLEEP_AFTER_S = 300.0
LONG_DWELL_MIN = 30.0
APPROACH_MAX_MIN = 180.0
COLUMNS = (
    "t_s", "pack_kw", "soc_pct", "cell_min_degc", "cell_max_degc", "heater_kw", "ambient_degc",
    "speed_kmh", "odo_km", "is_connected", "mode", "x_km", "y_km",
)  # fmt: skip
MODE_NONE, MODE_AC, MODE_DC = 0, 1, 2


@dataclass
class NavEvent:
    t_s: float
    event: str
    kind: str
    x_km: float
    y_km: float


@dataclass
class Van:
    """State that lives from week to week; `rows` are flushed by the exporter."""

    spec: FleetSpec
    setup: VehicleSetup
    weather: Weather
    rota: Rota
    step: int = 0
    odo_km: float = 0.0
    x_km: float = 0.0
    y_km: float = 0.0
    state: PackState = field(init=False)
    rows: list[dict[str, Array]] = field(default_factory=list)
    nav_events: list[NavEvent] = field(default_factory=list)
    stops: list[Stop] = field(default_factory=list)
    traces: list[RoadTrace] = field(default_factory=list)
    approach_step: int = 0
    open_ac: Stop | None = None
    rng: np.random.Generator = field(init=False)
    is_rental_now: bool = False
    is_asleep: bool = True

    def __post_init__(self) -> None:
        self.rng = self.spec.rng(RNG_START, self.setup.index)
        outside = float(self.weather.at(self.spec.base_epoch_s))
        start = max(outside, -6.0) + self.rng.uniform(1.0, 5.0)
        self.state = PackState(start + 0.3, start, self.rng.uniform(55.0, 92.0))
        self.odo_km = round(self.rng.uniform(9000.0, 61000.0), 1)

    # --- clock ------------------------------------------------------------------------------
    @property
    def pack(self) -> Pack:
        return self.setup.pack

    @property
    def dt_s(self) -> float:
        return self.spec.dt_s

    @property
    def now_s(self) -> float:
        return self.spec.base_epoch_s + self.step * self.dt_s

    def _steps(self, minutes: float) -> int:
        return max(1, round(minutes * 60.0 / self.dt_s))

    def _times(self, n: int) -> Array:
        return self.spec.base_epoch_s + (self.step + np.arange(n, dtype=np.float64)) * self.dt_s

    # --- recording --------------------------------------------------------------------------
    def _record(self, n: int, mode: int, connected: Array | int, **signals: Array | float) -> None:
        """Keep the samples the logger takes of the `n` steps that begin now."""
        stride = self.spec.ac_stride if mode == MODE_AC else self.spec.stride
        first = -self.step % stride
        if first >= n:
            return
        picked = slice(first, n, stride)
        size = len(range(first, n, stride))
        out: dict[str, Array] = {"t_s": self._times(n)[picked]}
        signals["is_connected"] = connected
        signals["mode"] = signals.pop("shown_mode", float(mode))
        for name, value in signals.items():
            if isinstance(value, np.ndarray):
                out[name] = value[picked].astype(np.float64)
            else:
                out[name] = np.full(size, float(value))
        self.rows.append({name: out[name] for name in COLUMNS})

    def _run_road(
        self,
        speed_kmh: Array,
        base_kw: Array,
        ambient: Array,
        to: tuple[float, float],
        may_warm: np.ndarray | None = None,
        warmer: Warmer | None = None,
        log_steps: int | None = None,
    ) -> RoadTrace:
        n = len(speed_kmh)
        self.is_asleep = log_steps is not None
        trace = road(
            self.pack, self.state, base_kw, speed_kmh, ambient, self.dt_s, may_warm, warmer
        )
        run_km = np.concatenate(([0.0], np.cumsum(speed_kmh) * self.dt_s / 3600.0))
        part = run_km[:-1] / run_km[-1] if run_km[-1] > 0 else np.zeros(n)
        # A sleeping vehicle still draws and cools, but its logger writes nothing.
        logged = n if log_steps is None else min(n, log_steps)
        cut = slice(0, logged)
        if logged:
            self._record(
                logged,
                MODE_NONE,
                0,
                pack_kw=-(trace.base_kw + trace.heater_kw)[cut],
                soc_pct=trace.soc_pct[cut],
                cell_min_degc=trace.edge_degc[cut] - COLDEST_BELOW_EDGE_K,
                cell_max_degc=trace.core_degc[cut] + HOTTEST_ABOVE_CORE_K,
                heater_kw=trace.heater_kw[cut],
                ambient_degc=ambient[cut],
                speed_kmh=speed_kmh[cut],
                odo_km=(self.odo_km + run_km[:-1])[cut],
                x_km=(self.x_km + part * (to[0] - self.x_km))[cut],
                y_km=(self.y_km + part * (to[1] - self.y_km))[cut],
            )
        self.traces.append(trace)
        self.odo_km += float(run_km[-1])
        if run_km[-1] > 0:
            self.x_km, self.y_km = to
        self.step += n
        return trace

    # --- the pieces of a day ----------------------------------------------------------------
    def drive(
        self,
        speed_kmh: Array,
        to: tuple[float, float],
        may_warm: np.ndarray | None = None,
        warmer: Warmer | None = None,
    ) -> None:
        ambient = self.weather.at(self._times(len(speed_kmh)))
        self._run_road(
            speed_kmh, drive_power_kw(speed_kmh, ambient, self.dt_s), ambient, to, may_warm, warmer
        )

    def stand(self, minutes: float, may_warm: bool = False, warmer: Warmer | None = None) -> None:
        """Awake and standing: at a customer's door, in a queue, before setting off."""
        n = self._steps(minutes)
        ambient = self.weather.at(self._times(n))
        asked = np.full(n, may_warm)
        self._run_road(
            np.zeros(n), standing_power_kw(ambient), ambient, (self.x_km, self.y_km), asked, warmer
        )

    def rest(self, minutes: float) -> None:
        """Switched off; the logger falls asleep. From 30 min on, a new approach begins after."""
        n = self._steps(minutes)
        awake = 0 if self.is_asleep else min(n, int(SLEEP_AFTER_S / self.dt_s))
        is_long = minutes >= LONG_DWELL_MIN
        at_yard = math.hypot(self.x_km, self.y_km) < 0.2
        if not is_long:
            ambient = self.weather.at(self._times(n))
            base = np.where(np.arange(n) < awake, 0.15, 0.0)
            self._run_road(np.zeros(n), base, ambient, (self.x_km, self.y_km), log_steps=awake)
            return
        if awake:
            ambient = self.weather.at(self._times(awake))
            self._run_road(np.zeros(awake), np.full(awake, 0.15), ambient, (self.x_km, self.y_km))
        self.is_asleep = True
        remaining_s = (n - awake) * self.dt_s
        minutes_left = max(1, int(remaining_s // 60.0))
        at = self.now_s + np.arange(minutes_left, dtype=np.float64) * 60.0
        outside = self.weather.at(at)
        if self.setup.sleeps_in_hall and at_yard:
            outside = np.maximum(outside, 0.35 * outside + 6.0)
        park(self.pack, self.state, outside, remaining_s / minutes_left)
        self.step += n - awake
        self._reset_approach()

    def rest_until(self, at_s: float) -> None:
        minutes = (at_s - self.now_s) / 60.0
        if minutes > 0:
            self.rest(minutes)

    def _reset_approach(self) -> None:
        self.traces = []
        self.approach_step = self.step

    # --- charging ---------------------------------------------------------------------------

    def _who(self) -> tuple[str, Habit]:
        shift = self.rota.who(self.setup.vehicle_id, self.now_s)
        return ("", RENTER) if shift is None else (shift.driver_id, shift.habit)

    def _nav(self, event: str, kind: str, site: Site, at_s: float, aside_km: float = 0.0) -> None:
        self.nav_events.append(
            NavEvent(at_s, event, kind, site.x_km + aside_km, site.y_km - aside_km)
        )

    def _dc_charge(self, site: Site, nav: Nav, driver_at_start: str) -> None:
        rng = self.rng
        stop = self._open_stop(site, driver_at_start)
        judge_approach(stop, nav, self.pack, self.traces, self.dt_s)
        target = min(95.0, max(self.state.soc_pct + 8.0, rng.uniform(58.0, 86.0)))
        plan = ChargePlan(
            site_kw=site.power_kw,
            target_soc_pct=target,
            max_min=float(rng.uniform(24.0, 75.0)),
            handshake_s=float(rng.uniform(15.0, 45.0)),
            ramp_s=float(rng.uniform(20.0, 40.0)),
            shares=self._draw_sharing(),
            breaks_s=((rng.uniform(240.0, 900.0), rng.uniform(50.0, 140.0)),)
            if rng.random() < 0.04
            else (),
        )
        before = self.state.copy()
        ambient = stop.ambient_degc
        trace = charge(self.pack, self.state, plan, ambient, self.dt_s)
        self._record_charge(trace, MODE_DC, ambient)
        idle = rng.random() < 0.28
        self._stay(rng.uniform(2.0, 22.0) if idle else rng.uniform(0.3, 1.2), MODE_DC, ambient)
        self._finish_stop(stop, trace, site)
        stop.plug_out_s = self.now_s
        judge_minutes(stop, self.pack, before, site.power_kw, self.dt_s)
        self.stops.append(stop)
        self._reset_approach()
        self.stand(rng.uniform(0.5, 1.5))

    def _draw_sharing(self) -> tuple[tuple[float, float], ...]:
        rng = self.rng
        if rng.random() >= self.spec.sharing_share:
            return ()
        at = 0.0 if rng.random() < 0.4 else float(rng.uniform(60.0, 600.0))
        steps = []
        for _ in range(int(rng.integers(1, 4))):
            steps.append((at, float(rng.uniform(0.25, 0.8))))
            at += float(rng.uniform(180.0, 900.0))
        if rng.random() < 0.6:
            steps.append((at, 1.0))
        return tuple(steps)

    def _open_stop(self, site: Site, driver_at_start: str) -> Stop:
        true_driver, _ = self._who()
        approach_s = max(
            self.spec.base_epoch_s + self.approach_step * self.dt_s,
            self.now_s - APPROACH_MAX_MIN * 60.0,
        )
        written = self.rota.written_driver(self.setup.vehicle_id, approach_s, self.now_s)
        return Stop(
            vehicle_id=self.setup.vehicle_id,
            driver_id=written,
            true_driver_id=true_driver if true_driver == driver_at_start else "",
            site_id=site.site_id,
            mode=site.mode,
            plug_in_s=self.now_s,
            plug_out_s=self.now_s,
            soc_start_pct=self.state.soc_pct,
            soc_end_pct=self.state.soc_pct,
            energy_kwh=0.0,
            peak_kw=0.0,
            meter_kwh=0.0,
            active_min=0.0,
            held_min=0.0,
            approach_start_s=approach_s,
            arrival_cell_temp_min_degc=self.state.coldest_degc,
            ambient_degc=float(self.weather.at(self.now_s)),
            odo_km=self.odo_km,
            is_rental=self.is_rental_now,
        )

    def _finish_stop(self, stop: Stop, trace: ChargeTrace, site: Site) -> None:
        stop.soc_end_pct = self.state.soc_pct
        stop.energy_kwh = trace.energy_kwh
        stop.peak_kw = trace.peak_kw
        stop.active_min, stop.held_min = trace.active_min, trace.held_min
        stop.plug_heater_kwh = trace.heater_kwh
        stop.is_shared, stop.shared_min = trace.shared_min >= 0.5, trace.shared_min
        stop.derated_min = trace.derated_min
        hours = len(trace.pack_kw) * self.dt_s / 3600.0
        low = 0.92 if site.mode == "dc" else 0.87
        efficiency = self.rng.uniform(low, low + 0.03)
        drawn = trace.energy_kwh + trace.heater_kwh + AUX_STANDING_KW * hours
        stop.meter_kwh = drawn / efficiency

    def _record_charge(self, trace: ChargeTrace, mode: int, ambient: float) -> None:
        n = len(trace.pack_kw)
        if not n:
            return
        self.is_asleep = False
        self._record(
            n,
            mode,
            np.where(trace.is_broken, 0.0, 1.0),
            shown_mode=np.where(trace.is_broken, float(MODE_NONE), float(mode)),
            pack_kw=trace.pack_kw,
            soc_pct=trace.soc_pct,
            cell_min_degc=trace.edge_degc - COLDEST_BELOW_EDGE_K,
            cell_max_degc=trace.core_degc + HOTTEST_ABOVE_CORE_K,
            heater_kw=trace.heater_kw,
            ambient_degc=ambient,
            speed_kmh=0.0,
            odo_km=self.odo_km,
            x_km=self.x_km,
            y_km=self.y_km,
        )
        self.step += n

    def _stay(self, minutes: float, mode: int, ambient: float) -> None:
        """On the plug after the end of charge: connected, awake, no power."""
        n = self._steps(minutes)
        zero = np.zeros(n)
        trace = road(self.pack, self.state, zero, zero, np.full(n, ambient), self.dt_s)
        broken = np.zeros(n, bool)
        still = ChargeTrace(zero, zero, trace.core_degc, trace.edge_degc, trace.soc_pct, broken)
        self._record_charge(still, mode, ambient)

    def _close_ac(self, at_s: float) -> None:
        if self.open_ac is None:
            return
        stop = self.open_ac
        stop.plug_out_s = at_s
        stop.unwarmed_cell_temp_min_degc = None
        self.stops.append(stop)
        self.open_ac = None
        self._reset_approach()

    def flush_rows(self, before_s: float) -> dict[str, Array] | None:
        """Hand over all samples before `before_s` and keep the rest for the next week."""
        if not self.rows:
            return None
        joined = {name: np.concatenate([row[name] for row in self.rows]) for name in COLUMNS}
        is_due = joined["t_s"] < before_s
        self.rows = [{name: values[~is_due] for name, values in joined.items()}]
        due = {name: values[is_due] for name, values in joined.items()}
        return due if len(due["t_s"]) else None

"""What a van does: working days with deliveries and charging stops, habits, nights at the yard."""

from __future__ import annotations

import math

import numpy as np
from sim_physics import (
    ROAD_KINDS,
    Array,
    ChargePlan,
    Warmer,
    charge,
    speed_profile,
)
from sim_truth import LEAD_MIN, TOO_LATE_MIN, Nav
from sim_vehicle import MODE_AC, SLEEP_AFTER_S, Van
from sim_world import (
    DC_SITES,
    DEPOT,
    RNG_DAY,
    Site,
    is_rented,
)

LEAD_KM = 50.0
ROAD_FACTOR = 0.8  # straight line over road


class WorkingVan(Van):
    """A van with drivers, customers and a yard."""

    def _need_pct(self, km: float) -> float:
        return km * 0.33 / self.pack.usable_kwh * 100.0

    def _leg_to(self, to: tuple[float, float], least_min: float = 3.0) -> Array:
        km = math.hypot(to[0] - self.x_km, to[1] - self.y_km) / ROAD_FACTOR
        kind = "town" if km < 5 else "rural" if km < 30 else "fast"
        minutes = max(least_min, km / ROAD_KINDS[kind][0] * 60.0)
        return speed_profile(self.rng, kind, minutes, self.dt_s)

    def _pick_site(self, direct: bool) -> Site:
        weight = np.array([site.weight for site in DC_SITES])
        if direct:
            away = np.array([math.hypot(s.x_km - self.x_km, s.y_km - self.y_km) for s in DC_SITES])
            weight = weight * np.exp(-away / 8.0)
        return DC_SITES[int(self.rng.choice(len(DC_SITES), p=weight / weight.sum()))]

    def work_day(self, day: int) -> None:
        rng = self.rng
        midnight = self.spec.local_midnight_s(day)
        self.rest_until(midnight + rng.uniform(6.0, 7.8) * 3600.0)
        self._close_ac(self.now_s)
        end_s = midnight + rng.uniform(14.4, 16.4) * 3600.0
        lunch_s = midnight + rng.uniform(11.2, 13.0) * 3600.0 if rng.random() < 0.35 else math.inf
        self.stand(rng.uniform(0.8, 2.5))
        first_step = self.step
        n_charges, most = 0, 2 if rng.random() < 0.85 else 3
        while True:
            target = self._draw_arrival_soc()
            home_pct = self._need_pct(math.hypot(self.x_km, self.y_km) / ROAD_FACTOR)
            must = self.state.soc_pct - home_pct < 12.0
            is_over = self.now_s > end_s or n_charges >= most
            if is_over and not must:
                break
            # Nobody plugged it in overnight: charge before the round, in the coldest hour.
            is_first = self.step == first_step and self.state.soc_pct < 48.0
            if must or is_first or self.state.soc_pct < target + 6.0:
                site = self._pick_site(direct=True)
                self._approach(site, self._leg_to((site.x_km, site.y_km), 4.0))
                n_charges += 1
                continue
            site, speed, km = self._plan_feasible(target)
            if km == 0.0:
                self._approach(site, self._leg_to((site.x_km, site.y_km), 4.0))
                n_charges += 1
                continue
            lunch_s = self._deliver(site, km, target, end_s, lunch_s)
            if self.state.soc_pct > target + self._need_pct(km) + 5.0:
                break  # the day is over before the battery is low
            if rng.random() < 0.07:
                self._rest_close_by(site, speed)
            else:
                self._approach(site, speed)
            n_charges += 1
        self._go_home()

    def _draw_arrival_soc(self) -> float:
        rng = self.rng
        if rng.random() < 0.22:
            return float(rng.uniform(9.0, 16.0))
        return float(rng.uniform(18.0, 42.0))

    def _plan_feasible(self, target: float) -> tuple[Site, Array, float]:
        """A block the battery can hold, with the approach in km; 0 km means: charge at once."""
        for _ in range(12):
            site, speed = self._plan_block(target)
            km = float(speed.sum()) * self.dt_s / 3600.0
            away_km = math.hypot(site.x_km - self.x_km, site.y_km - self.y_km)
            least = max(7.0, target - 8.0)
            if self.state.soc_pct - self._need_pct(away_km + 2.0 * km) > least:
                return site, speed, km
        return self._pick_site(direct=True), np.zeros(0), 0.0

    def _plan_block(self, target: float) -> tuple[Site, Array]:
        """A charging place and the road to it from the last customer."""
        rng = self.rng
        site = self._pick_site(direct=False)
        pick = rng.random()
        if pick < 0.06:
            minutes, kind = rng.uniform(4.5, 9.0), "town"
        elif pick < 0.17:
            minutes, kind = rng.uniform(9.0, 20.0), "town" if rng.random() < 0.5 else "rural"
        elif pick < 0.62:
            minutes, kind = rng.uniform(24.0, 44.0), "rural" if rng.random() < 0.75 else "fast"
        else:
            minutes, kind = rng.uniform(40.0, 60.0), "rural" if rng.random() < 0.5 else "fast"
        room_km = (self.state.soc_pct - target) / 100.0 * self.pack.usable_kwh / 0.33
        # Out to the customers and back to the charger has to fit what the battery holds.
        minutes = max(4.5, min(minutes, 0.6 * room_km / ROAD_KINDS[kind][0] * 60.0))
        return site, speed_profile(rng, kind, minutes, self.dt_s)

    def _deliver(
        self, site: Site, approach_km: float, target: float, end_s: float, lunch_s: float
    ) -> float:
        rng = self.rng
        angles = rng.uniform(0.0, 2 * math.pi, 6)
        reach = approach_km * ROAD_FACTOR
        xs, ys = site.x_km + reach * np.cos(angles), site.y_km + reach * np.sin(angles)
        best = int(np.argmin(np.hypot(xs - self.x_km, ys - self.y_km)))
        centre = (float(xs[best]), float(ys[best]))
        self.drive(self._leg_to(centre), centre)
        # One more round of customers must not empty the battery before the charger.
        stop_at = target + self._need_pct(approach_km) + 3.0
        while self.state.soc_pct > stop_at and self.now_s < end_s:
            if self.now_s > lunch_s:
                self.rest(rng.uniform(31.0, 48.0))
                lunch_s = math.inf
            elif rng.random() < 0.72:
                self.stand(rng.uniform(0.7, 3.6))
            else:
                self.rest(rng.uniform(4.0, 13.0))
            to = (centre[0] + rng.normal(0.0, 1.6), centre[1] + rng.normal(0.0, 1.6))
            kind = "rural" if rng.random() < 0.62 else "town"
            self.drive(speed_profile(rng, kind, rng.uniform(4.0, 12.0), self.dt_s), to)
        self.stand(rng.uniform(0.7, 3.0))
        return lunch_s

    def _rest_close_by(self, site: Site, speed: Array) -> None:
        """A long pause next to the charger: the way left is too short to warm anything."""
        close = (site.x_km + 1.1, site.y_km + 0.9)
        self.drive(speed, close)
        self.rest(self.rng.uniform(31.0, 60.0))
        short = speed_profile(self.rng, "town", self.rng.uniform(2.6, 3.4), self.dt_s)
        self._approach(site, short, queue_ok=False)

    def _go_home(self) -> None:
        home = (0.0, 0.0)
        if math.hypot(self.x_km, self.y_km) < 0.2:
            return
        speed = self._leg_to(home)
        may_warm = None
        if self.rng.random() < 0.025 and self.setup.responds and len(speed) * self.dt_s > 900:
            # Set the charger out of habit, then drove home: warmth for nobody.
            site = self._pick_site(direct=True)
            self._nav("set", "charging_place", site, self.now_s)
            self._nav("cleared", "charging_place", site, self.now_s + len(speed) * self.dt_s)
            may_warm = np.ones(len(speed), bool)
        self.drive(speed, home, may_warm, Warmer())

    def _set_destination(self, site: Site, way_min: float, plug_s: float) -> Nav:
        rng = self.rng
        _, habit = self._who()
        choice = habit.draw(rng)
        early, late, last = rng.uniform(0.3, 1.6), rng.uniform(10.0, 15.0), rng.uniform(0.8, 2.2)
        forgets, clear_min = rng.random() < 0.10, rng.uniform(4.0, 13.0)
        if choice == "none":
            return Nav()
        start_s = self.now_s
        approach_s = self.spec.base_epoch_s + self.approach_step * self.dt_s
        set_s = max(start_s - early * 60.0, approach_s)
        if choice in ("late", "last_moment"):
            ahead_min = late if choice == "late" else last
            set_s = max(start_s, plug_s - ahead_min * 60.0)
        kind = "address" if choice == "address" else "charging_place"
        aside = 0.12 if kind == "address" else 0.0
        clear_s = plug_s
        if forgets and choice == "in_good_time" and way_min > 20.0:
            clear_s = plug_s - clear_min * 60.0
        self._nav("set", kind, site, set_s, aside)
        self._nav("cleared", kind, site, clear_s, aside)
        return Nav(kind, set_s, clear_s)

    def _approach(self, site: Site, speed: Array, queue_ok: bool = True) -> None:
        rng = self.rng
        n = len(speed)
        wait_min = rng.uniform(0.4, 1.0) if not queue_ok else rng.uniform(0.6, 1.6)
        if queue_ok and rng.random() < 0.05:
            wait_min = rng.uniform(4.0, 14.0)
        driver_at_start, _ = self._who()
        plug_s = self.now_s + (n + self._steps(wait_min)) * self.dt_s
        nav = self._set_destination(site, n * self.dt_s / 60.0, plug_s)
        guess = rng.uniform(0.95, 1.03)
        left_s = (n - np.arange(n)) * self.dt_s
        left_km = np.cumsum(speed[::-1])[::-1] * self.dt_s / 3600.0
        at = self._times(n)
        mean_kmh = left_km / left_s * 3600.0
        in_reach = (left_s * guess / 60.0 <= LEAD_MIN) | ((left_km <= LEAD_KM) & (mean_kmh > 60.0))
        knows = nav.kind == "charging_place" and plug_s - nav.set_s >= TOO_LATE_MIN * 60.0
        able = knows and self.setup.responds
        may = in_reach & (at >= nav.set_s) & (at < nav.clear_s) & able
        warmer = Warmer()
        self.drive(speed, (site.x_km, site.y_km), may, warmer)
        self.stand(wait_min, may_warm=able and nav.clear_s >= plug_s, warmer=warmer)
        self._dc_charge(site, nav, driver_at_start)

    def night(self, day: int) -> None:
        """The night hand plugs some vans in; charging then runs into the small hours."""
        rng = self.rng
        plug_s = self.spec.local_midnight_s(day) + rng.uniform(22.0, 26.0) * 3600.0
        soc = self.state.soc_pct
        chance = 0.92 if soc < 30.0 else 0.62 if soc < 70.0 else 0.3
        target = rng.uniform(80.0, 96.0)
        if rng.random() > chance or soc > target - 5.0 or self.open_ac is not None:
            return
        self.rest_until(plug_s)
        stop = self._open_stop(DEPOT, "")
        stop.driver_id = stop.true_driver_id = ""
        ambient = stop.ambient_degc
        if self.setup.sleeps_in_hall:
            ambient = max(ambient, 0.35 * ambient + 6.0)
        plan = ChargePlan(
            site_kw=DEPOT.power_kw,
            target_soc_pct=target,
            max_min=60.0 * 6.0,
            handshake_s=10.0,
            ramp_s=20.0,
            is_ac=True,
        )
        trace = charge(self.pack, self.state, plan, ambient, self.dt_s)
        self._record_charge(trace, MODE_AC, ambient)
        self._finish_stop(stop, trace, DEPOT)
        self._stay(SLEEP_AFTER_S / 60.0, MODE_AC, ambient)
        self.is_asleep = True
        self._reset_approach()
        self.open_ac = stop

    def run_week(self, week: int) -> None:
        """Simulate seven local days; nights run on into the next morning."""
        for day in range(7 * week, 7 * week + 7):
            self.rng = self.spec.rng(RNG_DAY, self.setup.index, day)
            midnight = self.spec.local_midnight_s(day)
            shift = self.rota.who(self.setup.vehicle_id, midnight + 7 * 3600.0)
            self.is_rental_now = is_rented(self.setup, day)
            if shift is not None or (self.is_rental_now and day % 7 != 6):
                self.work_day(day)
            else:
                self.rest_until(midnight + 6.5 * 3600.0)
                self._close_ac(self.now_s)
            self.night(day)
        if week == self.spec.weeks - 1:
            self._close_ac(max(self.now_s, self.spec.local_midnight_s(7 * self.spec.weeks)))

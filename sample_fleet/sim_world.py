"""The invented town: fleet specification, weather, charging places, drivers and their rota."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from sim_physics import BITTERN_77, PACKS, PLOVER_60, Array, Pack

LAYOUTS = ("sample", "tailgate_csv")
COLD_FORMS = ("own", "factor", "ceiling")
ZONE_NAME = "Europe/Stockholm"
ZONE = ZoneInfo(ZONE_NAME)
# Open sea, so that no position points at anybody's real yard.
ORIGIN_LAT, ORIGIN_LON = 62.5, -2.0
KM_PER_DEG_LAT = 111.195
KM_PER_DEG_LON = KM_PER_DEG_LAT * math.cos(math.radians(ORIGIN_LAT))


@dataclass(frozen=True)
class FleetSpec:
    """Everything that decides what a generated fleet holds; equal specs give equal bytes.

    `sample_interval_s` applies while driving, fast-charging or warming; loggers record AC charging
    every `ac_interval_s` (at least the former). `curve_bias` multiplies the *configured* warm
    curve only, to test what a wrong configuration does. `write_config` also writes the TOML files.

    Variants of the packs: `full_power_degc` moves the end of every cold limit there, while the
    vehicles still stop warming at 21 degC and the configuration still says so; `cold_form` forces
    one form of limit on both models. Of what is told: `hide_ratings` leaves the sites' power out
    of the TOML files, `power_noise` is the relative standard deviation of each logged pack power.
    """

    n_vehicles: int = 12
    first_monday: date = date(2026, 1, 5)
    weeks: int = 5
    seed: int = 20260136
    sample_interval_s: int = 15
    ac_interval_s: int = 60
    sharing_share: float = 0.08
    defects: bool = True
    layout: str = "sample"
    ambient_mean_degc: float = -4.0
    ambient_sd_k: float = 5.5
    curve_bias: float = 1.0
    write_config: bool = False
    full_power_degc: float | None = None
    cold_form: str = "own"
    hide_ratings: bool = False
    power_noise: float = 0.0

    def __post_init__(self) -> None:
        if self.layout not in LAYOUTS:
            raise ValueError(f"layout {self.layout!r} is not one of {', '.join(LAYOUTS)}")
        if self.first_monday.weekday() != 0:
            raise ValueError(f"first_monday {self.first_monday} is not a Monday")
        if min(self.n_vehicles, self.weeks, self.sample_interval_s, self.ac_interval_s) < 1:
            raise ValueError("n_vehicles, weeks and intervals must be at least 1")
        if self.cold_form not in COLD_FORMS:
            raise ValueError(f"cold_form {self.cold_form!r} is not one of {', '.join(COLD_FORMS)}")
        # Under 21 the vehicles would warm past full power; over 36 they already derate for heat.
        if self.full_power_degc is not None and not 21.0 <= self.full_power_degc <= 36.0:
            raise ValueError(f"full_power_degc {self.full_power_degc:g} is not within 21 to 36")
        if not 0.0 <= self.power_noise <= 0.2:
            raise ValueError(f"power_noise {self.power_noise:g} is not within 0 to 0.2")

    @property
    def dt_s(self) -> float:
        """Integration step: the largest divisor of the sampling interval up to 5 s."""
        return self.sample_interval_s / math.ceil(self.sample_interval_s / 5.0)

    @property
    def ac_stride(self) -> int:
        return max(1, round(self.ac_interval_s / self.sample_interval_s)) * self.stride

    @property
    def stride(self) -> int:
        return math.ceil(self.sample_interval_s / 5.0)

    @cached_property
    def base_epoch_s(self) -> float:
        return self.local_midnight_s(0)

    def local_midnight_s(self, day: int) -> float:
        """Epoch seconds of local midnight `day` days after the first Monday."""
        at = self.first_monday + timedelta(days=day)
        return datetime(at.year, at.month, at.day, tzinfo=ZONE).timestamp()

    def week_label(self, week: int) -> str:
        iso = (self.first_monday + timedelta(days=7 * week)).isocalendar()
        return f"{iso.year}-W{iso.week:02d}"

    def rng(self, *key: int) -> np.random.Generator:
        """An own random stream per purpose, so that one more vehicle changes no other."""
        return np.random.default_rng([self.seed, *key])


RNG_WEATHER, RNG_ROTA, RNG_DAY, RNG_DEFECT, RNG_START, RNG_NOISE, RNG_CLIMATE = range(1, 8)

# What a fleet can be asked to be, by name; everything else of its spec stays free.
VARIANTS: dict[str, dict[str, Any]] = {
    "base": {},
    "hot": {"full_power_degc": 32.0},
    # About -20 degC: packs below -4.5 degC are held and heated at the plug before they charge.
    "plug": {"ambient_mean_degc": -20.0},
    "unrated": {"hide_ratings": True},
    # No pack is cold, and half the charges are slowed by heat instead.
    "summer": {"ambient_mean_degc": 24.0},
    "factor": {"cold_form": "factor"},
    "ceiling": {"cold_form": "ceiling"},
}


def packs_of(spec: FleetSpec) -> dict[str, Pack]:
    """The vehicle models as this fleet has them, by model id."""
    packs = dict(PACKS)
    if spec.cold_form != "own":
        packs = {name: pack.with_cold_form(spec.cold_form) for name, pack in packs.items()}
    if spec.full_power_degc is not None:
        at = spec.full_power_degc
        packs = {name: pack.with_full_power_at(at) for name, pack in packs.items()}
    return packs


@dataclass(frozen=True)
class Site:
    site_id: str
    name: str
    x_km: float
    y_km: float
    power_kw: float
    mode: str
    weight: float

    @property
    def lat(self) -> float:
        return round(ORIGIN_LAT + self.y_km / KM_PER_DEG_LAT, 4)

    @property
    def lon(self) -> float:
        return round(ORIGIN_LON + self.x_km / KM_PER_DEG_LON, 4)


DEPOT = Site("yard", "Skarnby yard (overnight)", 0.0, 0.0, 11.0, "ac", 0.0)
DC_SITES = (
    Site("old-harbour-50", "Old Harbour", -4.1, -2.6, 50.0, "dc", 0.9),
    Site("mill-lane-100", "Mill Lane", 3.2, 5.4, 100.0, "dc", 1.2),
    Site("north-ridge-150", "North Ridge", -7.5, 13.8, 150.0, "dc", 1.5),
    Site("salt-quay-150", "Salt Quay", 9.8, -6.9, 150.0, "dc", 1.6),
    Site("crossway-200", "Crossway Junction", 14.6, 8.2, 200.0, "dc", 1.3),
    Site("high-moor-300", "High Moor", -15.9, -9.4, 300.0, "dc", 1.5),
)


@dataclass(frozen=True)
class Habit:
    """How often a driver tells the vehicle where it is going, and how."""

    in_good_time: float
    late: float
    last_moment: float
    address: float
    none: float

    def draw(self, rng: np.random.Generator) -> str:
        names = ("in_good_time", "late", "last_moment", "address", "none")
        return str(rng.choice(names, p=[getattr(self, name) for name in names]))


HABITS = (
    Habit(0.97, 0.01, 0.00, 0.01, 0.01),
    Habit(0.93, 0.04, 0.00, 0.00, 0.03),
    Habit(0.30, 0.58, 0.07, 0.00, 0.05),
    Habit(0.10, 0.05, 0.00, 0.80, 0.05),
    Habit(0.00, 0.00, 0.00, 0.00, 1.00),
    Habit(0.72, 0.12, 0.04, 0.04, 0.08),
    Habit(0.52, 0.10, 0.05, 0.15, 0.18),
    Habit(0.20, 0.15, 0.15, 0.05, 0.45),
    Habit(0.85, 0.07, 0.02, 0.03, 0.03),
)
RENTER = Habit(0.20, 0.10, 0.10, 0.15, 0.45)
DRIVER_NAMES = (
    "Orla Brimsund",
    "Tavi Kestrand",
    "Ansel Mourholt",
    "Ilka Varnsby",
    "Joren Pelstad",
    "Mirel Osk",
    "Sunna Dravik",
    "Bent Halloran-Ek",
    "Petra Lundvale",
)


@dataclass(frozen=True)
class VehicleSetup:
    index: int
    vehicle_id: str
    pack: Pack
    layout: str
    responds: bool
    sleeps_in_hall: bool
    rental_days: tuple[tuple[int, int], ...]


def vehicle_setups(spec: FleetSpec) -> list[VehicleSetup]:
    """The first twelve are the cast of the sample; larger fleets repeat it."""
    width = 2 if spec.n_vehicles < 100 else 3
    packs = packs_of(spec)
    setups = []
    for index in range(spec.n_vehicles):
        role = index % 12
        if spec.layout == "tailgate_csv" or role < 5:
            layout = "tailgate"
        elif role < 9:
            layout = "fleetbox"
        else:
            layout = {9: "cloudpull", 10: "chargelog", 11: "hirebook"}[role]
        rental: tuple[tuple[int, int], ...] = ((3, 6), (15, 22)) if role == 11 else ()
        setups.append(
            VehicleSetup(
                index,
                f"van-{index + 1:0{width}d}",
                packs[(PLOVER_60 if role in (0, 2, 4, 6, 8, 10) else BITTERN_77).model_id],
                layout,
                role != 8,
                role in (1, 4, 6, 9),
                rental,
            )
        )
    return setups


class Weather:
    """Outside temperature: season, daily swing, slow weather and sharp fronts; hourly."""

    def __init__(self, spec: FleetSpec) -> None:
        rng = spec.rng(RNG_WEATHER)
        hours = spec.weeks * 7 * 24 + 48
        self.start_s = spec.base_epoch_s - 24 * 3600.0
        hour = np.arange(hours)
        shocks = rng.standard_normal(hours)
        slow = np.zeros(hours)
        keep = math.exp(-1.0 / 60.0)
        level = rng.standard_normal()
        for k in range(hours):
            level = keep * level + math.sqrt(1 - keep * keep) * shocks[k]
            slow[k] = level
        fronts = np.zeros(hours)
        at = rng.uniform(40.0, 140.0)
        while at < hours:
            drop = rng.choice((-1.0, 1.0)) * rng.uniform(2.0, 6.0)
            fronts += (
                drop
                / (1.0 + np.exp(-(hour - at) / 2.5))
                * np.exp(-np.maximum(hour - at, 0.0) / 70.0)
            )
            at += rng.uniform(70.0, 190.0)
        daily = -2.2 * np.cos((hour - 24 - 14.5) / 24.0 * 2 * math.pi + math.pi)
        season = -1.2 * np.sin(hour / hours * math.pi)
        raw = spec.ambient_mean_degc + season + daily + spec.ambient_sd_k * slow + fronts
        # Soft limits some 13 K either side of the mean: frost has a floor by the sea.
        middle = spec.ambient_mean_degc - 1.0
        self.degc = middle + 13.0 * np.tanh((raw - middle) / 13.0)

    def at(self, epoch_s: Array | float) -> Array:
        hours = (np.asarray(epoch_s, dtype=float) - self.start_s) / 3600.0
        values: Array = np.interp(hours, np.arange(len(self.degc)), self.degc)
        return values


def past_weather_csv(spec: FleetSpec, weather: Weather) -> bytes:
    """Daily means of the invented town since 2015, ending with the simulated weeks themselves.

    What a fleet's budget needs: a winter of its own, and years enough to tell a mild one from a
    hard one.
    """
    first = date(2015, 1, 1)
    days_n = (spec.first_monday - first).days
    rng = spec.rng(RNG_CLIMATE)
    day = np.arange(days_n)
    of_year = np.array([(first + timedelta(days=int(k))).timetuple().tm_yday for k in day])
    level, slow = 0.0, np.empty(days_n)
    for k, shock in enumerate(rng.standard_normal(days_n)):
        level = 0.8 * level + 2.2 * shock
        slow[k] = level
    # A winter is mild or hard as a whole; its year turns in July.
    years = (day + 184) // 365
    winters = 1.3 * rng.standard_normal(int(years.max()) + 1 if days_n else 0)[years]
    middle = spec.ambient_mean_degc + 9.0
    degc = middle - 10.3 * np.cos((of_year - 20) / 365.25 * 2 * math.pi) + slow + winters
    hour_s = 3600.0 * np.arange(24)
    own = [
        float(weather.at(spec.local_midnight_s(k) + hour_s).mean()) for k in range(7 * spec.weeks)
    ]
    values = [*degc.tolist(), *own]
    rows = [f"{first + timedelta(days=k)},{value:.1f}\n" for k, value in enumerate(values)]
    return "".join(["day,outside_degc\n", *rows]).encode("ascii")


@dataclass(frozen=True)
class Shift:
    """One row of the rota: a driver has a vehicle from `start_s` to `end_s`."""

    vehicle_id: str
    start_s: float
    end_s: float
    driver_id: str
    habit: Habit


@dataclass(frozen=True)
class Rota:
    """`shifts` is what happened; `written` is what the roster file says of it."""

    shifts: dict[str, list[Shift]]
    written: list[Shift]

    def who(self, vehicle_id: str, at_s: float) -> Shift | None:
        for shift in self.shifts.get(vehicle_id, ()):
            if shift.start_s <= at_s < shift.end_s:
                return shift
        return None

    def written_driver(self, vehicle_id: str, start_s: float, end_s: float) -> str:
        """The driver the roster names without contradiction for the whole span, or empty."""
        rows = [
            row
            for row in self.written
            if row.vehicle_id == vehicle_id and row.start_s < end_s and row.end_s > start_s
        ]
        if len({row.driver_id for row in rows}) != 1:
            return ""
        covered = max(row.end_s for row in rows) >= end_s
        return rows[0].driver_id if covered and min(r.start_s for r in rows) <= start_s else ""


def make_rota(spec: FleetSpec, setups: list[VehicleSetup]) -> Rota:
    """Nine drivers for twelve vehicles, day by day; some keep their van, others swap."""
    rng = spec.rng(RNG_ROTA)
    n_drivers = max(1, math.ceil(0.75 * spec.n_vehicles))
    last: dict[int, int] = {}
    days_used = dict.fromkeys(range(spec.n_vehicles), 0)
    shifts: dict[str, list[Shift]] = {setup.vehicle_id: [] for setup in setups}
    for day in range(spec.weeks * 7):
        weekday = day % 7
        away = {5: 0.45, 6: 1.0}.get(weekday, 0.05)
        free = {s.index for s in setups if not is_rented(s, day)}
        taken: dict[int, int] = {}
        for driver in rng.permutation(n_drivers).tolist():
            is_away, keeps = rng.random() < away, rng.random() < 0.5
            picks = rng.random(3).tolist()
            if is_away or not free:
                continue
            van = last.get(driver, -1)
            if not (keeps and van in free):
                # Of three vans at hand, the one that has run least: nobody lets a van stand.
                choice = [sorted(free)[int(pick * len(free))] for pick in picks]
                van = min(choice, key=lambda index: days_used[index])
            days_used[van] += 1
            free.discard(van)
            taken[van] = driver
            last[driver] = van
        midnight = spec.local_midnight_s(day)
        start, end = midnight + 5.0 * 3600, midnight + 21.0 * 3600
        vans = sorted(taken)
        swap = rng.random() < 0.08 and len(vans) >= 2
        pair = rng.choice(vans, 2, replace=False).tolist() if swap else []
        for van in vans:
            parts = [(start, end, taken[van])]
            if van in pair:
                other = taken[pair[1] if van == pair[0] else pair[0]]
                noon = midnight + 12.5 * 3600
                parts = [(start, noon, taken[van]), (noon, end, other)]
            for a, b, driver in parts:
                vehicle_id = setups[van].vehicle_id
                habit = HABITS[driver % len(HABITS)]
                shifts[vehicle_id].append(Shift(vehicle_id, a, b, f"d{driver + 1}", habit))
    written = [shift for rows in shifts.values() for shift in rows]
    if spec.defects and len(written) > 20:
        written = _spoil_roster(written, n_drivers)
    return Rota(shifts, written)


def _spoil_roster(rows: list[Shift], n_drivers: int) -> list[Shift]:
    """One hole and one double booking: neither may be filled with the nearest driver."""
    at = len(rows) // 3
    hole = rows[at]
    short = Shift(
        hole.vehicle_id, hole.start_s, hole.start_s + 3.5 * 3600, hole.driver_id, hole.habit
    )
    twice = rows[2 * len(rows) // 3]
    other = int(twice.driver_id[1:]) % n_drivers + 1
    double = Shift(
        twice.vehicle_id, twice.start_s + 3 * 3600, twice.end_s, f"d{other}", twice.habit
    )
    return [*rows[:at], short, *rows[at + 1 :], double]


def is_rented(setup: VehicleSetup, day: int) -> bool:
    return any(first <= day <= last for first, last in setup.rental_days)


def utc_text(epoch_s: float) -> str:
    return datetime.fromtimestamp(round(epoch_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")

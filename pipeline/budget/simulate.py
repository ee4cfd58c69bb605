"""Many winters of every vehicle, stop by stop, the same winters for every scenario.

Arrays only: the loop runs over vehicles, each with all its stops of all winters at once. All
scenarios see the same stops, weather, packs and drivers' moods (common random numbers), so that
their differences are sharp; each vehicle has its own random stream, so that one vehicle more
changes no other.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.budget.starts import SHARES
from pipeline.budget.tables import BINS_N, COLDEST_DEGC, FIGURES, STEP_KELVIN
from pipeline.budget.templates import HOUR_SLOTS_N, SLOTS_N

F32 = NDArray[np.float32]
LEVELS_N = len(SHARES)
BLOCK_WINTERS_N = 1000
"""Winters of one vehicle that are worked on together: some 100,000 stops, a few MB."""

_START_SLOTS_N = 256


@dataclass(frozen=True)
class Course:
    """How one scenario runs.

    Attributes
    ----------
    table
        Of `pipeline.budget.tables.stop_table`.
    slots
        (vehicles, 1024) templates.
    volume
        Stops against today's.
    shift_kelvin
        Of the outside temperature.
    start_rate
        (winters, vehicles) probability that warming is begun, above 1 for all; 0 for none.
    level_of_slot
        (256,) level of warming by how early a driver is: from those most eager (first) on.
    """

    table: F32
    slots: NDArray[np.int32]
    volume: float
    shift_kelvin: float
    start_rate: F32
    level_of_slot: NDArray[np.int32]


@dataclass(frozen=True)
class World:
    """What all scenarios share, one entry per winter where there is a first axis of winters.

    Attributes
    ----------
    vehicle_ids
        Name the random streams.
    month_days, month_from_day
        (months,) days of each and the day it begins on.
    common_log_rate
        (winters, months); `vehicle_log_rate` (winters, vehicles); `dispersion` (winters,).
    weather_day
        (winters, days): row of `hour_degc` (rows, 24) that stands for the day.
    weather_shift_kelvin
        (winters,).
    hours
        (256,) local hours of plugging in.
    arrival
        (winters, 3) coefficients; `residual_kelvin` (winters,); `vehicle_kelvin` (winters,
        vehicles).
    approach_h
        (templates,) by template.
    """

    vehicle_ids: list[str]
    month_days: NDArray[np.int64]
    month_from_day: NDArray[np.int64]
    common_log_rate: F32
    vehicle_log_rate: F32
    dispersion: F32
    weather_day: NDArray[np.int32]
    weather_shift_kelvin: F32
    hour_degc: F32
    hours: NDArray[np.int32]
    arrival: F32
    residual_kelvin: F32
    vehicle_kelvin: F32
    approach_h: F32

    @property
    def winters_n(self) -> int:
        """Simulated winters."""
        return len(self.common_log_rate)


def simulate(world: World, courses: list[Course], seed: int, threads_n: int = 2) -> Iterator[F32]:
    """Sums per scenario, winter, month and figure, one array per vehicle in order.

    Yields
    ------
    (scenarios, winters, months, figures) float32
        Figures as in `pipeline.budget.tables`.
    """
    volumes = np.array([course.volume for course in courses])
    # Stops beyond today's are a batch of their own: a scenario that adds them moves no other.
    batches = [np.minimum(volumes, 1.0)]
    if volumes.max() > 1:
        batches.append(np.maximum(volumes - 1.0, 0.0))

    def one(number: int) -> F32:
        stream = zlib.crc32(world.vehicle_ids[number].encode())
        blocks = []
        for first in range(0, world.winters_n, BLOCK_WINTERS_N):
            winters = slice(first, min(first + BLOCK_WINTERS_N, world.winters_n))
            seeds = [np.random.SFC64([seed, stream, first, k]) for k in range(len(batches) + 1)]
            busy = _stops_expected(world, number, winters, np.random.Generator(seeds[0]))
            parts = [
                _block(world, courses, number, winters, busy, kept, np.random.Generator(bits))
                for kept, bits in zip(batches, seeds[1:], strict=True)
            ]
            blocks.append(parts[0] if len(parts) == 1 else parts[0] + parts[1])
        return blocks[0] if len(blocks) == 1 else np.concatenate(blocks, axis=1)

    count = len(world.vehicle_ids)
    if threads_n <= 1:
        yield from map(one, range(count))
        return
    with ThreadPoolExecutor(threads_n) as pool:
        # Few at a time: results must not pile up when whoever reads them is slower.
        step = 2 * threads_n
        for first in range(0, count, step):
            yield from pool.map(one, range(first, min(first + step, count)))


def _stops_expected(
    world: World, number: int, winters: slice, rng: np.random.Generator
) -> NDArray[np.float64]:
    """(winters, months) mean of the Poisson count: the rate times a gamma of mean one."""
    log_rate = world.common_log_rate[winters] + world.vehicle_log_rate[winters, number, None]
    mean = np.exp(log_rate.astype(np.float64)) * world.month_days
    size = 1 / world.dispersion[winters, None].astype(np.float64)
    busy: NDArray[np.float64] = rng.gamma(size, mean / size)
    return busy


def _block(
    world: World, courses: list[Course], number: int, winters: slice, busy: NDArray[np.float64],
    kept: NDArray[np.float64], rng: np.random.Generator,
) -> F32:  # fmt: skip
    """One vehicle, some winters: (scenarios, winters, months, figures).

    `kept` is each scenario's volume in this batch; stops are drawn for the largest and thinned.
    """
    months_n = len(world.month_days)
    most = kept.max()
    counts = rng.poisson(busy * most)
    ends = np.concatenate(([0], np.cumsum(counts.ravel()))).astype(np.int32)
    stops_n = int(ends[-1])
    shape = (len(courses), *counts.shape, len(FIGURES))
    if not stops_n:
        return np.zeros(shape, np.float32)
    per_winter = counts.sum(axis=1)

    def of_winter(values: NDArray[np.float32]) -> F32:
        return np.repeat(values, per_winter)

    # Six small random whole numbers a stop: day, slot, hour, driver, rounding, volume.
    dice = rng.integers(0, 2**16, size=(6, stops_n), dtype=np.uint16)
    slot = dice[1] >> (16 - SLOTS_N.bit_length() + 1)
    outside = _outside(world, winters, counts, dice[0], dice[2])
    noise = rng.standard_normal(stops_n, dtype=np.float32)
    noise *= of_winter(world.residual_kelvin[winters])
    level = world.arrival[winters, 0] + world.vehicle_kelvin[winters, number]
    slope = world.arrival[winters, 1]
    level = level + slope * world.weather_shift_kelvin[winters]
    noise += of_winter(level)
    outside *= of_winter(slope)
    noise += outside
    per_hour = of_winter(world.arrival[winters, 2])
    dither = dice[4] * np.float32(2**-16)
    found = np.empty(shape, np.float32)
    base: dict[tuple[int, float], NDArray[np.int32]] = {}
    for at, course in enumerate(courses):
        key = (id(course.slots), course.shift_kelvin)
        if key not in base:
            template = course.slots[number][slot]
            degc = world.approach_h[template]
            degc *= per_hour
            degc += noise
            if course.shift_kelvin:
                degc += of_winter(slope * np.float32(course.shift_kelvin))
            # A dithered bin is right on average, as a straight line between bins would be.
            degc -= np.float32(COLDEST_DEGC)
            degc *= np.float32(1 / STEP_KELVIN)
            degc += dither
            np.clip(degc, 0, BINS_N - 1, out=degc)
            base[key] = template * np.int32(LEVELS_N * BINS_N) + degc.astype(np.int32)
        index = base[key] + _level(course, number, winters, per_winter, dice[3]) * np.int32(BINS_N)
        if kept[at] < most:
            is_kept = dice[5] < np.float32(kept[at] / most * 2**16)
            index = np.where(is_kept, index, np.int32(len(course.table) - 1))
        ones = np.ones(stops_n, np.float32)
        picked = sparse.csr_array((ones, index, ends), shape=(counts.size, len(course.table)))
        found[at] = (picked @ course.table).reshape(shape[1:])
    return found.reshape(len(courses), len(per_winter), months_n, len(FIGURES))


def _outside(
    world: World, winters: slice, counts: NDArray[np.int64], day_dice: NDArray[np.uint16],
    hour_dice: NDArray[np.uint16],
) -> F32:  # fmt: skip
    """Outside temperature of each stop [degC]: its day's row of the series, at its hour."""
    flat = counts.ravel()
    winters_n = len(counts)
    days_n = world.weather_day.shape[1]
    first = (np.arange(winters_n, dtype=np.int64)[:, None] * days_n + world.month_from_day).ravel()
    length = np.tile(world.month_days, winters_n).astype(np.uint32)
    day = np.repeat(length, flat)
    day *= day_dice
    day >>= np.uint32(16)
    day = day + np.repeat(first.astype(np.uint32), flat)
    row = world.weather_day[winters].ravel()[day]
    row *= np.int32(24)
    row += world.hours[hour_dice >> (16 - HOUR_SLOTS_N.bit_length() + 1)]
    outside: F32 = world.hour_degc.ravel()[row]
    return outside


def _level(
    course: Course, number: int, winters: slice, per_winter: NDArray[np.int64],
    driver_dice: NDArray[np.uint16],
) -> NDArray[np.int32]:  # fmt: skip
    """Level of warming of each stop: the driver's die against the rate of starting."""
    rate = course.start_rate[winters, number]
    if not rate.any():
        return np.zeros(1, np.int32)
    # A die under the rate starts; how far under tells how early.
    scale = np.where(rate > 0, _START_SLOTS_N / np.maximum(rate, 1e-9) / 2**16, np.float32(1))
    place = np.repeat(scale.astype(np.float32), per_winter) * driver_dice
    slot = np.minimum(place, np.float32(_START_SLOTS_N)).astype(np.int32)
    levels = np.append(course.level_of_slot, np.int32(0)).astype(np.int32)
    found: NDArray[np.int32] = levels[slot]
    return found


def levels_by_slot(share_weights: NDArray[np.float64]) -> NDArray[np.int32]:
    """(256,) levels so that each comes as often as its weight, the earliest drivers first."""
    ends = np.cumsum(share_weights[::-1]) / share_weights.sum()
    picks = np.searchsorted(ends, (np.arange(_START_SLOTS_N) + 0.5) / _START_SLOTS_N)
    return (LEVELS_N - 1 - np.minimum(picks, LEVELS_N - 2)).astype(np.int32)

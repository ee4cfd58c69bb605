"""A tariff over real time, and the small tools that read frames into arrays for it.

A tariff is laid out as a row of stretches in which the same elements are in force; all sums over
time are then differences of a running integral, so a switch of price inside a charge is split at
its instant, also across a change of the clocks. Pure arithmetic.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.ocpi_tariff_config import OcpiTariff
from pipeline.tariff_config import COMPONENTS, WEEKDAYS, TariffElement

FloatArray = NDArray[np.float64]
Tariffs = Mapping[str, Sequence[TariffElement] | OcpiTariff]
"""Elements, or an OCPI tariff, by site id; a site without elements has no known tariff."""

MIN_PRICED_KWH = 0.001
"""No price per kWh is formed over less than a watt-hour."""

DAY = timedelta(days=1)


class FleetPrice(NamedTuple):
    """The fleet's default price of a kWh in the pack, and whether nobody set it."""

    per_kwh: float
    is_assumed: bool


@dataclass(frozen=True)
class Timeline:
    """A tariff over real time.

    Parameters
    ----------
    edges_s
        (n + 1,) instants, rising, seconds since 1970.
    elements
        The tariff's elements, m of them.
    in_force
        Per component (n,): number of the element in force, -1 where none is.
    """

    edges_s: FloatArray
    elements: Sequence[TariffElement]
    in_force: dict[str, NDArray[np.int64]]

    def rate(self, component: str) -> FloatArray:
        """(n,) price of a component in each stretch; 0 where no element names it."""
        prices = [getattr(element, component) or 0.0 for element in self.elements]
        rate: FloatArray = np.array([*prices, 0.0])[self.in_force[component]]
        return rate

    def rate_at(self, component: str, instant_s: FloatArray) -> FloatArray:
        """Price of a component in force at instants."""
        stretch = np.searchsorted(self.edges_s, instant_s, side="right") - 1
        price: FloatArray = self.rate(component)[stretch.clip(0, len(self.edges_s) - 2)]
        return price

    def integral(self, rate: FloatArray, from_s: FloatArray, to_s: FloatArray) -> FloatArray:
        """Rate times minutes between pairs of instants, signed."""
        running = np.concatenate([[0.0], np.cumsum(rate * np.diff(self.edges_s) / 60)])
        ends = [np.interp(instant_s, self.edges_s, running) for instant_s in (to_s, from_s)]
        between: FloatArray = ends[0] - ends[1]
        return between

    def time_cost(self, from_s: FloatArray, to_s: FloatArray) -> FloatArray:
        """What the charging minutes between pairs of instants cost, signed."""
        return self.integral(self.rate("per_minute"), from_s, to_s)

    def idle_cost(self, from_s: FloatArray, to_s: FloatArray) -> FloatArray:
        """What idling from one instant to another costs, each element after its own grace."""
        cost = np.zeros_like(from_s)
        for number, element in enumerate(self.elements):
            is_in_force = self.in_force["idle_per_minute"] == number
            if is_in_force.any():
                rate = np.where(is_in_force, element.idle_per_minute or 0.0, 0.0)
                paid_from_s = np.minimum(from_s + 60 * element.grace_min, to_s)
                cost += self.integral(rate, paid_from_s, to_s)
        return cost


def by_site(
    site_id: pl.Series, tariffs: Tariffs, zone: str, from_s: FloatArray, to_s: FloatArray
) -> list[tuple[NDArray[np.int64], Timeline]]:
    """Per site with elements: numbers of its rows, and its tariff over the time they span.

    Rows without both instants are left out.
    """
    found = []
    usable = ~(np.isnan(from_s) | np.isnan(to_s))
    for site in sorted(set(site_id.drop_nulls().to_list()) & set(tariffs)):
        rows = np.flatnonzero((site_id == site).fill_null(False).to_numpy() & usable)
        elements = tariffs[site]
        if isinstance(elements, OcpiTariff):  # `pipeline.ocpi_cost` sees to these
            continue
        if len(rows) and elements:
            span = from_s[rows].min(), to_s[rows].max()
            found.append((rows, timeline(elements, zone, *span)))
    return found


def timeline(elements: Sequence[TariffElement], zone: str, from_s: float, to_s: float) -> Timeline:
    """A tariff between two instants [s since 1970], its local times in the IANA zone named."""
    edges_s = _switches(elements, zone, from_s, to_s)
    middle = pl.Series((edges_s[:-1] + edges_s[1:]) / 2 * 1e6).cast(pl.Int64)
    local = middle.cast(pl.Datetime("us", "UTC")).dt.convert_time_zone(zone)
    day, weekday = local.dt.date(), local.dt.weekday().to_numpy()
    clock = local.dt.time()
    in_force = {}
    holds = [_holds(element, day, weekday, clock) for element in elements]
    for component in COMPONENTS:
        chosen = np.full(len(middle), -1)
        for number in reversed(range(len(elements))):
            if getattr(elements[number], component) is not None:
                chosen[holds[number]] = number
        in_force[component] = chosen
    return Timeline(edges_s, elements, in_force)


def _holds(
    element: TariffElement, day: pl.Series, weekday: NDArray[Any], clock: pl.Series
) -> NDArray[np.bool_]:
    """(n,) whether all restrictions of an element hold at local days and times."""
    holds = np.ones(len(day), dtype=np.bool_)
    after = None if element.from_time is None else (clock >= element.from_time).to_numpy()
    before = None if element.to_time is None else (clock < element.to_time).to_numpy()
    sides = [side for side in (after, before) if side is not None]
    if element.from_time and element.to_time is not None and element.to_time < element.from_time:
        holds &= np.logical_or.reduce(sides)
    elif sides:
        holds &= np.logical_and.reduce(sides)
    if element.days is not None:
        holds &= np.isin(weekday, [WEEKDAYS.index(name) + 1 for name in element.days])
    if element.valid_from is not None:
        holds &= (day >= element.valid_from).to_numpy()
    if element.valid_to is not None:
        holds &= (day < element.valid_to).to_numpy()
    return holds


def _switches(
    elements: Sequence[TariffElement], zone: str, from_s: float, to_s: float
) -> FloatArray:
    """Both ends, and all instants between at which another element may come into force."""
    first = datetime.fromtimestamp(from_s, UTC).date() - DAY
    last = datetime.fromtimestamp(to_s, UTC).date() + DAY
    days = pl.date_range(first, last, eager=True).cast(pl.Datetime("us"))
    times = {
        at
        for element in elements
        for at in (element.from_time, element.to_time)
        if at is not None
    }  # fmt: skip
    offsets = {
        timedelta(hours=at.hour, minutes=at.minute, seconds=at.second, microseconds=at.microsecond)
        for at in times
    } | {timedelta(0)}
    # A local time that comes twice is a switch both times; one that is skipped is none, but the
    # jump itself may be.
    instants = [_clock_changes(zone, from_s, to_s)]
    for offset in offsets:
        for fold in ("earliest", "latest"):
            switch = (days + offset).dt.replace_time_zone(
                zone,
                ambiguous=fold,
                non_existent="null",
            )
            instants.append(seconds(switch.drop_nulls()))
    inner = np.unique(np.concatenate(instants))
    inner = inner[(inner > from_s) & (inner < to_s)]
    return np.concatenate([[from_s], inner, [max(to_s, from_s + 1.0)]])


def _clock_changes(zone: str, from_s: float, to_s: float) -> FloatArray:
    """Instants at which the zone's clocks change, to the second."""
    info = ZoneInfo(zone)

    def offset(instant_s: float) -> timedelta | None:
        return datetime.fromtimestamp(instant_s, info).utcoffset()

    found = []
    for start in np.arange(np.floor(from_s), to_s + 86_400, 86_400):
        low, high = float(start), float(start) + 86_400
        before = offset(low)
        if before == offset(high):
            continue
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if offset(middle) == before else (low, middle)
        found.append(high)
    return np.array(found, dtype=np.float64)


def seconds(instants: pl.Series) -> FloatArray:
    """Seconds since 1970, NaN where null."""
    return floats(instants.dt.epoch("us").cast(pl.Float64) / 1e6)


def floats(values: pl.Series) -> FloatArray:
    """Numbers, NaN where null."""
    return values.cast(pl.Float64).fill_null(float("nan")).to_numpy()


def nullable(name: str, values: FloatArray) -> pl.Series:
    """A column in which what is not known is null."""
    return pl.Series(name, values, dtype=pl.Float64).fill_nan(None)

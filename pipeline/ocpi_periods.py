"""Parts of a session, and where another element of an OCPI tariff may come into force.

Pure arithmetic; `pipeline.ocpi_tariff` prices the parts.

References
----------
OCPI 2.2.1 and 2.3.0, mod_tariffs, TariffRestrictions.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from datetime import time as clock_time
from decimal import Decimal
from typing import Literal
from zoneinfo import ZoneInfo

from pipeline.ocpi_tariff_config import DAYS, OcpiTariff, Restrictions

Use = Literal["charging", "parking", "reservation", "reservation_expired"]
ZERO = Decimal(0)
_NANO = Decimal("1e-9")
_MICROSECOND = timedelta(microseconds=1)
_RESERVATIONS: dict[Use, tuple[str | None, ...]] = {
    "charging": (None,),
    "parking": (None,),
    "reservation": ("RESERVATION",),
    "reservation_expired": ("RESERVATION", "RESERVATION_EXPIRES"),
}


@dataclass(frozen=True)
class Period:
    """A part of a session at one use and one power.

    Parameters
    ----------
    use
        Charging, parking (at the plug without charging), or a reservation before the session.
    starts_at
        Instant.
    duration_s, energy_kwh
        Of this part; energy flows evenly.
    power_kw, current_a
        None where not known; an element restricted by it then does not hold.
    elapsed_s, before_kwh
        Of the session at the start; `price` counts them itself.
    """

    use: Use
    starts_at: datetime
    duration_s: Decimal
    energy_kwh: Decimal = ZERO
    power_kw: Decimal | None = None
    current_a: Decimal | None = None
    elapsed_s: Decimal = ZERO
    before_kwh: Decimal = ZERO


def holds(restrictions: Restrictions, period: Period, local: datetime) -> bool:
    """Do all restrictions hold at the start of a period?"""
    r = restrictions
    if r.reservation not in _RESERVATIONS[period.use]:
        return False
    if r.day_of_week and DAYS[local.weekday()] not in r.day_of_week:
        return False
    if r.start_date is not None and local.date() < r.start_date:
        return False
    if r.end_date is not None and local.date() >= r.end_date:
        return False
    if not _is_in_hours(r.start_time, r.end_time, local.time()):
        return False
    return (
        _is_in(period.before_kwh, r.min_kwh, r.max_kwh)
        and _is_in(period.elapsed_s, r.min_duration, r.max_duration)
        and _is_in(period.power_kw, r.min_power, r.max_power)
        and _is_in(period.current_a, r.min_current, r.max_current)
    )


def _is_in(value: Decimal | None, least: Decimal | None, below: Decimal | None) -> bool:
    if least is None and below is None:
        return True
    if value is None:
        return False
    return (least is None or value >= least) and (below is None or value < below)


def _is_in_hours(start: clock_time | None, end: clock_time | None, at: clock_time) -> bool:
    """Half-open; an end at or before the start runs past midnight."""
    begins, ends = start or clock_time(), end or clock_time()
    if begins < ends:
        return begins <= at < ends
    return at >= begins or at < ends


def split(tariff: OcpiTariff, period: Period, zone: ZoneInfo) -> Iterator[Period]:
    """A period cut wherever another element may come into force."""
    length = period.duration_s
    # Arithmetic on instants: within one zone Python would count by the clock on the wall.
    period = replace(period, starts_at=period.starts_at.astimezone(UTC))
    cuts = {ZERO}
    if length > 0:
        cuts.update(_cuts(tariff, period, zone))
    edges = sorted(cut for cut in cuts if 0 <= cut < length or cut == 0)
    for begin, end in zip(edges, [*edges[1:], length], strict=True):
        share = (end - begin) / length if length > 0 else Decimal(1)
        gone = begin / length if length > 0 else ZERO
        yield replace(
            period,
            starts_at=period.starts_at + timedelta(microseconds=int(begin * 1_000_000)),
            duration_s=end - begin,
            energy_kwh=period.energy_kwh * share,
            elapsed_s=period.elapsed_s + begin,
            # A limit reached by a third of the time must not be missed by the last decimal.
            before_kwh=(period.before_kwh + period.energy_kwh * gone).quantize(_NANO),
        )


def _cuts(tariff: OcpiTariff, period: Period, zone: ZoneInfo) -> Iterator[Decimal]:
    """Seconds after the period's start at which a restriction may begin or cease to hold."""
    durations_s, energies_kwh = tariff.limits
    for limit_s in durations_s:
        yield limit_s - period.elapsed_s
    if period.energy_kwh > 0:
        for limit_kwh in energies_kwh:
            yield (limit_kwh - period.before_kwh) / period.energy_kwh * period.duration_s
    if tariff.clock_times:
        day = period.starts_at.astimezone(zone).date()
        ends_at = period.starts_at + timedelta(seconds=float(period.duration_s))
        yield from _clock_changes(period.starts_at, ends_at, zone)
        while day <= ends_at.astimezone(zone).date():
            for at in tariff.clock_times:
                for fold in (0, 1):
                    moment = datetime.combine(day, at, zone).replace(fold=fold).astimezone(UTC)
                    yield Decimal((moment - period.starts_at) // _MICROSECOND) / 10**6
            day += timedelta(days=1)


def _clock_changes(starts_at: datetime, ends_at: datetime, zone: ZoneInfo) -> Iterator[Decimal]:
    """Seconds after the start at which the zone's clocks change, one a day at most."""
    low = starts_at
    while low < ends_at:
        high = min(low + timedelta(days=1), ends_at)
        before, following = low.astimezone(zone).utcoffset(), high
        if before != high.astimezone(zone).utcoffset():
            while high - low > timedelta(seconds=1):
                middle = low + (high - low) // 2
                is_before = middle.astimezone(zone).utcoffset() == before
                low, high = (middle, high) if is_before else (low, middle)
            # Clocks change on whole seconds.
            yield Decimal((high.replace(microsecond=0) - starts_at) // _MICROSECOND) / 10**6
        low = following

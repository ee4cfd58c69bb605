"""What a session costs by an OCPI tariff, exactly, in decimals. Pure arithmetic.

The standard's rules: per dimension the first element of the list counts that names it and whose
restrictions hold; where none does, it costs nothing. Blocks (``step_size``) are rounded up once
per session: energy on its total, by the last price in force; time on the total of whichever of
charging and parking was billed last, by that price. No rounding of money is set by the standard,
and none is done here.

References
----------
OCPI 2.2.1 and 2.3.0, mod_tariffs, with its worked examples, and mod_cdrs, section step_size.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import NamedTuple
from zoneinfo import ZoneInfo

from pipeline.ocpi_periods import ZERO, Period, holds, split
from pipeline.ocpi_tariff_config import (
    Dimension,
    OcpiTariff,
    PriceComponent,
    PriceLimit,
)

HOUR_S, WH_PER_KWH = Decimal(3600), Decimal(1000)
_TIME_OF: dict[str, Dimension] = {"charging": "TIME", "parking": "PARKING_TIME"}


class Line(NamedTuple):
    """One line of a bill: kWh, hours, or 1 for a flat fee; with the block rounded up in it."""

    dimension: Dimension
    is_reservation: bool
    component: PriceComponent
    quantity: Decimal

    @property
    def amount(self) -> Decimal:
        """As the tariff states prices: before taxes unless they are included."""
        return self.quantity * self.component.price


@dataclass(frozen=True)
class Bill:
    """Lines and totals; a total is None where the tariff does not say the tax."""

    lines: tuple[Line, ...]
    before_taxes: Decimal | None
    after_taxes: Decimal | None

    @property
    def cost(self) -> Decimal:
        """Before taxes where that is known, else what is paid."""
        known = self.before_taxes if self.before_taxes is not None else self.after_taxes
        return ZERO if known is None else known

    def part(self, dimension: Dimension) -> Decimal:
        """Sum of the lines of a dimension, as prices are stated, without limits."""
        return sum((line.amount for line in self.lines if line.dimension == dimension), ZERO)


def price(tariff: OcpiTariff, periods: Sequence[Period], zone: ZoneInfo) -> Bill:
    """The bill of one session.

    Parameters
    ----------
    periods
        In order of time; reservations first.
    zone
        Of the site, for its times of day and dates.
    """
    lines: list[Line] = []
    for is_reservation in (True, False):
        own = [p for p in periods if p.use.startswith("reservation") == is_reservation]
        lines += _billed(tariff, own, zone, is_reservation)
    before, after = _totals(tariff, lines)
    before, after = _limited(before, after, tariff.min_price, max)
    before, after = _limited(before, after, tariff.max_price, min)
    return Bill(tuple(lines), before, after)


def rate(
    tariff: OcpiTariff, dimension: Dimension, period: Period, zone: ZoneInfo
) -> PriceComponent | None:
    """The price of a dimension in force at the start of a period, None where none is."""
    local = period.starts_at.astimezone(zone)
    for restrictions, component in tariff.by_dimension[dimension]:
        if holds(restrictions, period, local):
            return component
    return None


def time_fee(tariff: OcpiTariff, dimension: Dimension, period: Period, zone: ZoneInfo) -> Decimal:
    """What the time of one period costs, by the second: without blocks."""
    fee = ZERO
    for part in split(tariff, period, zone):
        component = rate(tariff, dimension, part, zone)
        if component is not None:
            fee += component.price * part.duration_s / HOUR_S
    return fee


def _billed(
    tariff: OcpiTariff, periods: list[Period], zone: ZoneInfo, is_reservation: bool
) -> list[Line]:
    """Lines of a reservation or of a session, with the last blocks rounded up."""
    found: dict[Dimension, list[Line]] = {"ENERGY": [], "TIME": [], "PARKING_TIME": [], "FLAT": []}
    last_time: Dimension | None = None
    elapsed_s, before_kwh = ZERO, ZERO
    for period in periods:
        whole = replace(period, elapsed_s=elapsed_s, before_kwh=before_kwh)
        for part in split(tariff, whole, zone):
            flat = None if found["FLAT"] else rate(tariff, "FLAT", part, zone)
            if flat is not None:
                found["FLAT"].append(Line("FLAT", is_reservation, flat, Decimal(1)))
            if part.energy_kwh:
                _add(found["ENERGY"], "ENERGY", is_reservation, tariff, part, zone, part.energy_kwh)
            dimension = _TIME_OF.get(period.use, "TIME")
            hours = part.duration_s / HOUR_S
            if hours and _add(
                found[dimension], dimension, is_reservation, tariff, part, zone, hours
            ):
                last_time = dimension
        elapsed_s += period.duration_s
        before_kwh += period.energy_kwh
    _round_up(found["ENERGY"], WH_PER_KWH)
    if last_time is not None:
        _round_up(found[last_time], HOUR_S)
    return [line for lines in found.values() for line in lines]


def _add(
    lines: list[Line],
    dimension: Dimension,
    is_reservation: bool,
    tariff: OcpiTariff,
    part: Period,
    zone: ZoneInfo,
    quantity: Decimal,
) -> bool:
    component = rate(tariff, dimension, part, zone)
    if component is None:
        return False
    if lines and lines[-1].component is component:
        lines[-1] = lines[-1]._replace(quantity=lines[-1].quantity + quantity)
    else:
        lines.append(Line(dimension, is_reservation, component, quantity))
    return True


def _round_up(lines: list[Line], per_unit: Decimal) -> None:
    """Round the total up to whole blocks of the last price; what is added counts at that price."""
    if not lines:
        return
    total = sum((line.quantity for line in lines), ZERO) * per_unit
    # Hours are thirds and sixths of decimals: what is less than a millionth is no new block.
    total = total.quantize(Decimal("0.000001"))
    step = Decimal(max(lines[-1].component.step_size, 1))
    blocks = (total / step).to_integral_value("ROUND_CEILING")
    extra = (blocks * step - total) / per_unit
    lines[-1] = lines[-1]._replace(quantity=lines[-1].quantity + extra)


def _totals(tariff: OcpiTariff, lines: list[Line]) -> tuple[Decimal | None, Decimal | None]:
    """Before and after taxes. In 2.2.1 no ``vat`` means that none applies."""
    before: Decimal | None = ZERO
    after: Decimal | None = ZERO
    for line in lines:
        vat, amount = line.component.vat, line.amount
        if tariff.tax_included == "N/A" or (tariff.tax_included is None and vat is None):
            vat = ZERO
        factor = None if vat is None else 1 + vat / 100
        if amount == 0:
            factor = Decimal(1)
        is_included = tariff.tax_included == "YES"
        own_before = amount if not is_included else None if factor is None else amount / factor
        own_after = amount if is_included else None if factor is None else amount * factor
        before = None if before is None or own_before is None else before + own_before
        after = None if after is None or own_after is None else after + own_after
    return before, after


def _limited(
    before: Decimal | None,
    after: Decimal | None,
    limit: PriceLimit | None,
    choose: Callable[[Decimal, Decimal], Decimal],
) -> tuple[Decimal | None, Decimal | None]:
    """Totals held to the least or highest price; tax in proportion where the limit has none."""
    if limit is None:
        return before, after
    held = None if before is None else choose(before, limit.before_taxes)
    if after is None:
        return held, None
    if limit.after_taxes is not None:
        return held, choose(after, limit.after_taxes)
    if held is None or not before:
        return held, after
    return held, after * held / before

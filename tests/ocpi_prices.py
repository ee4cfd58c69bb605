"""Tariffs and sessions for tests of OCPI prices, in few words. Our own fixtures."""

from __future__ import annotations

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from pipeline.ocpi_periods import Period, Use
from pipeline.ocpi_tariff import Bill, price
from pipeline.ocpi_tariff_config import OcpiTariff

ZONE = ZoneInfo("Europe/Stockholm")
NINE = datetime(2026, 1, 12, 9, 0, tzinfo=ZONE)
"""A Monday morning, local time."""


def component(
    kind: str, each: float | str, vat: float | None = None, step: int = 1
) -> dict[str, Any]:
    """A price component; `each` is per kWh, per hour or once."""
    made: dict[str, Any] = {"type": kind, "price": Decimal(str(each)), "step_size": step}
    return made if vat is None else made | {"vat": Decimal(str(vat))}


def element(*components: dict[str, Any], **restrictions: Any) -> dict[str, Any]:
    """A tariff element."""
    made: dict[str, Any] = {"price_components": list(components)}
    return made | ({"restrictions": restrictions} if restrictions else {})


def tariff(*elements: dict[str, Any], **more: Any) -> OcpiTariff:
    """A tariff object, in euro unless said otherwise."""
    return OcpiTariff.model_validate(
        {"id": "T", "currency": "EUR", "elements": list(elements), **more}
    )


def period(
    use: Use,
    minutes: float,
    kwh: float | str = 0,
    power_kw: float | None = None,
    current_a: float | None = None,
) -> tuple[Use, float, float | str, float | None, float | None]:
    """A part of a session, without its start."""
    return use, minutes, kwh, power_kw, current_a


def bill(
    of: OcpiTariff,
    *parts: tuple[Use, float, float | str, float | None, float | None],
    at: datetime = NINE,
    zone: ZoneInfo = ZONE,
) -> Bill:
    """The bill of parts that follow one another from `at`."""
    periods = []
    second = int(at.timestamp())
    for use, minutes, kwh, power_kw, current_a in parts:
        length_s = round(minutes * 60)
        periods.append(
            Period(
                use,
                datetime.fromtimestamp(second, UTC),
                Decimal(length_s),
                Decimal(str(kwh)),
                None if power_kw is None else Decimal(str(power_kw)),
                None if current_a is None else Decimal(str(current_a)),
            )
        )
        second += length_s
    return price(of, periods, zone)


def cents(amount: Decimal | None) -> Decimal | None:
    """To the cent, half up; the standard itself rounds nothing."""
    return None if amount is None else amount.quantize(Decimal("0.01"), "ROUND_HALF_UP")

"""OCPI tariff objects, 2.2.1 and 2.3.0, as frozen models. Pure: no file is read here.

Keys that the standard has and a price does not need are passed over, and so are keys it does not
have, for operators add their own. A restriction that is not known is refused: without it a price
would count where it should not.

References
----------
OCPI 2.2.1 and 2.3.0, mod_tariffs: Tariff, TariffElement, PriceComponent, TariffRestrictions,
PriceLimit; types: DateTime (UTC where no offset is written), Price.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, time
from decimal import Decimal
from functools import cached_property
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AliasChoices,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

Dimension = Literal["ENERGY", "FLAT", "PARKING_TIME", "TIME"]
DIMENSIONS: tuple[Dimension, ...] = ("ENERGY", "FLAT", "PARKING_TIME", "TIME")
DAYS = ("MONDAY", "TUESDAY", "WEDNESDAY", "THURSDAY", "FRIDAY", "SATURDAY", "SUNDAY")
MAX_TARIFF_FILE_BYTES = 16 << 20


def _clock(value: Any) -> Any:
    if isinstance(value, str) and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        return time.fromisoformat(value)
    raise ValueError("not a time of day such as 22:00")


def _day(value: Any) -> Any:
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise ValueError("not a date such as 2026-04-01") from error


def _instant(value: Any) -> Any:
    try:
        moment = datetime.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise ValueError("not a date and time such as 2026-04-01T00:00:00Z") from error
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


Clock = Annotated[time, BeforeValidator(_clock)]
Day = Annotated[date, BeforeValidator(_day)]
Instant = Annotated[datetime, BeforeValidator(_instant)]
Number = Annotated[Decimal, Field(allow_inf_nan=False)]


class _Object(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", populate_by_name=True)


class PriceComponent(_Object):
    """One price: per kWh, per hour of charging or of parking, or once."""

    type: Dimension
    price: Number
    vat: Annotated[Number, Field(ge=0)] | None = None
    step_size: Annotated[int, Field(ge=0)] = 1


class Restrictions(_Object):
    """When an element holds; all of them at once. Times and days are local to the site."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    start_time: Clock | None = None
    end_time: Clock | None = None
    start_date: Day | None = None
    end_date: Day | None = None
    min_kwh: Number | None = None
    max_kwh: Number | None = None
    min_current: Number | None = None
    max_current: Number | None = None
    min_power: Number | None = None
    max_power: Number | None = None
    min_duration: Number | None = None
    max_duration: Number | None = None
    day_of_week: tuple[
        Literal["MONDAY", "TUESDAY", "WEDNESDAY", "THURSDAY", "FRIDAY", "SATURDAY", "SUNDAY"],
        ...,
    ] = ()
    reservation: Literal["RESERVATION", "RESERVATION_EXPIRES"] | None = None


class TariffElement(_Object):
    """Prices that hold under the same restrictions."""

    price_components: Annotated[tuple[PriceComponent, ...], Field(min_length=1)]
    restrictions: Restrictions = Restrictions()


class PriceLimit(_Object):
    """Least or highest sum of a session; the keys of 2.2.1 and of 2.3.0."""

    before_taxes: Number = Field(validation_alias=AliasChoices("before_taxes", "excl_vat"))
    after_taxes: Number | None = Field(
        None, validation_alias=AliasChoices("after_taxes", "incl_vat")
    )


class OcpiTariff(_Object):
    """A tariff object. Elements count in the order of the list, per dimension the first."""

    model_config = ConfigDict(frozen=True, extra="ignore", ignored_types=(cached_property,))

    id: Annotated[str, Field(min_length=1, max_length=36)]
    country_code: str = ""
    party_id: str = ""
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")]
    elements: Annotated[tuple[TariffElement, ...], Field(min_length=1)]
    min_price: PriceLimit | None = None
    max_price: PriceLimit | None = None
    tax_included: Literal["YES", "NO", "N/A"] | None = None
    start_date_time: Instant | None = None
    end_date_time: Instant | None = None

    @model_validator(mode="after")
    def _limits_leave_room(self) -> Self:
        least, most = self.min_price, self.max_price
        if least and most and least.before_taxes > most.before_taxes:
            raise ValueError("min_price is above max_price")
        return self

    def holds_at(self, moment: datetime) -> bool:
        """Is the tariff in force at an instant?"""
        return (self.start_date_time is None or moment >= self.start_date_time) and (
            self.end_date_time is None or moment < self.end_date_time
        )

    @cached_property
    def by_dimension(self) -> dict[Dimension, list[tuple[Restrictions, PriceComponent]]]:
        """Per dimension its prices with their restrictions, in the order in which they count."""
        return {
            dimension: [
                (element.restrictions, component)
                for element in self.elements
                for component in element.price_components
                if component.type == dimension
            ]
            for dimension in DIMENSIONS
        }

    @cached_property
    def clock_times(self) -> frozenset[time]:
        """Times of day at which another element may come into force; none where none depends."""
        all_of = [element.restrictions for element in self.elements]
        times = {at for r in all_of for at in (r.start_time, r.end_time) if at is not None}
        if times or any(r.day_of_week or r.start_date or r.end_date for r in all_of):
            times.add(time())
        return frozenset(times)

    @cached_property
    def limits(self) -> tuple[frozenset[Decimal], frozenset[Decimal]]:
        """Durations [s] and energies [kWh] at which another element may come into force."""
        all_of = [element.restrictions for element in self.elements]
        durations = {d for r in all_of for d in (r.min_duration, r.max_duration) if d is not None}
        energies = {kwh for r in all_of for kwh in (r.min_kwh, r.max_kwh) if kwh is not None}
        return frozenset(durations), frozenset(energies)

    @cached_property
    def needs_current(self) -> bool:
        """Does a price depend on current, which no export tells?"""
        return any(
            element.restrictions.min_current is not None
            or element.restrictions.max_current is not None
            for element in self.elements
        )


def tariffs_in(text: str) -> Iterator[OcpiTariff | str]:
    """The tariff objects of a JSON text: one, a list of them, or the envelope of a response.

    What cannot be read comes as a sentence that says where and why.
    """
    try:
        content = json.loads(text, parse_float=Decimal)
    except (json.JSONDecodeError, RecursionError) as error:
        yield f"is not JSON: {error}" if str(error) else "is nested too deeply"
        return
    if isinstance(content, dict) and "elements" not in content and "data" in content:
        content = content["data"]
    for number, found in enumerate(content if isinstance(content, list) else [content], 1):
        try:
            yield OcpiTariff.model_validate(found)
        except ValidationError as error:
            name = found.get("id") if isinstance(found, dict) else None
            for detail in error.errors(include_url=False):
                key = ".".join(str(part) for part in detail["loc"]) or "(whole object)"
                message = str(detail["msg"]).removeprefix("Value error, ")
                yield f"tariff {name or number}, key {key}: {message}"

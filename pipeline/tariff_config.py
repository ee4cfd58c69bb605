"""``[[sites.<id>.tariff]]``: what a charge at a site costs, as a list of elements.

A tariff has four components: energy, charging minutes, idle minutes, and a sum per session. For
each of them the first element of the list counts that names it and whose restrictions hold at
that moment; where none does, that component costs nothing. This is how charging tariffs are
exchanged in the trade (OCPI 2.2.1, mod_tariffs), without its billing steps, its restrictions by
power, current, energy or duration, its reservations, and its least and highest price. A tariff
that ends in a lid or is billed in steps is best brought in as invoiced sums with the sessions.
"""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from pipeline.source_config import Settings

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
COMPONENTS = ("energy_per_kwh", "per_minute", "idle_per_minute", "flat")


def _clock_time(value: Any) -> Any:
    """TOML's own local times, or text: a bare number would be read as seconds."""
    if isinstance(value, str):
        try:
            value = time.fromisoformat(value)
        except ValueError as error:
            raise ValueError('not a time of day; write 22:00:00 or "22:00"') from error
    if not isinstance(value, time):
        raise ValueError('not a time of day; write 22:00:00 or "22:00"')
    if value.tzinfo is not None:
        raise ValueError("is local time at the site and takes no offset")
    return value


def _calendar_day(value: Any) -> Any:
    """TOML's own local dates, or text: a bare number would be read as seconds since 1970."""
    if isinstance(value, str):
        try:
            value = date.fromisoformat(value)
        except ValueError as error:
            raise ValueError("not a date; write 2026-04-01") from error
    if not isinstance(value, date) or isinstance(value, datetime):
        raise ValueError("not a date; write 2026-04-01")
    return value


Price = Annotated[float, Field(ge=0)]
ClockTime = Annotated[time, BeforeValidator(_clock_time)]
CalendarDay = Annotated[date, BeforeValidator(_calendar_day)]


class TariffElement(Settings):
    """One element: up to four prices, and when they hold. All restrictions must hold at once.

    Prices are in the fleet's currency, with or without tax as the operator counts costs.
    """

    energy_per_kwh: Price | None = Field(None, description="Per kWh at the charger's meter.")
    per_minute: Price | None = Field(None, description="Per minute while the vehicle charges.")
    idle_per_minute: Price | None = Field(
        None, description="Per minute at the plug without charging."
    )
    grace_min: Price = Field(
        0.0, description="Idle minutes of a session that this element leaves free."
    )
    flat: Price | None = Field(None, description="Once per session, by the moment of plug-in.")
    from_time: ClockTime | None = Field(
        None, description="Local time from which it holds; midnight where only to_time is given."
    )
    to_time: ClockTime | None = Field(
        None,
        description="Local time at which it ends, exclusive; earlier than from_time where it runs "
        "past midnight; midnight where only from_time is given.",
    )
    days: Annotated[tuple[Weekday, ...], Field(min_length=1)] | None = Field(
        None, description="Days of the week, by the local date of each moment; all by default."
    )
    valid_from: CalendarDay | None = Field(None, description="First local day on which it holds.")
    valid_to: CalendarDay | None = Field(
        None, description="Local day from which it no longer holds."
    )

    @model_validator(mode="after")
    def _has_a_price_and_can_hold(self) -> Self:
        if all(getattr(self, name) is None for name in COMPONENTS):
            raise ValueError(f"names no price; give at least one of {', '.join(COMPONENTS)}")
        if "grace_min" in self.model_fields_set and self.idle_per_minute is None:
            raise ValueError("grace_min needs idle_per_minute beside it")
        if (self.from_time or time()) == (self.to_time or time()) and (
            self.from_time is not None or self.to_time is not None
        ):
            raise ValueError(
                "from_time and to_time are the same; leave both out where it holds all day"
            )
        if (
            self.valid_from is not None
            and self.valid_to is not None
            and self.valid_to <= self.valid_from
        ):
            raise ValueError("valid_to must be later than valid_from: it is the first day without")
        return self

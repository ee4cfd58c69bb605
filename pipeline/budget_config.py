"""What a fleet folder says about budgets: its weather series and its scenarios.

Apart from `pipeline.budget`, so that reading the configuration needs no numerical library.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from pipeline.source_config import Identifier, Settings, Zone

Warming = Literal["as_today", "everyone", "nobody", "target"]
MOST_SCENARIOS_N = 12


class WeatherFile(Settings):
    """How a CSV of outside temperature is laid out.

    The time column holds an instant with offset, a local time in ``zone``, or a date.
    """

    time_column: str = Field("", max_length=200, description="By default the first.")
    temperature_column: str = Field("", max_length=200, description="By default the second.")
    unit: Literal["degc", "degf", "kelvin"] = "degc"
    time_format: str | None = Field(None, description="strftime; ISO 8601 without it.")
    zone: Zone | None = Field(None, description="Of local times without offset.")
    steps: Literal["hourly", "daily"] | None = Field(
        None, description="By default daily where times are dates of ten letters."
    )
    separator: str = Field(",", min_length=1, max_length=1)
    decimal_comma: bool = False
    missing: tuple[str, ...] = ("", "NA", "NaN", "-9999", "9999", "99.9")

    @model_validator(mode="after")
    def _separators_differ(self) -> Self:
        if self.decimal_comma and self.separator == ",":
            raise ValueError("separator and decimal mark cannot both be a comma")
        return self


class WeatherSettings(WeatherFile):
    """``[weather]`` of ``fleet.toml``: outside temperature of past years, for budgets."""

    file: str = Field(
        min_length=1, max_length=400, description="CSV or EPW, relative to the fleet folder."
    )


class Scenario(Settings):
    """One ``[[scenario]]``; what is not said stays as today."""

    name: str = Field(min_length=1, max_length=60)
    warming: Warming = "as_today"
    target_hit_rate: Annotated[float, Field(ge=0, le=1)] | None = Field(
        None, description="Share of stops that need warming and arrive warm, for warming = target."
    )
    price_per_kwh: Annotated[float, Field(ge=0, le=100)] | None = Field(
        None, description="Of the energy in the pack, at every site."
    )
    fleet_size: Annotated[int, Field(ge=1, le=100_000)] | None = Field(
        None, description="Vehicles; those added or given up are like the others."
    )
    mileage_growth_rate: float = Field(
        0.0, ge=-0.95, le=10, description="0.1 for a tenth more kilometres, hence stops."
    )
    vehicle_model: Identifier | None = Field(
        None, description="Every vehicle is of this model of models.toml."
    )
    starts_earlier_min: float = Field(0.0, ge=0, le=120, description="Where the drive allows.")
    winter_shift_kelvin: float = Field(
        0.0, ge=-30, le=30, description="Below 0 for a colder winter."
    )

    @model_validator(mode="after")
    def _a_target_is_told(self) -> Self:
        if (self.warming == "target") != (self.target_hit_rate is not None):
            raise ValueError("warming = 'target' and target_hit_rate go together")
        return self

    def volume(self, vehicles_n: int) -> float:
        """Stops against today's."""
        size = 1.0 if self.fleet_size is None else self.fleet_size / vehicles_n
        return size * (1 + self.mileage_growth_rate)

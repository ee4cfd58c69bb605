"""Models, vehicles, sites and drivers of a fleet: one table of TOML each, as frozen models."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from pipeline.config_numbers import NotNegative, Positive, SocPct
from pipeline.source_config import Identifier, Settings
from pipeline.tariff_config import TariffElement

VehicleUse = Literal["delivery", "rental", "other"]


def _rising_curve(curve: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    socs = [soc for soc, _ in curve]
    if len(curve) < 2:
        raise ValueError("needs at least two points [soc_pct, power_kw]")
    if socs != sorted(set(socs)) or socs[0] < 0 or socs[-1] > 100:
        raise ValueError("the soc_pct of the points must rise strictly and lie in 0 to 100")
    if any(power <= 0 for _, power in curve):
        raise ValueError("every power_kw must be above 0")
    return curve


def _rising_limit(limit: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    """At least two points, temperature rising, values positive and not falling."""
    temps = [point[0] for point in limit]
    values = [point[1] for point in limit]
    if len(limit) < 2 or any(b <= a for a, b in pairwise(temps)):
        raise ValueError("give at least two points [degC, value], temperature rising")
    if min(values) <= 0 or any(b < a for a, b in pairwise(values)):
        raise ValueError("values must be positive and must not fall as it gets warmer")
    return limit


class VehicleModel(Settings):
    """One table ``[models.<id>]`` of ``models.toml``."""

    name: str = ""
    usable_kwh: Positive | None = None
    warm_curve: Annotated[tuple[tuple[float, float], ...], AfterValidator(_rising_curve)] | None = (
        Field(None, description="Points [soc_pct, power_kw] a warm pack takes, linear between.")
    )
    cold_limit: Annotated[tuple[tuple[float, float], ...], AfterValidator(_rising_limit)] | None = (
        Field(
            None,
            description="Points [coldest cell in degC, value] until the fleet's own charges tell: "
            "a factor on the warm curve, or a ceiling in kW per kWh of usable capacity.",
        )
    )
    cold_limit_form: Literal["factor", "ceiling"] = "factor"
    warm_threshold_degc: float = Field(21.0, ge=-20, le=60, description="T*, coldest cell.")
    warm_tolerance_kelvin: NotNegative = 0.5
    heater_power_kw: Positive = 5.0
    warming_cutoff_soc_pct: SocPct = 20.0
    min_lead_min: NotNegative = Field(
        5.0, description="Least time before arrival at which the vehicle still begins to warm."
    )
    ac_max_kw: Positive = 22.0
    can_warm: bool = True
    km_per_kwh: Positive | None = Field(
        None, description="Used for the range given up where the odometer is not exported."
    )


class UseSpan(Settings):
    """A time span in which a vehicle had another use. Local time unless an offset is given."""

    from_: datetime = Field(alias="from")
    to: datetime
    use: VehicleUse

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Self:
        if self.to <= self.from_:
            raise ValueError("'to' must be later than 'from'")
        return self


class Vehicle(Settings):
    """One table ``[vehicles.<id>]`` of ``vehicles.toml``."""

    name: str = ""
    model: Identifier | None = None
    depot: str = ""
    use: VehicleUse = "delivery"
    can_warm: bool | None = Field(None, description="Overrides the model.")
    is_parked_indoors: bool = Field(
        False, description="Then a pack warmer than outside after a night proves nothing."
    )
    default_site: Identifier | None = Field(
        None, description="Site of this vehicle's charges where no position says otherwise."
    )
    spans: tuple[UseSpan, ...] = ()


class Site(Settings):
    """One table ``[sites.<id>]`` of ``sites.toml``."""

    name: str = ""
    latitude_deg: float | None = Field(None, ge=-90, le=90)
    longitude_deg: float | None = Field(None, ge=-180, le=180)
    radius_m: Positive = 150.0
    power_kw: Positive | None = Field(None, description="Rating of one outlet.")
    mode: Literal["ac", "dc", "mixed"] = "mixed"
    aliases: tuple[str, ...] = Field((), description="Other spellings in the exports.")
    chargers: tuple[Identifier, ...] = Field(
        (), description="Chargers of this site, as their OCPP logs name them."
    )
    tariff: tuple[TariffElement, ...] = Field(
        (), description="Per component the first element that holds counts; none costs nothing."
    )
    ocpi_tariff: Identifier | None = Field(
        None, description="Id of an OCPI tariff object in the folder tariffs/, in its place."
    )

    @model_validator(mode="after")
    def _one_tariff(self) -> Self:
        if self.tariff and self.ocpi_tariff is not None:
            raise ValueError("give tariff or ocpi_tariff, not both")
        return self

    @model_validator(mode="after")
    def _position_is_whole(self) -> Self:
        if (self.latitude_deg is None) != (self.longitude_deg is None):
            raise ValueError("give both latitude_deg and longitude_deg, or neither")
        return self


class Driver(Settings):
    """One table ``[drivers.<id>]`` of ``drivers.toml``."""

    name: str = ""
    aliases: tuple[str, ...] = ()
    language: Literal["en", "de", "fr", "nb", "es"] | None = Field(
        None, description="Language of the driver's own sheet; by default the fleet's."
    )


class ModelsFile(Settings):
    """``models.toml``."""

    models: dict[Identifier, VehicleModel] = Field(default_factory=dict)


class VehiclesFile(Settings):
    """``vehicles.toml``."""

    vehicles: dict[Identifier, Vehicle] = Field(default_factory=dict)


class SitesFile(Settings):
    """``sites.toml``."""

    sites: dict[Identifier, Site] = Field(default_factory=dict)


class DriversFile(Settings):
    """``drivers.toml``."""

    drivers: dict[Identifier, Driver] = Field(default_factory=dict)

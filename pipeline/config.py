"""The fleet folder, read into frozen models; unknown keys are refused.

Only ``fleet.toml`` is required. Everything that is not set takes a default, and a default that
is used is remembered (`model_fields_set`), so that a report can say what share of its figures
rests on assumptions.
"""

from __future__ import annotations

import hashlib
import tomllib
from datetime import date, datetime
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar
from zoneinfo import ZoneInfo

from pydantic import (
    AfterValidator,
    BaseModel,
    Field,
    ValidationError,
    model_validator,
)

from pipeline.budget_config import MOST_SCENARIOS_N, Scenario, WeatherSettings
from pipeline.card_config import Card, CardsFile
from pipeline.look_config import Look
from pipeline.ocpi_tariff_config import OcpiTariff
from pipeline.ocpi_tariff_files import read_tariffs, tariff_problems
from pipeline.problems import ColdMinutesError, Problem
from pipeline.source_config import Identifier, Settings, Source, Zone
from pipeline.tariff_config import TariffElement


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


Fraction = Annotated[float, Field(ge=0, le=1)]
SocPct = Annotated[float, Field(ge=0, le=100)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
VehicleUse = Literal["delivery", "rental", "other"]
DriverAnalysis = Literal["off", "totals", "pseudonyms", "names"]


T = TypeVar("T", bound=Settings)


class DisplayUnits(Settings):
    """Units in print; inside, units never change."""

    temperature: Literal["degc", "degf"] = "degc"
    distance: Literal["km", "mi"] = "km"


class Privacy(Settings):
    """How much is said about drivers. Check your local law before raising the level."""

    driver_analysis: DriverAnalysis = "off"
    purpose: str = Field(
        "", description="Recorded purpose; required for names and for findings about a person."
    )
    agreed_on: date | None = Field(
        None, description="Day on which staff or works council agreed; required as is the purpose."
    )
    agreement: str = Field(
        "", max_length=1000, description="What was agreed, with whom, where it is kept; likewise."
    )
    keep_positions: bool = Field(
        False, description="Keep where vehicles drove, not only where they charged."
    )
    key_file: Path | None = Field(
        None,
        description="File with the keys of the pseudonyms, outside the fleet folder; "
        "COLDMINUTES_PEOPLE_KEY takes its place.",
    )

    @property
    def missing_record(self) -> tuple[str, ...]:
        """Keys that have to be filled in before anything is said about a single person."""
        told = {
            "purpose": self.purpose.strip(),
            "agreed_on": self.agreed_on,
            "agreement": self.agreement.strip(),
        }
        return tuple(key for key, value in told.items() if not value)

    @model_validator(mode="after")
    def _names_need_a_record(self) -> Self:
        if self.driver_analysis == "names" and self.missing_record:
            raise ValueError(
                "driver_analysis = 'names' needs a recorded purpose, date and agreement; add "
                + ", ".join(f"{key} = ..." for key in self.missing_record)
                + ' (as in purpose = "coaching", agreed_on = 2026-01-05, '
                'agreement = "works agreement no. 3, kept in the office")'
            )
        return self


class Retention(Settings):
    """How long data are kept; `coldminutes retain` holds to it. Whole weeks, computed ones only."""

    samples_months: Annotated[int, Field(ge=3, le=240)] = Field(
        24, description="Samples, destinations and chargers' logs; results of a week stay."
    )
    people_months: Annotated[int, Field(ge=1, le=240)] = Field(
        13, description="Who had which vehicle, and findings about people."
    )
    rentals_days: Annotated[int, Field(ge=7, le=3660)] = Field(
        35, description="When a rental began and ended."
    )
    positions_days: Annotated[int, Field(ge=7, le=3660)] = Field(
        14, description="Where vehicles drove, unless privacy.keep_positions."
    )
    quarantine_months: Annotated[int, Field(ge=1, le=240)] = Field(
        6, description="Rows set aside, put right or replaced, as they stood in the export."
    )
    editions_months: Annotated[int, Field(ge=1, le=240)] = Field(
        36, description="Reports and their tables; pages of drivers only for people_months."
    )
    delete_inbox_files: bool = Field(
        False, description="Delete exports whose rows are past their time; else they are listed."
    )


class Limits(Settings):
    """What one run may use of the machine."""

    memory_gb: Positive = 1.5
    threads: Annotated[int, Field(ge=1, le=256)] | None = None
    temp_gb: Positive = 20.0
    max_file_gb: Positive = 8.0


class FleetSettings(Settings):
    """``fleet.toml``."""

    operator: str = Field(min_length=1, max_length=200)
    time_zone: Zone
    currency: str = Field("EUR", pattern=r"^[A-Z]{3}$", description="ISO 4217 code.")
    energy_price_per_kwh: NotNegative = Field(
        0.40, description="Price of the energy in the pack where no tariff is known."
    )
    driver_value_per_hour: NotNegative = Field(
        0.0, description="What an hour of a driver's time is worth; 0 values no time."
    )
    target_hit_rate: Fraction | None = Field(
        None, description="Policy target for the warming hit rate."
    )
    lead_window_min: Positive = 30.0
    expected_saving_min: NotNegative = Field(
        3.0, description="Net minutes that warming must save to be expected at a stop."
    )
    min_session_kwh: NotNegative = 0.5
    vss_version: Annotated[int, Field(ge=1, le=99)] | None = Field(
        None, description="Version of COVESA VSS exports that do not say it themselves; 6 assumed."
    )
    language: Literal["en", "de", "fr", "nb", "es"] = Field(
        "en", description="Language of the documents."
    )
    units: DisplayUnits = DisplayUnits()
    privacy: Privacy = Privacy()
    retention: Retention = Retention()
    limits: Limits = Limits()
    look: Look = Look()
    weather: WeatherSettings | None = Field(
        None, description="Outside temperature of past years, for budgets."
    )
    scenario: Annotated[tuple[Scenario, ...], Field(max_length=MOST_SCENARIOS_N)] = Field(
        (), description="Further scenarios of every budget."
    )

    @model_validator(mode="after")
    def _scenarios_differ(self) -> Self:
        names = [scenario.name for scenario in self.scenario]
        if len(set(names)) < len(names):
            raise ValueError("two scenarios have one name")
        return self


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


SCHEMAS: dict[str, type[Settings]] = {
    "fleet": FleetSettings,
    "models": ModelsFile,
    "vehicles": VehiclesFile,
    "sites": SitesFile,
    "drivers": DriversFile,
    "cards": CardsFile,
    "source": Source,
}


class Fleet(Settings):
    """A fleet folder, read and checked as a whole."""

    folder: Path
    settings: FleetSettings
    models: dict[str, VehicleModel]
    vehicles: dict[str, Vehicle]
    sites: dict[str, Site]
    drivers: dict[str, Driver]
    cards: dict[str, Card] = Field(default_factory=dict)
    ocpi_tariffs: dict[str, OcpiTariff] = Field(default_factory=dict)
    sources: dict[str, Source]
    fingerprint: str = Field(description="Hash of all that changes a computed figure.")

    @property
    def inbox(self) -> Path:
        """Folder into which exports are dropped."""
        return self.folder / "inbox"

    @property
    def state(self) -> Path:
        """Folder of the warehouse and the log of commands; never holds a report or a key."""
        return self.folder / ".coldminutes"

    @property
    def zone(self) -> ZoneInfo:
        """The fleet's zone, for cutting weeks and for print."""
        return ZoneInfo(self.settings.time_zone)


def load_fleet(folder: Path) -> Fleet:
    """Read and check a fleet folder.

    Raises
    ------
    ColdMinutesError
        With every problem found in every file, each with file, key and remedy.
    """
    folder = folder.resolve()
    problems: list[Problem] = []
    if not (folder / "fleet.toml").is_file():
        raise ColdMinutesError(
            [
                Problem(
                    "CONFIG-01",
                    "stop",
                    str(folder),
                    "this folder holds no fleet.toml, so it is not a fleet folder",
                    "Name the folder that holds fleet.toml, or make one: at least operator and "
                    "time_zone. `coldminutes demo` writes an example to look at.",
                )
            ]
        )
    settings = _read(folder / "fleet.toml", FleetSettings, problems)
    models = _read(folder / "models.toml", ModelsFile, problems)
    vehicles = _read(folder / "vehicles.toml", VehiclesFile, problems)
    sites = _read(folder / "sites.toml", SitesFile, problems)
    drivers = _read(folder / "drivers.toml", DriversFile, problems)
    cards = _read(folder / "cards.toml", CardsFile, problems)
    ocpi_tariffs = read_tariffs(folder / "tariffs", problems)
    sources = {
        path.stem: _read(path, Source, problems)
        for path in sorted((folder / "sources").glob("*.toml"))
    }
    if vehicles and models and sites:
        problems += _references(vehicles, models, sites)
    if settings and sites:
        named = {site_id: site.ocpi_tariff for site_id, site in sites.sites.items()}
        problems += tariff_problems(named, ocpi_tariffs, settings.currency)
    if problems or not (settings and models and vehicles and sites and drivers and cards):
        raise ColdMinutesError(problems)
    found_sources = {name: source for name, source in sources.items() if source is not None}
    computed = (
        settings.model_dump_json(
            exclude={
                "operator",
                "language",
                "units",
                "limits",
                "privacy",
                "retention",
                "vss_version",
                "look",
                "weather",
                "scenario",
            }
        )
        + models.model_dump_json()
        + vehicles.model_dump_json()
        + sites.model_dump_json()
        + "".join(tariff.model_dump_json() for _, tariff in sorted(ocpi_tariffs.items()))
    )
    return Fleet(
        folder=folder,
        settings=settings,
        models=models.models,
        vehicles=vehicles.vehicles,
        sites=sites.sites,
        drivers=drivers.drivers,
        cards=cards.cards,
        ocpi_tariffs=ocpi_tariffs,
        sources=found_sources,
        fingerprint=hashlib.sha256(computed.encode()).hexdigest()[:16],
    )


def _read(path: Path, kind: type[T], problems: list[Problem]) -> T | None:
    """One file; a missing optional file is the empty table. Problems are appended."""
    table: dict[str, Any] = {}
    if path.exists():
        try:
            table = tomllib.loads(path.read_text(encoding="utf-8"))
        except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
            problems.append(
                Problem(
                    "CONFIG-02",
                    "stop",
                    path.name,
                    f"cannot be read as TOML: {error}",
                    "Mend the line named; strings need quotes, and the file must be UTF-8.",
                )
            )
            return None
    try:
        return kind.model_validate(table)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            problems.append(_as_problem(path, kind, detail))
        return None


def _as_problem(path: Path, kind: type[Settings], detail: Any) -> Problem:
    key = ".".join(str(part) for part in detail["loc"]) or "(whole file)"
    got = detail.get("input")
    message = str(detail["msg"]).removeprefix("Value error, ")
    remedy = f"Mend the key {key}."
    if detail["type"] == "extra_forbidden":
        message = "this key is not known here"
        allowed = f"coldminutes schema {_schema_name(kind)}"
        remedy = f"Remove or rename it; `{allowed}` prints what is allowed."
    elif detail["type"] == "missing":
        message = "this key is required"
        remedy = f"Add {key} = ..."
    elif not isinstance(got, dict | BaseModel):
        message = f"{message} (got {got!r:.80})"
    where = f"sources/{path.name}" if kind is Source else path.name
    return Problem("CONFIG-03", "stop", f"{where}, key {key}", message, remedy)


def _schema_name(kind: type[Settings]) -> str:
    return next(name for name, known in SCHEMAS.items() if known is kind)


def _references(vehicles: VehiclesFile, models: ModelsFile, sites: SitesFile) -> list[Problem]:
    problems = []
    for vehicle_id, vehicle in vehicles.vehicles.items():
        if vehicle.model is not None and vehicle.model not in models.models:
            problems.append(
                Problem(
                    "CONFIG-04",
                    "stop",
                    f"vehicles.toml, key vehicles.{vehicle_id}.model",
                    f"got '{vehicle.model}', expected one of: {_names(models.models)}",
                    "Add that model to models.toml, or mend the name.",
                )
            )
        if vehicle.default_site is not None and vehicle.default_site not in sites.sites:
            problems.append(
                Problem(
                    "CONFIG-04",
                    "stop",
                    f"vehicles.toml, key vehicles.{vehicle_id}.default_site",
                    f"got '{vehicle.default_site}', expected one of: {_names(sites.sites)}",
                    "Add that site to sites.toml, or mend the name.",
                )
            )
    return problems


def _names(table: dict[str, Any]) -> str:
    return ", ".join(sorted(table)) or "(none are configured)"

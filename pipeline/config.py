"""The fleet folder, read into frozen models; unknown keys are refused.

Only ``fleet.toml`` is required. Everything that is not set takes a default, and a default that
is used is remembered (`model_fields_set`), so that a report can say what share of its figures
rests on assumptions.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from pydantic import BaseModel, Field, ValidationError

from pipeline.card_config import Card, CardsFile
from pipeline.events_config import event_problems
from pipeline.fleet_entries import (
    Driver,
    DriversFile,
    ModelsFile,
    Site,
    SitesFile,
    Vehicle,
    VehicleModel,
    VehiclesFile,
)
from pipeline.fleet_settings import FleetSettings, Limits
from pipeline.ocpi_tariff_config import OcpiTariff
from pipeline.ocpi_tariff_files import read_tariffs, tariff_problems
from pipeline.problems import ColdMinutesError, Problem
from pipeline.source_config import Settings, Source

__all__ = [
    "SCHEMAS",
    "Fleet",
    "FleetSettings",
    "Limits",
    "Vehicle",
    "VehicleModel",
    "load_fleet",
]

T = TypeVar("T", bound=Settings)
_SECRET = re.compile(r"\b(secret|password)\b|not what it holds")
"""Where a value is refused because it holds one, it is not printed either."""

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
    if settings and vehicles and sites:
        problems += event_problems(settings.events, vehicles.vehicles, sites.sites)
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
                "backup",
                "heartbeat",
                "notify",
                "events",
                "mail",
                "deliver",
                "schedule",
                "archive",
                "fetch",
                "weather",
                "scenario",
                "scale",
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
    elif not isinstance(got, dict | BaseModel) and not _SECRET.search(message):
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

"""Names that the fleet knows: of vehicles in file names, of places and drivers in cells."""

from __future__ import annotations

import re

from pipeline.config import Fleet
from pipeline.ingest.refusals import refusal
from pipeline.source_config import Source


def fixed_vehicle(source: Source, name: str, bare_name: str, source_id: str) -> str | None:
    """The one vehicle that a whole file is about; None where a column tells.

    Raises
    ------
    ColdMinutesError
        INGEST-11, when the file's name does not hold it.
    """
    if source.vehicle.file_name is None:
        return source.vehicle.value
    found = re.search(source.vehicle.file_name, bare_name)
    if found is None or found.group(1) is None:
        raise refusal(
            "INGEST-11",
            name,
            f"its name does not hold a vehicle as '{source.vehicle.file_name}' wants it",
            f"Rename the file, or mend vehicle.file_name in sources/{source_id}.toml.",
        )
    return found.group(1)


def known_words(fleet: Fleet) -> dict[str, dict[str, str]]:
    """Signal -> lower-case spelling -> id, for places and drivers that the fleet names."""
    sites: dict[str, str] = {}
    for site_id, site in fleet.sites.items():
        for word in (site_id, site.name, *site.aliases):
            sites.setdefault(word.strip().lower(), site_id)
    drivers: dict[str, str] = {}
    for driver_id, driver in fleet.drivers.items():
        for word in (driver_id, driver.name, *driver.aliases):
            drivers.setdefault(word.strip().lower(), driver_id)
    return {
        "site_id": {word: site for word, site in sites.items() if word},
        "driver_id": {word: driver for word, driver in drivers.items() if word},
    }

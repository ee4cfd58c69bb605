"""The fleet's prices as the tariff arithmetic wants them."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.config import Fleet
from pipeline.ocpi_tariff_config import OcpiTariff
from pipeline.tariff_config import TariffElement
from pipeline.tariffs import FleetPrice, Tariffs


def fleet_price(fleet: Fleet) -> FleetPrice:
    """The fleet's default price of a kWh in the pack, and whether nobody set it."""
    settings = fleet.settings
    return FleetPrice(
        settings.energy_price_per_kwh, "energy_price_per_kwh" not in settings.model_fields_set
    )


def tariffs_of(fleet: Fleet) -> Tariffs:
    """Tariff elements, or an OCPI tariff, by site, for sites that have any."""
    own: dict[str, Sequence[TariffElement] | OcpiTariff] = {
        name: site.tariff for name, site in fleet.sites.items() if site.tariff
    }
    return own | {
        name: fleet.ocpi_tariffs[site.ocpi_tariff]
        for name, site in fleet.sites.items()
        if site.ocpi_tariff is not None
    }

"""What may be said about a driver, and under which name.

Pseudonyms are a keyed one-way function of the driver's id (HMAC-SHA-256), the same in every run
as long as the key is; where the key lies is told in `pipeline.people.keys`. Pseudonymised data
stay personal data: see the README.

References
----------
EDPB Guidelines 01/2025 on pseudonymisation (consultation version of 16 January 2025).
"""

from __future__ import annotations

import polars as pl

from pipeline.config import Fleet
from pipeline.people.keys import key_ring, pseudonym

UNASSIGNED = "unassigned"
ALL_DRIVERS = "all drivers"


def driver_labels(fleet: Fleet, driver_ids: list[str]) -> pl.DataFrame:
    """Name under which each driver may appear, by the fleet's level of driver analysis and record.

    Returns
    -------
    table with ``driver_id, driver_label``
        Empty at the levels ``off`` and ``totals``.
    """
    level = fleet.settings.privacy.shown_level
    labels: dict[str, str] = {}
    if level == "pseudonyms" and driver_ids:
        key = key_ring(fleet)[0]
        labels = {driver_id: pseudonym(key, driver_id) for driver_id in driver_ids}
    elif level == "names":
        known = fleet.drivers
        labels = {
            driver_id: (known[driver_id].name if driver_id in known else "") or driver_id
            for driver_id in driver_ids
        }
    return pl.DataFrame(
        {"driver_id": list(labels), "driver_label": list(labels.values())},
        schema={"driver_id": pl.String, "driver_label": pl.String},
    )

"""What may be said about a driver, and under which name.

Pseudonyms are a keyed one-way function of the driver's id (HMAC-SHA-256); the key lies in the
fleet's state folder, never in a report. Pseudonymised data stay personal data: see the README.

References
----------
EDPB Guidelines 01/2025 on pseudonymisation (consultation version of 16 January 2025).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
from pathlib import Path

import polars as pl

from pipeline.config import Fleet

UNASSIGNED = "unassigned"
ALL_DRIVERS = "all drivers"


def driver_labels(fleet: Fleet, driver_ids: list[str]) -> pl.DataFrame:
    """Name under which each driver may appear, by the fleet's level of driver analysis.

    Returns
    -------
    table with ``driver_id, driver_label``
        Empty at the levels ``off`` and ``totals``.
    """
    level = fleet.settings.privacy.driver_analysis
    labels: dict[str, str] = {}
    if level == "pseudonyms" and driver_ids:
        key = _key(fleet.state / "pseudonym.key")
        labels = {driver_id: _pseudonym(key, driver_id) for driver_id in driver_ids}
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


def _pseudonym(key: bytes, driver_id: str) -> str:
    digest = hmac.new(key, driver_id.encode(), hashlib.sha256).digest()
    return f"driver {base64.b32encode(digest).decode()[:6]}"


def _key(path: Path) -> bytes:
    """The fleet's key, made on first use, readable by its owner only."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(32))
    return path.read_bytes()

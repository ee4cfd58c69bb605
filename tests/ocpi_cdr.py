"""Charge detail records for tests: our own objects, after OCPI 2.2.1 and 2.3.0."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

START = datetime(2026, 1, 12, 9, 0, tzinfo=UTC)

SOURCE = """
kind = "ocpi_cdrs"
files = ["cdrs*"]
"""

CARDS = """
[cards.one]
token = "04A1B2C3"
vehicle = "van_1"
[cards.two]
token = "DE-ZZZ-C2"
vehicle = "van_2"
"""

SITES = """
[sites.harbour]
name = "Harbour"
latitude_deg = 57.70
longitude_deg = 11.95
aliases = ["SE*ZZZ*E100*1"]
"""


def cdr(number: int = 1, **changes: Any) -> dict[str, Any]:
    """One record of 2.2.1: 20 kWh in 40 min, 30 of them charging; `changes` by dotted name.

    A value of ``...`` removes the key.
    """
    start = START + timedelta(hours=number)
    record: dict[str, Any] = {
        "country_code": "SE",
        "party_id": "ZZZ",
        "id": f"cdr-{number}",
        "start_date_time": f"{start:%Y-%m-%dT%H:%M:%S}Z",
        "end_date_time": f"{start + timedelta(minutes=40):%Y-%m-%dT%H:%M:%S}Z",
        "cdr_token": {
            "country_code": "SE",
            "party_id": "ZZZ",
            "uid": "04A1B2C3",
            "type": "RFID",
            "contract_id": "SE-ZZZ-C1",
        },
        "auth_method": "WHITELIST",
        "cdr_location": {
            "id": "LOC-7",
            "name": "Quay 7",
            "address": "Quay 7",
            "city": "Skarnby",
            "country": "SWE",
            "coordinates": {"latitude": "57.7001", "longitude": "11.9502"},
            "evse_uid": "77",
            "evse_id": "SE*ZZZ*E700*1",
            "connector_id": "1",
            "connector_standard": "IEC_62196_T2_COMBO",
            "connector_format": "CABLE",
            "connector_power_type": "DC",
        },
        "currency": "EUR",
        "charging_periods": [
            {
                "start_date_time": f"{start:%Y-%m-%dT%H:%M:%S}Z",
                "dimensions": [
                    {"type": "ENERGY", "volume": 20.0},
                    {"type": "TIME", "volume": 0.5},
                    {"type": "MAX_POWER", "volume": 61.5},
                ],
            },
            {
                "start_date_time": f"{start + timedelta(minutes=30):%Y-%m-%dT%H:%M:%S}Z",
                "dimensions": [{"type": "PARKING_TIME", "volume": 0.1667}],
            },
        ],
        "total_cost": {"excl_vat": 9.6, "incl_vat": 12.0},
        "total_energy": 20.0,
        "total_time": 0.6667,
        "total_parking_time": 0.1667,
        "last_updated": "2026-01-13T00:00:00Z",
    }
    for name, value in changes.items():
        *path, last = name.split(".")
        place = record
        for key in path:
            place = place[key]
        if value is ...:
            del place[last]
        else:
            place[last] = value
    return record


def envelope(records: Any) -> str:
    """A response of the standard around a list, or around one record."""
    return json.dumps({"status_code": 1000, "timestamp": "2026-01-13T00:00:00Z", "data": records})


def lines(records: list[dict[str, Any]]) -> str:
    """One record per line."""
    return "".join(json.dumps(record) + "\n" for record in records)

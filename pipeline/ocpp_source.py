"""Logs of OCPP 1.6 and 2.0.1 messages as a source that needs no mapping."""

from __future__ import annotations

from typing import Any

OCPP_METER = "ocpp_meter"

CHARGER_KEYS = (
    "chargePointId",
    "charge_point_id",
    "chargepoint_id",
    "chargingStationId",
    "charging_station_id",
    "chargeBoxId",
    "charge_box_id",
    "chargerId",
    "charger_id",
    "stationId",
    "station_id",
)
"""Names under which loggers put the charger next to a message, looked for where the source names
none: no message holds it, because the connection tells. Common practice, no source."""


def with_ocpp_preset(table: dict[str, Any]) -> dict[str, Any]:
    """The table of a source of kind ``ocpp_meter`` with what the standard says filled in.

    Raises
    ------
    ValueError
        Where the table maps something itself.
    """
    given = sorted(
        {"columns", "vehicle", "time", "records", "sheet", "null_values", "csv"} & set(table)
    )
    if given:
        raise ValueError(
            f"kind '{OCPP_METER}' needs no mapping and takes no {', '.join(given)}: the standard "
            f"says what is where; charger tells where the charger's name stands"
        )
    return {**table, "columns": {}, "vehicle": {"value": "(charger)"}}

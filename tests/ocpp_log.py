"""OCPP messages as the tests feed them in; `tests/reference/test_ocpp_schemas.py` holds each kind
to the published JSON schema."""

from __future__ import annotations

import json
from typing import Any

SOURCE = 'kind = "ocpp_meter"\nfiles = ["*.log"]\n'
BY_NAME = SOURCE + "[charger]\nfile_name = '(CP\\d+)'\n"


def minute(minute: float, day: int = 14) -> str:
    """14 January 2026, 09:00 UTC and some minutes, as OCPP writes it."""
    seconds = round(minute * 60)
    hour, rest = 9 + seconds // 3600, seconds % 3600
    return f"2026-01-{day:02d}T{hour:02d}:{rest // 60:02d}:{rest % 60:02d}Z"


def sampled_16(value: object, measurand: str | None = None, **more: str) -> dict[str, str]:
    """A sampled value of 1.6: its value is text."""
    named = {} if measurand is None else {"measurand": measurand}
    return {"value": str(value), **named, **more}


def meter_values_16(
    at: str, *sampled: dict[str, str], connector: int = 1, transaction: int | None = 7
) -> dict[str, Any]:
    """MeterValues of 1.6 with one meter value."""
    known = {} if transaction is None else {"transactionId": transaction}
    value = {"timestamp": at, "sampledValue": list(sampled)}
    return {"connectorId": connector, **known, "meterValue": [value]}


def sampled_201(
    value: float, measurand: str | None = None, unit: dict[str, Any] | None = None, **more: str
) -> dict[str, Any]:
    """A sampled value of 2.0.1: its value is a number."""
    named: dict[str, Any] = {} if measurand is None else {"measurand": measurand}
    if unit is not None:
        named["unitOfMeasure"] = unit
    return {"value": value, **named, **more}


def meter_values_201(at: str, *sampled: dict[str, Any], evse: int = 1) -> dict[str, Any]:
    """MeterValues of 2.0.1 with one meter value."""
    return {"evseId": evse, "meterValue": [{"timestamp": at, "sampledValue": list(sampled)}]}


def event_201(
    at: str,
    *sampled: dict[str, Any],
    kind: str = "Updated",
    transaction: str = "tx-1",
    state: str = "Charging",
    token: str | None = None,
    evse: int = 1,
    seq: int = 0,
) -> dict[str, Any]:
    """TransactionEvent of 2.0.1, with a meter value if there are sampled values."""
    event: dict[str, Any] = {
        "eventType": kind,
        "timestamp": at,
        "triggerReason": "MeterValuePeriodic",
        "seqNo": seq,
        "transactionInfo": {"transactionId": transaction, "chargingState": state},
        "evse": {"id": evse, "connectorId": 1},
    }
    if token is not None:
        event["idToken"] = {"idToken": token, "type": "ISO14443"}
    if sampled:
        event["meterValue"] = [{"timestamp": at, "sampledValue": list(sampled)}]
    return event


def stop_16(at: str, register_wh: int, transaction: int = 7) -> dict[str, Any]:
    """StopTransaction of 1.6."""
    return {"transactionId": transaction, "timestamp": at, "meterStop": register_wh}


def call(payload: dict[str, Any], action: str = "MeterValues", number: int = 1) -> list[Any]:
    """The call of OCPP-J that carries a payload."""
    return [2, f"m{number}", action, payload]


def log(*elements: object) -> str:
    """One message per line."""
    return "".join(f"{json.dumps(element)}\n" for element in elements)

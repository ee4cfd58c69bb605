"""What the tests of OCPP feed in is OCPP: the published JSON schemas take it.

Source: the JSON schemas of OCPP 1.6 and 2.0.1 as the `ocpp` package carries them (MIT;
ocpp/v16/schemas/MeterValues.json and StopTransaction.json, ocpp/v201/schemas/
MeterValuesRequest.json and TransactionEventRequest.json).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from ocpp_log import (
    event_201,
    meter_values_16,
    meter_values_201,
    minute,
    sampled_16,
    sampled_201,
    stop_16,
)

jsonschema = pytest.importorskip("jsonschema")
ocpp = pytest.importorskip("ocpp")
SCHEMAS = Path(ocpp.__file__).parent


def check(name: str, payload: dict[str, Any]) -> None:
    schema = json.loads((SCHEMAS / name).read_text(encoding="utf-8-sig"))
    jsonschema.validate(payload, schema)


M16, M201, EVENT = (
    "v16/schemas/MeterValues.json",
    "v201/schemas/MeterValuesRequest.json",
    "v201/schemas/TransactionEventRequest.json",
)
FED_16 = [
    sampled_16(31250, "Power.Active.Import", unit="W", location="Outlet"),
    sampled_16("31.25", "Power.Active.Import", unit="kW", phase="L1"),
    sampled_16(1_204_500),
    sampled_16(1204.5, "Energy.Active.Import.Register", unit="kWh", context="Transaction.End"),
    sampled_16(55, "SoC", unit="Percent", location="EV"),
    sampled_16(31, "Temperature", unit="Celcius", location="Body"),
    sampled_16(31, "Temperature", unit="Celsius"),
    sampled_16(87.8, "Temperature", unit="Fahrenheit"),
    sampled_16(50, "Power.Offered", unit="kW"),
    sampled_16("OCMF|{}", "Energy.Active.Import.Register", format="SignedData"),
]
FED_201 = [
    sampled_201(31.25, "Power.Active.Import", {"unit": "W", "multiplier": 3}),
    sampled_201(1_204_500.0),
    sampled_201(12.5, "Energy.Active.Import.Interval", {"unit": "kWh"}, context="Sample.Clock"),
    sampled_201(55, "SoC", {"unit": "Percent"}, location="EV"),
    sampled_201(50, "Power.Offered", {"unit": "kW"}),
    sampled_201(10.0, "Power.Active.Import", {"unit": "kW"}, phase="L1"),
]


@pytest.mark.parametrize("sampled", FED_16, ids=lambda s: "-".join(s.values())[:40])
def test_16(sampled: dict[str, str]) -> None:
    check(M16, meter_values_16(minute(1), sampled))


@pytest.mark.parametrize("sampled", FED_201, ids=str)
def test_201(sampled: dict[str, Any]) -> None:
    check(M201, meter_values_201(minute(1), sampled))
    check(EVENT, event_201(minute(1), sampled, token="04A1"))


def test_events_without_values_and_the_end_of_a_transaction() -> None:
    check(EVENT, event_201(minute(1), kind="Started", state="SuspendedEVSE"))
    check("v16/schemas/StopTransaction.json", stop_16(minute(30), 1_225_000))


def test_the_versions_differ_where_the_reader_says() -> None:
    with pytest.raises(jsonschema.ValidationError):
        check(M16, meter_values_16(minute(1), {"value": 31250}))  # type: ignore[dict-item]
    with pytest.raises(jsonschema.ValidationError):
        check(M201, meter_values_201(minute(1), sampled_201("31250")))  # type: ignore[arg-type]
    with pytest.raises(jsonschema.ValidationError):  # no battery, no charger: 2.0.1 has no such
        check(M201, meter_values_201(minute(1), sampled_201(31.0, "Temperature")))

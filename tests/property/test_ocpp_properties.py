"""Whatever a log holds, each row is accounted for and nothing falls over."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.ingest.ocpp import VALUES, readings_of
from pipeline.ingest.ocpp_messages import Message, flatten, messages
from tests.small_fleet import NOW

KEYS = st.sampled_from(
    ["meterValue", "sampledValue", "value", "timestamp", "transactionInfo", "eventType", "evse",
     "id", "unitOfMeasure", "multiplier", "unit", "phase", "location", "context", "measurand",
     "meterStop", "transactionData", "transactionId", "connectorId", "idToken", "action",
     "message", "chargePointId"]
)  # fmt: skip
WORDS = st.sampled_from(
    ["SoC", "Power.Active.Import", "W", "kW", "EV", "L1", "2026-01-14T09:00:00Z", "55", "NaN",
     "\ud800", "\x00", "=1+1", "[2,1,\"MeterValues\",{}]", "Transaction.End"]
)  # fmt: skip
SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | WORDS
    | st.just(10**400)
)  # fmt: skip
VALUES_ANY = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=5),
    max_leaves=25,
)
SAMPLED = st.fixed_dictionaries(
    {"value": SCALARS}, optional=dict.fromkeys(("unit", "phase", "context", "location"), SCALARS)
)
PAYLOADS = st.fixed_dictionaries(
    {
        "meterValue": st.lists(
            st.fixed_dictionaries(
                {"timestamp": SCALARS, "sampledValue": st.lists(SAMPLED | VALUES_ANY, max_size=3)}
            )
            | VALUES_ANY,
            max_size=3,
        )
    }
)
CALLS = st.tuples(st.just(2), VALUES_ANY, st.just("MeterValues") | VALUES_ANY, PAYLOADS).map(list)
ELEMENTS = VALUES_ANY | PAYLOADS | CALLS


def read(content: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.log"
        path.write_text(content, encoding="utf-8")
        found = list(messages(path, None))
        flat = flatten(iter(found), "CP01")
    readings = readings_of(flat, NOW)
    assert readings.read_n == readings.rows.height + readings.quarantine.height
    # No message is passed over in silence.
    others_n = sum(one is None for one in found)
    assert flat.other_n == others_n
    assert readings.read_n >= sum(one is not None for one in found)
    assert sum(isinstance(one, Message) for one in found) <= readings.read_n
    for column, (low, high) in VALUES.items():
        assert readings.rows[column].drop_nulls().is_between(low, high).all()
    readings.rows.to_arrow()


@settings(deadline=None)
@given(st.lists(ELEMENTS, max_size=5))
def test_any_lines(elements: list[Any]) -> None:
    read("\n".join(json.dumps(element) for element in elements))


@settings(deadline=None)
@given(st.lists(ELEMENTS, max_size=5))
def test_any_array(elements: list[Any]) -> None:
    read(json.dumps(elements))


@settings(deadline=None)
@given(st.text(max_size=60))
def test_any_text(content: str) -> None:
    read(content.encode("utf-8", "replace").decode("utf-8"))

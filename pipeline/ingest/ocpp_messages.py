"""From the text of an OCPP log to its meter values: what a line holds, and from which charger.

A log has one message per line, or is one JSON array of them. A message stands as the call of
OCPP-J, ``[2, id, action, payload]``, as the bare payload, or inside an object of the logger's
that holds either, as JSON or as text. Other calls, and the answers to calls, are passed over.

References
----------
OCPP 1.6 edition 2, 7.30 to 7.31 (MeterValue, SampledValue) and 5.10, 6.47 (MeterValues,
StopTransaction); JSON schemas of OCPP 2.0.1, MeterValuesRequest and TransactionEventRequest.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from pipeline.ocpp_source import CHARGER_KEYS

CALL = 2
ANSWERS = (3, 4, 5, 6)
ACTIONS = frozenset({"MeterValues", "TransactionEvent", "StopTransaction"})
MAX_LINE_BYTES = 16_000_000
MAX_TEXT_CHARS = 200
MAX_DEPTH = 4

Json = Any


class Message(NamedTuple):
    """One message that may bring meter values: where it stood, from whom, which, and what."""

    file_row: int
    charger_id: str | None
    action: str
    payload: dict[str, Json]


class Broken(NamedTuple):
    """One row of the log that cannot be understood."""

    file_row: int
    rule: str
    column_name: str | None
    value: str | None
    expected: str


@dataclass
class Flat:
    """Meter values as columns: one row per meter value, and one per sampled value."""

    readings: list[tuple[int, str | None, int | None, str | None, str | None, str | None]] = field(
        default_factory=list
    )
    """``file_row, charger_id, connector_id, transaction_id, id_token, charging_state``."""
    stamps: list[str | None] = field(default_factory=list)
    samples: list[tuple[int, str | None, *tuple[str | None, ...]]] = field(default_factory=list)
    """``reading_no, value, multiplier, measurand, unit, phase, location, context, format``."""
    broken: list[Broken] = field(default_factory=list)
    other_n: int = 0
    """Messages of other kinds: no row of ours."""


def messages(path: Path, charger_key: str | None) -> Iterator[Message | Broken | None]:
    """The messages of a log; None for each of another kind.

    Parameters
    ----------
    path
        Plain text in UTF-8.
    charger_key
        Key beside the message that holds the charger's name; None looks for the usual ones.

    Rows are lines, counted from 1; in a JSON array, its elements.
    """
    keys = CHARGER_KEYS if charger_key is None else (charger_key,)
    with path.open("rb") as stream:
        whole = _array(stream)
        if whole is None:
            stream.seek(0)
            yield from _lines(stream, keys)
    for number, element in enumerate(whole or (), 1):
        yield from _found(element, number, None, keys)


def _array(stream: BinaryIO) -> list[Json] | None:
    """The whole file if it is one list of messages; a message of its own begins with a number."""
    head = stream.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
    if not head.startswith(b"[") or head[1:].lstrip()[:1] not in (b"[", b"{", b"", b"]", b'"'):
        return None
    stream.seek(0)
    try:
        whole = json.loads(stream.read().decode("utf-8-sig", "replace"))
    except (ValueError, RecursionError):
        return None
    return whole if isinstance(whole, list) else None


def _lines(stream: BinaryIO, keys: tuple[str, ...]) -> Iterator[Message | Broken | None]:
    number = 0
    while line := stream.readline(MAX_LINE_BYTES):
        number += 1
        if not line.endswith(b"\n") and len(line) == MAX_LINE_BYTES:
            while line and not line.endswith(b"\n"):
                line = stream.readline(MAX_LINE_BYTES)
            yield Broken(number, "line_too_long", None, None, f"at most {MAX_LINE_BYTES} bytes")
            continue
        text = line.decode("utf-8-sig" if number == 1 else "utf-8", "replace").strip()
        if not text:
            continue
        try:
            element = json.loads(text)
        except (ValueError, RecursionError):
            yield Broken(number, "not_a_message", None, _shown(text), "one JSON message per line")
            continue
        is_many = (
            isinstance(element, list) and bool(element) and isinstance(element[0], list | dict)
        )
        for one in element if is_many else [element]:
            yield from _found(one, number, None, keys)


def _found(
    element: Json, file_row: int, charger_id: str | None, keys: tuple[str, ...], depth: int = 0
) -> Iterator[Message | Broken | None]:
    """The message in an element, however it is wrapped."""
    if isinstance(element, str) and element[:1] in ("[", "{") and depth < MAX_DEPTH:
        with suppress(ValueError, RecursionError):
            element = json.loads(element)
    if isinstance(element, list) and element and not isinstance(element[0], bool):
        if element[0] in ANSWERS:
            yield None
            return
        if element[0] == CALL and len(element) == 4 and isinstance(element[3], dict):
            is_ours = isinstance(element[2], str) and element[2] in ACTIONS
            yield Message(file_row, charger_id, element[2], element[3]) if is_ours else None
            return
    elif isinstance(element, dict):
        named = (_text(element.get(key)) for key in keys)
        charger_id = next((name for name in named if name), charger_id)
        action = _action(element)
        if action is not None:
            yield Message(file_row, charger_id, action, element)
            return
        if depth < MAX_DEPTH:
            inner = [
                value
                for value in element.values()
                if (isinstance(value, list) and value and value[0] in (CALL, *ANSWERS))
                or (isinstance(value, dict) and value)
                or (isinstance(value, str) and value.lstrip()[:1] in ("[", "{"))
            ]
            for value in inner:
                made = list(_found(value, file_row, charger_id, keys, depth + 1))
                if any(isinstance(one, Message) for one in made) or made == [None]:
                    yield from made
                    return
            if isinstance(element.get("action"), str) and element["action"] not in ACTIONS:
                yield None
                return
    yield Broken(
        file_row,
        "not_a_message",
        None,
        _dumped(element),
        "an OCPP message: [2, id, action, payload], or the payload",
    )


def _action(payload: dict[str, Json]) -> str | None:
    """What kind of message a bare payload is."""
    if "transactionInfo" in payload and "eventType" in payload:
        return "TransactionEvent"
    if "meterValue" in payload:
        return "MeterValues"
    return "StopTransaction" if "meterStop" in payload else None


def flatten(found: Iterator[Message | Broken | None], fixed_charger: str | None) -> Flat:
    """Meter values and sampled values of some messages.

    A transaction event without meter values is a reading too, for its instant and its state; so
    is the register at the end in StopTransaction.
    """
    flat = Flat()
    for message in found:
        if message is None:
            flat.other_n += 1
        elif isinstance(message, Broken):
            flat.broken.append(message)
        else:
            _message(flat, message, fixed_charger)
    return flat


def _message(flat: Flat, message: Message, fixed_charger: str | None) -> None:
    payload = message.payload
    info, evse = _object(payload.get("transactionInfo")), _object(payload.get("evse"))
    connector = payload.get("connectorId", payload.get("evseId", evse.get("id")))
    token = _text(payload.get("idTag")) or _text(_object(payload.get("idToken")).get("idToken"))
    head = (
        message.file_row,
        fixed_charger or message.charger_id,
        _number(connector),
        _text(payload.get("transactionId")) or _text(info.get("transactionId")),
        token,
        _text(info.get("chargingState")),
    )
    is_stop = message.action == "StopTransaction"
    values = payload.get("transactionData" if is_stop else "meterValue")
    is_event = message.action == "TransactionEvent"
    values = values if isinstance(values, list) else []
    for value in values:
        sampled = value.get("sampledValue") if isinstance(value, dict) else None
        if not isinstance(sampled, list) or not all(isinstance(one, dict) for one in sampled):
            flat.broken.append(
                Broken(
                    message.file_row,
                    "no_sampled_value",
                    "sampledValue",
                    _dumped(value),
                    "a list of sampled values",
                )
            )
            continue
        _reading(flat, head, _text(value.get("timestamp")), sampled)
    if is_stop:
        end = {"value": payload.get("meterStop"), "unit": "Wh", "context": "Transaction.End"}
        _reading(flat, head, _text(payload.get("timestamp")), [end])
    elif is_event and not values:
        _reading(flat, head, _text(payload.get("timestamp")), [])
    elif not values:
        flat.broken.append(
            Broken(
                message.file_row, "no_sampled_value", "meterValue", None, "a list of meter values"
            )
        )


def _reading(flat: Flat, head: Any, stamp: str | None, sampled: list[dict[str, Json]]) -> None:
    number = len(flat.readings)
    flat.readings.append(head)
    flat.stamps.append(stamp)
    for one in sampled:
        unit = _object(one.get("unitOfMeasure"))
        flat.samples.append(
            (
                number,
                _text(one.get("value")),
                _text(unit.get("multiplier")),
                _text(one.get("measurand")),
                _text(one.get("unit")) or _text(unit.get("unit")),
                _text(one.get("phase")),
                _text(one.get("location")),
                _text(one.get("context")),
                _text(one.get("format")),
            )
        )


def _number(value: Json) -> int | None:
    is_whole = isinstance(value, int) and not isinstance(value, bool)
    return value if is_whole and 0 <= value < 2**31 else None


def _object(value: Json) -> dict[str, Json]:
    return value if isinstance(value, dict) else {}


def _text(value: Json) -> str | None:
    """Text or a number as text, else None; a number is a value in 2.0.1, text in 1.6."""
    if isinstance(value, str):
        # Half a surrogate pair is no text that a table could hold.
        whole = value[:MAX_TEXT_CHARS].encode("utf-8", "backslashreplace").decode("utf-8")
        return whole.strip() or None
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value) if abs(value) < 1e300 else "inf"
    return None


def _dumped(value: Json) -> str | None:
    try:
        return _shown(json.dumps(value))
    except RecursionError:
        return None


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text[:MAX_TEXT_CHARS])

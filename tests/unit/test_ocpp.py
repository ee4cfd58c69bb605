"""Meter values of OCPP: units, powers of ten, phases, places, and every row accounted for."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from ocpp_log import (
    BY_NAME,
    SOURCE,
    call,
    event_201,
    log,
    meter_values_16,
    meter_values_201,
    minute,
    sampled_16,
    sampled_201,
    stop_16,
)

from pipeline.config import load_fleet
from pipeline.ingest import ingest
from pipeline.ingest.ocpp import readings_of
from pipeline.ingest.ocpp_messages import flatten, messages
from pipeline.problems import ColdMinutesError
from tests.small_fleet import NOW, codes, drop, opened, quarantined, write_fleet


def read(folder: Path, content: str, key: str | None = None, name: str | None = "CP01") -> Any:
    path = folder / "a.log"
    path.write_text(content, encoding="utf-8")
    return readings_of(flatten(messages(path, key), name), NOW)


def one(folder: Path, payload: dict[str, Any]) -> dict[str, Any]:
    readings = read(folder, log(payload))
    assert readings.quarantine.is_empty(), readings.quarantine.rows()
    (row,) = readings.rows.to_dicts()
    return dict(row)


POWER, REGISTER = "Power.Active.Import", "Energy.Active.Import.Register"


@pytest.mark.parametrize(
    ("sampled", "column", "expected"),
    [
        (sampled_16("31250", POWER, unit="W"), "power_kw", 31.25),
        (sampled_16("31.25", POWER, unit="kW"), "power_kw", 31.25),
        (sampled_16("1204500"), "energy_register_kwh", 1204.5),  # all defaults: register in Wh
        (sampled_16("1204.5", REGISTER, unit="kWh"), "energy_register_kwh", 1204.5),
        (
            sampled_16("12500", "Energy.Active.Import.Interval", unit="Wh"),
            "energy_interval_kwh",
            12.5,
        ),
        (sampled_16("55", "SoC", unit="Percent", location="EV"), "soc_pct", 55),
        (sampled_16("55", "SoC"), "soc_pct", 55),
        (sampled_16("31", "Temperature", unit="Celcius"), "charger_temp_degc", 31),
        (sampled_16("31", "Temperature", unit="Celsius"), "charger_temp_degc", 31),
        (sampled_16("87.8", "Temperature", unit="Fahrenheit"), "charger_temp_degc", 31),
        (sampled_16("304.15", "Temperature", unit="K"), "charger_temp_degc", 31),
        (sampled_16("50", "Power.Offered", unit="kW"), "power_offered_kw", 50),
    ],
)
def test_16_in_our_units(
    tmp_path: Path, sampled: dict[str, str], column: str, expected: float
) -> None:
    row = one(tmp_path, meter_values_16(minute(1), sampled))
    assert row[column] == pytest.approx(expected, abs=1e-9)
    others = {
        "power_kw", "energy_register_kwh", "energy_interval_kwh", "soc_pct", "power_offered_kw",
        "charger_temp_degc",
    } - {column}  # fmt: skip
    assert all(row[name] is None for name in others)
    assert (row["charger_id"], row["connector_id"], row["transaction_id"]) == ("CP01", 1, "7")


@pytest.mark.parametrize(
    ("sampled", "column", "expected"),
    [
        (sampled_201(31.25, POWER, {"unit": "W", "multiplier": 3}), "power_kw", 31.25),
        (sampled_201(3125, POWER, {"unit": "kW", "multiplier": -2}), "power_kw", 31.25),
        (sampled_201(1_204_500), "energy_register_kwh", 1204.5),
        (sampled_201(1204.5, REGISTER, {"multiplier": 3}), "energy_register_kwh", 1204.5),
        (sampled_201(1204.5, REGISTER, {"unit": "kWh"}), "energy_register_kwh", 1204.5),
    ],
)
def test_201_in_our_units(
    tmp_path: Path, sampled: dict[str, Any], column: str, expected: float
) -> None:
    row = one(tmp_path, meter_values_201(minute(1), sampled, evse=2))
    assert row[column] == pytest.approx(expected)
    assert (row["connector_id"], row["transaction_id"]) == (2, None)


def test_phases_are_summed_and_a_total_is_not_summed_with_them(tmp_path: Path) -> None:
    def phase(name: str, value: float) -> dict[str, str]:
        return sampled_16(value, POWER, unit="kW", phase=name)

    three = [phase("L1", 3.0), phase("L2", 4.0), phase("L3", 3.5)]
    assert one(tmp_path, meter_values_16(minute(1), *three))["power_kw"] == 10.5
    total = sampled_16(10.6, POWER, unit="kW")
    assert one(tmp_path, meter_values_16(minute(1), *three, total))["power_kw"] == 10.6
    extra = [phase("L1-N", 3.0), phase("L1-L2", 99), phase("N", 99)]
    assert one(tmp_path, meter_values_16(minute(1), *three, *extra))["power_kw"] == 10.5


def test_where_and_when_a_value_belongs(tmp_path: Path) -> None:
    inlet = sampled_16(40, POWER, unit="kW", location="Inlet")
    outlet = sampled_16(37, POWER, unit="kW")
    assert one(tmp_path, meter_values_16(minute(1), inlet, outlet))["power_kw"] == 37
    assert one(tmp_path, meter_values_16(minute(1), inlet))["power_kw"] is None
    own = sampled_16(90, "SoC", unit="Percent", location="Body")  # a battery of the charger's
    assert one(tmp_path, meter_values_16(minute(1), own))["soc_pct"] is None
    begin = sampled_16(1000, REGISTER, context="Transaction.Begin")
    end = sampled_16(21000, REGISTER, context="Transaction.End")
    row = one(tmp_path, meter_values_16(minute(1), begin, end))
    assert (row["energy_register_kwh"], row["context"]) == (21, "Transaction.End")
    signed = sampled_16("OCMF|{}", REGISTER, format="SignedData")
    row = one(tmp_path, meter_values_16(minute(1), signed, end))
    assert row["energy_register_kwh"] == 21


def test_a_temperature_is_never_the_batterys(tmp_path: Path) -> None:
    row = one(tmp_path, meter_values_16(minute(1), sampled_16(-12, "Temperature", unit="Celsius")))
    assert {name for name in row if "degc" in name} == {"charger_temp_degc"}


def test_an_event_tells_transaction_state_and_card(tmp_path: Path) -> None:
    row = one(tmp_path, event_201(minute(2), state="SuspendedEVSE", token="04A1", evse=3))
    assert row["transaction_id"] == "tx-1" and row["connector_id"] == 3
    assert (row["charging_state"], row["id_token"]) == ("SuspendedEVSE", "04A1")
    assert row["power_kw"] is None
    stop = one(tmp_path, stop_16(minute(30), 1_225_000))
    assert (stop["energy_register_kwh"], stop["context"]) == (1225, "Transaction.End")


@pytest.mark.parametrize("is_array", [False, True])
def test_messages_in_any_wrapping(tmp_path: Path, is_array: bool) -> None:
    payload = meter_values_16(minute(1), sampled_16(31250, POWER, unit="W"))
    elements = [
        payload,
        call(payload),
        {"chargePointId": "CP09", "message": call(payload)},
        {"charge_point_id": "CP09", "message": json.dumps(call(payload)), "direction": "in"},
        {"station_id": "CP09", "action": "MeterValues", "payload": payload},
        {"charger_id": "CP09", "body": {"payload": payload}},
    ]
    others = [
        [2, "x", "Heartbeat", {}],
        [3, "x", {"currentTime": minute(0)}],
        [4, "x", "InternalError", "", {}],
        {"chargePointId": "CP09", "message": [2, "x", "BootNotification", {}]},
        {"chargePointId": "CP09", "action": "Heartbeat", "payload": {}},
    ]
    every = [*elements, *others]
    content = json.dumps(every, indent=1) if is_array else log(*every)
    path = tmp_path / "a.log"
    path.write_text(content, encoding="utf-8")
    flat = flatten(messages(path, None), None)
    assert (len(flat.readings), flat.other_n, flat.broken) == (6, 5, [])
    readings = readings_of(flat, NOW)
    assert readings.rows["charger_id"].to_list() == ["CP09"] * 4
    assert readings.rows["file_row"].to_list() == [3, 4, 5, 6]
    assert readings.quarantine["rule"].to_list() == ["no_charger"] * 2


def test_what_cannot_be_understood_is_set_aside_with_its_row(tmp_path: Path) -> None:
    ok = sampled_16(31250, POWER, unit="W")
    lines = [
        json.dumps(meter_values_16(minute(1), ok)),
        '{"connectorId": 1, "meterVal',
        json.dumps({"hello": 1}),
        json.dumps(meter_values_16("soon", ok)),
        json.dumps(meter_values_16("2031-01-01T00:00:00Z", ok)),
        json.dumps(meter_values_16(minute(1), sampled_16("12,5", POWER, unit="kW"))),
        json.dumps(meter_values_16(minute(1), sampled_16("NaN", POWER, unit="kW"))),
        json.dumps(meter_values_16(minute(1), sampled_16("50", POWER, unit="A"))),
        json.dumps(meter_values_16(minute(1), sampled_16("50", POWER))),
        json.dumps(meter_values_16(minute(1), sampled_16("101", "SoC", unit="Percent"))),
        json.dumps({"connectorId": 1, "meterValue": [{"timestamp": minute(1)}]}),
        json.dumps({"connectorId": 1, "meterValue": []}),
        "[" * 100_000,
        json.dumps({"connectorId": 1, "meterValue": [3, None]}),
        "1e999",
        json.dumps(meter_values_16(minute(2), ok)),
    ]
    readings = read(tmp_path, "\n".join(lines))
    assert readings.rows["file_row"].to_list() == [1, 16]
    found = readings.quarantine.select("file_row", "rule").rows()
    assert found == [
        (2, "not_a_message"),
        (3, "not_a_message"),
        (4, "time_unreadable"),
        (5, "time_in_future"),
        (6, "not_a_number"),
        (7, "not_a_number"),
        (8, "unknown_unit"),
        (9, "unknown_unit"),
        (10, "out_of_range"),
        (11, "no_sampled_value"),
        (12, "no_sampled_value"),
        (13, "not_a_message"),
        (14, "no_sampled_value"),
        (14, "no_sampled_value"),
        (15, "not_a_message"),
    ]
    assert readings.read_n == readings.rows.height + readings.quarantine.height


def law(con: Any) -> None:
    """Read is used, repeated or set aside, and the tables hold what the ledger says."""
    for file_id, read_n, used_n, repeated_n, aside_n in con.sql(
        "select file_id, rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n from files"
    ).fetchall():
        assert read_n == used_n + repeated_n + aside_n
        for table, count in (("charger_readings", used_n), ("quarantine", aside_n)):
            stored = con.sql(f"select count(*) from {table} where file_id = {file_id}").fetchall()
            assert stored == [(count,)]


def messages_of(transaction: int, first: int, count: int) -> list[list[Any]]:
    return [
        call(
            meter_values_16(
                minute(first + n),
                sampled_16(1000 * (first + n), REGISTER),
                sampled_16(30, POWER, unit="kW"),
                transaction=transaction,
            ),
            number=first + n,
        )
        for n in range(count)
    ]


def test_logs_in_the_inbox(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"chargers": BY_NAME})
    drop(tmp_path, "CP01_a.log", log(*messages_of(7, 0, 10), "broken", [2, "h", "Heartbeat", {}]))
    drop(tmp_path, "CP01_b.log", log(*messages_of(7, 5, 10), *messages_of(7, 5, 1)))
    drop(tmp_path, "CP02_a.log", log(*messages_of(7, 0, 10)))
    drop(tmp_path, "nameless.log", log(*messages_of(8, 0, 10)))
    with opened(tmp_path) as (con, fleet):
        report = ingest(con, fleet, now=NOW)
        assert codes(report) == ["INGEST-03", "INGEST-11"]
        assert "one JSON message" not in str(report.problems[0])
        assert (report.rows_read_n, report.rows_used_n) == (32, 25)
        assert (report.rows_repeated_n, report.rows_set_aside_n) == (6, 1)
        assert quarantined(con) == [(11, "not_a_message", None, '"broken"')]
        law(con)
        stored = con.sql("select charger_id, count(*) from charger_readings group by 1 order by 1")
        assert stored.fetchall() == [("CP01", 15), ("CP02", 10)]
        before = con.sql("select * from charger_readings order by all").fetchall()
        again = ingest(con, fleet, now=NOW)
        assert (again.files_new_n, again.rows_read_n) == (0, 0)
        assert con.sql("select * from charger_readings order by all").fetchall() == before
        drop(tmp_path, "CP01_copy.log", (tmp_path / "inbox" / "CP01_a.log").read_bytes())
        again = ingest(con, fleet, now=NOW)
        assert (again.files_new_n, again.rows_read_n) == (0, 0)
        assert con.sql("select count(*) from file_spans").fetchall() == [(0,)]


def test_a_changed_source_reads_its_logs_anew(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"chargers": BY_NAME})
    drop(tmp_path, "CP01_a.log", log(*messages_of(7, 0, 10)))
    with opened(tmp_path) as (con, fleet):
        ingest(con, fleet, now=NOW)
        write_fleet(tmp_path, {"chargers": SOURCE + '[charger]\nvalue = "west"\n'})
        report = ingest(con, load_fleet(tmp_path), now=NOW)
        assert report.rows_used_n == 10
        law(con)
        stored = con.sql("select distinct charger_id from charger_readings").fetchall()
        assert stored == [("west",)]


def test_a_log_that_fails_half_way_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.ingest import charger_load

    write_fleet(tmp_path, {"chargers": BY_NAME})
    drop(tmp_path, "CP01_a.log", log(*messages_of(7, 0, 10)))
    monkeypatch.setattr(charger_load, "_keep", lambda *_: 1 / 0)
    with opened(tmp_path) as (con, fleet):
        with pytest.raises(ZeroDivisionError):
            ingest(con, fleet, now=NOW)
        assert con.sql("select count(*) from charger_readings").fetchall() == [(0,)]
        assert con.sql("select count(*) from files").fetchall() == [(0,)]


def test_batches_make_no_difference(tmp_path: Path) -> None:
    from pipeline.ingest.charger_load import load_charger_readings
    from pipeline.ingest.unpack import Plain

    write_fleet(tmp_path, {"chargers": BY_NAME})
    path = drop(tmp_path, "CP01_a.log", log(*messages_of(7, 0, 10), *messages_of(7, 3, 4)))
    seen = []
    for batch_n in (3, 1000):
        with opened(tmp_path) as (con, fleet):
            plain = Plain(path.name, path, 1, "x")
            load = load_charger_readings(
                con, plain, "chargers", fleet.sources["chargers"], NOW, batch_n
            )
            assert (load.read_n, load.used_n, load.repeated_n) == (14, 10, 4)
            law(con)
            seen.append(con.sql("select * from charger_readings order by all").fetchall())
    assert seen[0] == seen[1]


@pytest.mark.parametrize(
    ("more", "told"),
    [
        ('[vehicle]\nvalue = "a"\n', "needs no mapping and takes no vehicle"),
        ('[charger]\ncard = "uid"\n', "takes no card"),
    ],
)
def test_a_source_that_says_too_much(tmp_path: Path, more: str, told: str) -> None:
    write_fleet(tmp_path, {"chargers": SOURCE + more})
    with pytest.raises(ColdMinutesError, match=told):
        load_fleet(tmp_path)

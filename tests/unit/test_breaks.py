"""Recorded breaks: taken in, counted once, and neither a use of the vehicle nor a driver."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from small_fleet import drop, opened, quarantined, take_in, write_fleet

from pipeline.config import Limits, load_fleet
from pipeline.cost import recorded_breaks
from pipeline.problems import ColdMinutesError
from pipeline.warehouse import build, open_warehouse, query, register

NOON = datetime(2026, 1, 12, 12, tzinfo=UTC)
INSTANT = pl.Datetime("us", "UTC")
SPANS = {
    "vehicle_id": pl.String,
    "from_at": INSTANT,
    "to_at": INSTANT,
    "driver_id": pl.String,
    "use": pl.String,
}
STOPS = {
    "vehicle_id": pl.String,
    "driver_id": pl.String,
    "plug_in_at": INSTANT,
    "plug_out_at": INSTANT,
}

ROSTER = """
kind = "driver_spans"
files = ["roster.csv"]
[vehicle]
column = "van"
[time]
zone = "Europe/Stockholm"
[columns]
from_at = { column = "from" }
to_at = { column = "to" }
driver_id = { column = "who" }
use = { column = "what", values = { Rast = "break", Pass = "delivery" } }
"""


def at(minute: float) -> datetime:
    """Minutes from noon."""
    return NOON + timedelta(minutes=minute)


def spans(*rows: tuple[str, float, float, str | None, str | None]) -> pl.DataFrame:
    """Driver spans: vehicle, from and to in minutes from noon, driver, use."""
    given = [(vehicle, at(a), at(b), who, use) for vehicle, a, b, who, use in rows]
    return pl.DataFrame(given, schema=SPANS, orient="row")


def test_a_roster_with_breaks_is_taken_in(tmp_path: Path) -> None:
    write_fleet(tmp_path, {"roster": ROSTER}, drivers='[drivers.d1]\nname = "Kim"\n')
    drop(
        tmp_path,
        "roster.csv",
        "van,from,to,who,what\n"
        "a,2026-01-12T06:00:00,2026-01-12T14:00:00,Kim,Pass\n"
        "a,2026-01-12T11:30:00,2026-01-12T12:15:00,Kim,Rast\n"
        "a,2026-01-12T13:00:00,2026-01-12T13:10:00,,BREAK\n"
        "a,2026-01-12T13:30:00,,Kim,Rast\n"
        "a,2026-01-12T13:40:00,2026-01-12T13:50:00,Kim,nap\n",
    )
    with opened(tmp_path) as (con, fleet):
        report = take_in(con, fleet)
        got = con.sql("select from_at, to_at, driver_id, use from driver_spans order by 1").pl()
        assert got["use"].to_list() == ["delivery", "break", "break"]
        assert got["driver_id"].to_list() == ["d1", "d1", None]
        assert got["from_at"][1] == datetime(2026, 1, 12, 10, 30, tzinfo=UTC)
        assert quarantined(con) == [
            (5, "break_without_end", "to", None),
            (6, "not_in_list", "what", "nap"),
        ]
        assert any("break_without_end" in problem.message for problem in report.problems)
        register(
            con, "stops",
            pl.DataFrame([("a", "d1", at(-75), at(-30))], schema=STOPS, orient="row"),
        )  # fmt: skip
        # Plugged in 11:45 to 12:30 local time: the break covers it until 12:15.
        assert query(con, "minutes/stop_breaks")["break_min"].to_list() == [30.0]
        take_in(con, fleet)
        assert con.sql("select count(*) from driver_spans").fetchall() == [(3,)], "taken in once"


def test_a_vehicle_cannot_be_configured_as_a_break(tmp_path: Path) -> None:
    write_fleet(tmp_path, vehicles='[vehicles.a]\nuse = "break"\n')
    with pytest.raises(ColdMinutesError, match=r"vehicles\.a\.use"):
        load_fleet(tmp_path)


@pytest.mark.parametrize(
    ("rows", "break_min"),
    [
        ((), 0.0),
        ((("v1", -30, 10, "ann", "break"),), 10.0),
        ((("v1", 30, 90, "ann", "break"),), 10.0),
        ((("v1", 0, 20, "ann", "break"), ("v1", 10, 15, "ann", "break")), 20.0),
        ((("v1", 0, 20, "ann", "break"), ("v1", 10, 30, None, "break")), 30.0),
        (
            (
                ("v1", 0, 5, "ann", "break"),
                ("v1", 20, 25, "ann", "break"),
                ("v1", 5, 8, "ann", "break"),
            ),
            13.0,
        ),
        # Two short ones inside a long one: the second must not forget how far the long one goes.
        (
            (
                ("v1", 0, 35, "ann", "break"),
                ("v1", 5, 8, "ann", "break"),
                ("v1", 20, 30, "ann", "break"),
            ),
            35.0,
        ),
        ((("v1", -60, 0, "ann", "break"), ("v1", 40, 60, "ann", "break")), 0.0),
        ((("v1", 0, 40, "ann", "delivery"), ("v1", 0, 40, "ann", None)), 0.0),
        ((("v2", 0, 40, "ann", "break"),), 0.0),
        ((("v1", 0, 40, "bob", "break"),), 0.0),
    ],
)
def test_break_minutes_of_a_stop(rows: tuple[Any, ...], break_min: float) -> None:
    """Ann stands at the plug from noon for 40 minutes; SQL and arrays agree."""
    stops = pl.DataFrame([("v1", "ann", at(0), at(40))], schema=STOPS, orient="row")
    con = open_warehouse(None, Limits())
    register(con, "stops", stops)
    register(con, "driver_spans", spans(*rows))
    got = query(con, "minutes/stop_breaks")
    assert got.columns == ["vehicle_id", "plug_in_at", "break_min"]
    assert got["break_min"].to_list() == pytest.approx([break_min])
    assert recorded_breaks(stops, spans(*rows)).tolist() == pytest.approx([break_min])


def test_a_break_across_midnight_counts_once() -> None:
    """The stay and the break both touch two days."""
    stops = pl.DataFrame([("v1", "ann", at(690), at(750))], schema=STOPS, orient="row")
    given = spans(("v1", 700, 740, "ann", "break"), ("v1", 730, 745, "ann", "break"))
    assert recorded_breaks(stops, given).tolist() == [45.0]


def test_a_break_counts_for_a_stop_without_a_driver() -> None:
    stops = pl.DataFrame([("v1", None, at(0), at(40))], schema=STOPS, orient="row")
    con = open_warehouse(None, Limits())
    register(con, "stops", stops)
    given = spans(("v1", 10, 30, "bob", "break"))
    register(con, "driver_spans", given)
    assert query(con, "minutes/stop_breaks")["break_min"].to_list() == [20.0]
    assert recorded_breaks(stops, given).tolist() == [20.0]


def test_break_minutes_of_a_part_of_a_stop() -> None:
    """Of the last five minutes of a charge, those after the break were worth something."""
    stops = pl.DataFrame(
        {
            "vehicle_id": ["v1", "v1", "v1", "v1", None],
            "driver_id": ["ann", "ann", "ann", "ann", "ann"],
            "from_at": [at(35), at(25), None, at(30 + 1440), at(25)],
            "to_at": [at(40), at(30), at(40), at(25), at(30)],
        },
        schema_overrides={"from_at": INSTANT},
    )
    given = spans(("v1", 0, 37, "ann", "break"))
    got = recorded_breaks(stops, given, "from_at", "to_at")
    np.testing.assert_allclose(got, [2.0, 5.0, np.nan, 0.0, 0.0])


@pytest.mark.parametrize(
    ("rows", "driver_id", "span_use"),
    [
        # As before, without a break.
        ((("v1", -300, 60, "ann", "delivery"),), "ann", "delivery"),
        ((("v1", -300, 60, "ann", "rental"), ("v1", -30, 60, "bob", None)), None, "rental"),
        # A break inside the shift, hers or nobody's.
        (
            (("v1", -300, 60, "ann", "rental"), ("v1", -20, 30, "ann", "break")),
            "ann", "rental",
        ),
        ((("v1", -300, 60, "ann", None), ("v1", -20, 30, None, "break")), "ann", None),
        # A roster cut at the break.
        (
            (("v1", -300, -20, "ann", "delivery"), ("v1", -20, 30, "ann", "break")),
            "ann", "delivery",
        ),
        ((("v1", -300, -20, "ann", None), ("v1", -20, 30, None, "break")), "ann", None),
        # Another's break in the vehicle changes nothing, and does not stretch her shift.
        ((("v1", -300, 60, "ann", None), ("v1", -20, 30, "bob", "break")), "ann", None),
        ((("v1", -300, -20, "ann", None), ("v1", -20, 30, "bob", "break")), None, None),
        # Nothing but a break.
        ((("v1", -300, 60, "ann", "break"),), "ann", None),
        ((("v1", -300, 60, None, "break"),), None, None),
    ],
)  # fmt: skip
def test_a_break_is_no_use_and_no_change_of_driver(
    rows: tuple[Any, ...], driver_id: str | None, span_use: str | None
) -> None:
    """Approach of an hour before noon."""
    con = open_warehouse(None, Limits())
    key = {"vehicle_id": ["v1"], "charge_no": [1]}
    register(con, "approach_totals", pl.DataFrame({**key, "approach_start_at": [at(-60)]}))
    register(con, "charge_totals", pl.DataFrame({**key, "plug_in_at": [at(0)]}))
    register(con, "driver_spans", spans(*rows))
    build(con, "stops/approach_people")
    got = con.sql("select driver_id, span_use from approach_people").fetchall()
    assert got == [(driver_id, span_use)]

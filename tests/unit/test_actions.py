"""What became of the last edition's actions: the rule, what is kept, and the words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from fleets import MONDAY, NOW, drive_and_charge, drop, write_fleet
from report_data import WEEK, fleet_of, week
from scipy.stats import binomtest

from pipeline.actions import ACTIONS_N, CONFIDENCE, follow_up, judged, keep_actions
from pipeline.config import Limits, load_fleet
from pipeline.edition import make_edition
from pipeline.report.followups import followups_section
from pipeline.report.pages import fleet_html
from pipeline.report.weekdata import document_instant, read_week
from pipeline.report.words import FINDING_WORDS
from pipeline.warehouse import open_warehouse

Row = dict[str, Any]
BEFORE, NOW_WEEK = "2026-W03", "2026-W04"


@pytest.fixture(scope="module")
def warehouse() -> Iterator[duckdb.DuckDBPyConnection]:
    con = open_warehouse(None, Limits())
    yield con
    con.close()


@pytest.fixture
def con(warehouse: duckdb.DuckDBPyConnection) -> duckdb.DuckDBPyConnection:
    """Without any list, with two vehicles and a site."""
    con = warehouse
    con.execute("delete from edition_actions")
    con.execute("delete from edition_lists")
    put(con, "weekly_vehicles", [vehicle("v1"), vehicle("v2")])
    put(con, "fleet_sites", [{"site_id": "fast", "site_name": "Fast"}])
    put(con, "judged_stops", [stop()], keep=False)
    return con


def put(con: duckdb.DuckDBPyConnection, table: str, rows: list[Row], *, keep: bool = True) -> None:
    """Make a temporary table, which stands before the warehouse's own of that name."""
    con.register("incoming", pl.DataFrame(rows, infer_schema_length=None).to_arrow())
    limit = "" if keep else " limit 0"
    con.execute(f"create or replace temp table {table} as select * from incoming{limit}")
    con.unregister("incoming")


def vehicle(vehicle_id: str, **changes: Any) -> Row:
    row = {"vehicle_id": vehicle_id, "vehicle_name": f"Van {vehicle_id}"}
    return row | {"is_configured": True, "is_silent": False} | changes


def stop(**changes: Any) -> Row:
    return {
        "week_id": NOW_WEEK,
        "vehicle_id": "v1",
        "site_id": "fast",
        "driver_id": "d1",
        "outcome": "not_warmed",
        "why": "no_destination",
        "is_expected": True,
        "is_charging_place": False,
        "lost_site_min": 0.5,
        "held_back_min": 0.5,
    } | changes


def attention(con: duckdb.DuckDBPyConnection, *codes: str, stops_n: int = 9) -> None:
    rows = [
        {
            "kind": "site" if code.startswith("site") or code.endswith("site") else "vehicle",
            "subject_id": "fast" if "site" in code else "v1",
            "code": code,
            "avoidable_min": 10.0 + number,
        }
        for number, code in enumerate(codes or ("none",))
    ]
    put(con, "weekly_attention", rows, keep=bool(codes))
    fleet = [{"week_id": each, "is_edition": True, "stops_n": stops_n} for each in (BEFORE, WEEK)]
    put(con, "weekly_fleet", fleet)


def followed(con: duckdb.DuckDBPyConnection, week_id: str = NOW_WEEK) -> list[Row]:
    follow_up(con, week_id)
    return con.sql("select * from weekly_followups order by action_no").pl().to_dicts()


def one(con: duckdb.DuckDBPyConnection, code: str, stops: list[Row]) -> Row:
    """The only action, after these stops."""
    attention(con, code)
    keep_actions(con, BEFORE)
    put(con, "judged_stops", stops or [stop()], keep=bool(stops))
    (row,) = followed(con)
    return row


SILENT = {"why": "vehicle_did_not_respond"}
ADDRESS = {"why": "destination_not_recognised"}
WARMED = {"outcome": "warmed", "why": None}
PART = {"outcome": "part_warmed", "why": "began_late"}
UNNEEDED = {"outcome": "warmed_unneeded", "why": None}
PLACE = {"is_charging_place": True}
NOT_EXPECTED = {"is_expected": False}


@pytest.mark.parametrize(
    ("code", "stops", "good_n", "chances_n", "verdict", "why"),
    [
        ("vehicle_did_not_respond", [WARMED] * 3, 3, 3, "done", None),
        ("vehicle_did_not_respond", [WARMED, PART, UNNEEDED], 3, 3, "done", None),
        ("vehicle_did_not_respond", [SILENT] * 3, 0, 3, "not_done", None),
        ("vehicle_did_not_respond", [SILENT] * 2, 0, 2, "cannot_tell", "few_stops"),
        ("vehicle_did_not_respond", [SILENT, SILENT, WARMED], 1, 3, "cannot_tell", "mixed"),
        ("vehicle_did_not_respond", [{}] * 9, 0, 0, "cannot_tell", "few_stops"),
        ("vehicle_did_not_respond", [], 0, 0, "cannot_tell", "no_stop"),
        ("vehicle_never_warmed", [PART] * 3, 3, 3, "done", None),
        ("vehicle_never_warmed", [{}] * 3 + [PART | NOT_EXPECTED] * 9, 0, 3, "not_done", None),
        ("site_destination_not_recognised", [PLACE] * 4, 4, 4, "done", None),
        ("site_destination_not_recognised", [ADDRESS] * 4 + [{}] * 5, 0, 4, "not_done", None),
        ("site_slow", [{"lost_site_min": 2.9}] * 3, 3, 3, "done", None),
        ("site_slow", [{"lost_site_min": 3.0}] * 3, 0, 3, "not_done", None),
        ("site_slow", [{"lost_site_min": None}] * 3, 0, 0, "cannot_tell", "few_stops"),
        ("site_held_back", [{"held_back_min": 40.0}] * 3, 0, 3, "not_done", None),
        ("most_minutes_vehicle", [WARMED] * 3 + [NOT_EXPECTED] * 5, 3, 3, "done", None),
        ("most_minutes_site", [PART] * 3, 0, 3, "not_done", None),
        ("most_minutes_site", [WARMED] * 5 + [{}] * 5, 5, 10, "cannot_tell", "mixed"),
    ],
)  # fmt: skip
def test_the_rule(
    con: duckdb.DuckDBPyConnection,
    code: str,
    stops: list[Row],
    good_n: int,
    chances_n: int,
    verdict: str,
    why: str | None,
) -> None:
    # A driver for each stop, so that at sites too each stop counts as one.
    row = one(con, code, [stop(driver_id=f"d{n}", **each) for n, each in enumerate(stops)])
    assert (row["good_n"], row["chances_n"]) == (good_n, chances_n)
    assert (row["verdict"], row["why"]) == (verdict, why)
    assert row["subject_name"] == ("Fast" if "site" in code else "Van v1")
    assert row["avoidable_min"] == 10.0


@pytest.mark.parametrize(
    ("changes", "code", "verdict"),
    [
        ({"is_configured": True}, "vehicle_unconfigured", "done"),
        ({"is_configured": False}, "vehicle_unconfigured", "not_done"),
        ({"is_silent": False}, "vehicle_silent", "done"),
        ({"is_silent": True}, "vehicle_silent", "not_done"),
        ({"vehicle_id": "another"}, "vehicle_silent", "cannot_tell"),
    ],
)
def test_what_needs_no_counting(
    con: duckdb.DuckDBPyConnection, changes: Row, code: str, verdict: str
) -> None:
    put(con, "weekly_vehicles", [vehicle("v1") | changes])
    row = one(con, code, [])
    assert row["verdict"] == verdict
    assert row["why"] == ("gone" if verdict == "cannot_tell" else None)


def test_every_finding_can_be_followed_up() -> None:
    told = followups_section(
        [
            {
                "listed_week_id": BEFORE, "code": code, "verdict": "cannot_tell", "why": "mixed",
                "subject_name": "X", "good_n": 2, "chances_n": 4, "good_rate_low": 0.15,
                "good_rate_high": 0.85, "good_before_n": 3, "chances_before_n": 4,
            }
            for code in FINDING_WORDS
            if code not in ("vehicle_unconfigured", "vehicle_silent")
        ],
        NOW_WEEK,
    )  # fmt: skip
    assert told is not None
    assert all(
        row["told"].replace("\u00a0", " ").endswith("2 of 4 (15 to 85 %), before 75 %")
        for row in told["rows"]
    )


def chances(
    good: int, n: int, kind: str = "vehicle", clusters: int = 1, before: tuple[int, int] = (0, 0)
) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "kind": kind, "code": f"most_minutes_{kind}", "is_configured": True,
                "is_silent": False, "stops_n": n, "chances_n": n, "good_n": good,
                "clusters_n": clusters, "good_before_n": before[0], "chances_before_n": before[1],
            }
        ]
    )  # fmt: skip


@pytest.mark.parametrize("n", [3, 4, 7, 20])
def test_the_interval_is_wilsons(n: int) -> None:
    """Against scipy's own, which shares no code with ours."""
    for good in range(n + 1):
        row = judged(chances(good, n), 0.0).row(0, named=True)
        theirs = binomtest(good, n).proportion_ci(CONFIDENCE, method="wilson")
        assert row["good_rate_low"] == pytest.approx(theirs.low, abs=1e-9)
        assert row["good_rate_high"] == pytest.approx(theirs.high, abs=1e-9)
        sure = "done" if theirs.low > 0.5 else "not_done" if theirs.high < 0.5 else None
        assert row["verdict"] == (sure or "cannot_tell")


def test_what_went_well_before_is_no_effect(con: duckdb.DuckDBPyConnection) -> None:
    assert judged(chances(9, 9), 0.0)["verdict"][0] == "done"
    assert judged(chances(9, 9, before=(7, 10)), 0.0)["verdict"][0] == "done"
    # 9 of 9 lie above 76.9 % with 90 %: by n / (n + z²).
    assert judged(chances(9, 9, before=(77, 100)), 0.0)["verdict"][0] == "cannot_tell"
    assert judged(chances(5, 9, before=(9, 10)), 0.0)["verdict"][0] == "not_done"
    earlier = [stop(week_id=BEFORE, **PLACE)] * 8 + [stop(week_id="2026-W01", **ADDRESS)]
    too_early = [stop(week_id="2025-W50", **ADDRESS)] * 9
    since = [stop(driver_id=f"d{n}", **PLACE) for n in range(9)]
    row = one(con, "site_destination_not_recognised", [*too_early, *earlier, *since])
    assert (row["good_before_n"], row["chances_before_n"]) == (8, 9)
    assert (row["good_n"], row["chances_n"], row["verdict"]) == (9, 9, "cannot_tell")


def test_stops_of_one_driver_count_less_at_a_site() -> None:
    assert judged(chances(4, 4, "site", 4), 0.9)["verdict"][0] == "done"
    assert judged(chances(4, 4, "site", 1), 0.9)["verdict"][0] == "cannot_tell"
    assert judged(chances(4, 4, "vehicle", 1), 0.9)["verdict"][0] == "done"


def kept(con: duckdb.DuckDBPyConnection) -> list[tuple[Any, ...]]:
    return con.execute(
        "select week_id, action_no, kind, subject_id, code, avoidable_min from edition_actions "
        "order by week_id, action_no"
    ).fetchall()


def test_a_remade_edition_replaces_its_own(con: duckdb.DuckDBPyConnection) -> None:
    codes = ("vehicle_did_not_respond", "site_slow", "most_minutes_site", "vehicle_silent")
    attention(con, *codes)
    keep_actions(con, BEFORE)
    first = kept(con)
    assert [row[4] for row in first] == list(codes[:ACTIONS_N])
    assert first[1] == (BEFORE, 2, "site", "fast", "site_slow", 11.0)
    keep_actions(con, BEFORE)
    assert kept(con) == first
    attention(con, "site_slow")
    keep_actions(con, BEFORE)
    assert kept(con) == [(BEFORE, 1, "site", "fast", "site_slow", 10.0)]
    lists = con.execute("select * from edition_lists").fetchall()
    assert lists == [(BEFORE, 1)]


def test_only_the_last_list_counts_and_only_what_came_after(
    con: duckdb.DuckDBPyConnection,
) -> None:
    attention(con, "most_minutes_vehicle")
    put(con, "weekly_fleet", [{"week_id": "2026-W01", "is_edition": True, "stops_n": 5}])
    keep_actions(con, "2026-W01")
    weeks = ["2026-W01"] * 4 + ["2026-W02"] * 3 + [NOW_WEEK] * 2 + ["2026-W05"] * 8
    put(con, "judged_stops", [stop(week_id=each, vehicle_id="v1") for each in weeks])
    assert followed(con)[0]["chances_n"] == 5, "after the list, up to the edition's week"
    assert followed(con, "2026-W01") == [], "an edition is no list of its own"
    attention(con)
    keep_actions(con, BEFORE)
    assert followed(con) == [], "an edition without actions ends the list before it"
    assert followed(con, "2026-W02")[0]["chances_n"] == 3, "an old edition made again"


def test_a_page_without_stops_names_no_action(con: duckdb.DuckDBPyConnection) -> None:
    attention(con, "vehicle_silent", stops_n=0)
    keep_actions(con, BEFORE)
    assert kept(con) == []
    assert con.execute("select * from edition_lists").fetchall() == [(BEFORE, 0)]


def test_words_on_the_first_page() -> None:
    con, _ = week("one")
    rows = [
        {
            "listed_week_id": "2026-W02", "action_no": number, "kind": "vehicle",
            "subject_id": "x", "subject_name": name, "code": code, "verdict": verdict,
            "why": why, "good_n": good, "chances_n": n, "good_rate_low": low,
            "good_rate_high": high, "good_before_n": 0, "chances_before_n": 0,
        }
        for number, (name, code, verdict, why, good, n, low, high) in enumerate(
            (
                ("<b>Van", "vehicle_did_not_respond", "done", None, 4, 4, 0.597, 1.0),
                ("Van 2", "vehicle_silent", "not_done", None, 0, 0, None, None),
                ("Van 3", "most_minutes_vehicle", "cannot_tell", "few_stops", 1, 2, 0.1, 0.9),
            ),
            1,
        )
    ]  # fmt: skip
    put(con, "weekly_followups", rows)
    fleet = fleet_of()
    data = read_week(con, WEEK, fleet)
    html = fleet_html(
        data, fleet, instant=document_instant(WEEK, fleet, None), method_version="1", version="1"
    ).replace("\u00a0", " ")
    block = html[html.index('<div class="followups">') :]
    block = block[: block.index("</div>")]
    assert "From last week’s list" in block
    assert "&lt;b&gt;Van" in block
    assert "stops that asked for warming: it responded at 4 of 4 (60 to 100 %)" in block
    assert "it still sends no data" in block
    assert "stops where warming was expected: in time at 1 of 2; too few to tell" in block
    verdicts = [part.split("<")[0] for part in block.split("<b>")[1:]]
    assert verdicts == ["done", "not done", "cannot tell"]
    section = followups_section(rows, "2026-W05")
    assert section is not None and section["title"] == "From the list of 2026-W02"
    assert followups_section([], WEEK) is None


def test_from_one_edition_to_the_next(tmp_path: Path) -> None:
    """Two weeks through the whole program: unknown vehicle, then configured."""
    folder = write_fleet(tmp_path / "fleet")
    for weeks in (0, 1):
        plug_in = MONDAY + timedelta(weeks=weeks, hours=2)
        drop(folder, drive_and_charge(plug_in=plug_in, vehicle="v9"), f"log_{weeks}.csv")
    first = make_edition(load_fleet(folder), "2026-W03", pdf=False, now=NOW)
    page = (folder / "reports" / first.week_id / "fleet.html").read_text(encoding="utf-8")
    assert 'class="followups"' not in page
    vehicles = (folder / "vehicles.toml").read_text(encoding="utf-8")
    (folder / "vehicles.toml").write_text(
        f'{vehicles}\n[vehicles.v9]\nmodel = "flat-60"\n', encoding="utf-8"
    )
    make_edition(load_fleet(folder), "2026-W04", pdf=False, now=NOW)
    page = (folder / "reports" / "2026-W04" / "fleet.html").read_text(encoding="utf-8")
    block = page[page.index('class="followups"') :][:900]
    assert "v9" in block
    assert "it is configured now" in block
    assert "<b>done</b>" in block

"""Who or what in an edition: what is said, and what about people is not said."""

from __future__ import annotations

import math
import zipfile
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import numpy as np
import polars as pl
import pytest
from judged_lab import (
    NAMED,
    SECRET,
    WEEK,
    before_judging,
    dumped,
    fleet_at,
    quick,
    stops,
)
from report_data import HOSTILE
from report_data import WEEK as REPORT_WEEK
from report_data import week as report_week
from scipy.sparse import csr_array

from pipeline.attention import _SCHEMA, FACTS
from pipeline.config import Fleet
from pipeline.events_config import Event, event_problems
from pipeline.judge import judge, measured
from pipeline.judge.allowed import allowed
from pipeline.judge.people import labelled, people_found
from pipeline.judge.span import chart_span, judged_weeks
from pipeline.judgement.findings import FINDING_SCHEMA
from pipeline.judgement.logistic import penalised_logistic, without_rows
from pipeline.judgement.places import not_recognised
from pipeline.people.findings import decide
from pipeline.privacy import driver_labels
from pipeline.report import report
from pipeline.report.filters import quantity_filters
from pipeline.report.judged import judged_section
from pipeline.report.weekdata import read_week

NOW = datetime(2026, 7, 6, tzinfo=UTC)
NEVER = f"{SECRET}d0"


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    quick(monkeypatch)


def judged(
    fleet: Fleet, rows: pl.DataFrame | None = None, names: dict[str, str] | None = None
) -> duckdb.DuckDBPyConnection:
    con = duckdb.connect(":memory:")
    con.execute("set TimeZone = 'UTC'")
    before_judging(con, stops() if rows is None else rows, names)
    judge(con, fleet, WEEK, NOW)
    return con


def rows_of(con: duckdb.DuckDBPyConnection, table: str) -> list[dict[str, Any]]:
    return con.sql(f"select * from {table}").pl().to_dicts()


def labels(fleet: Fleet) -> set[str]:
    ids = stops()["driver_id"].unique().sort().to_list()
    return set(driver_labels(fleet, ids)["driver_label"])


def written(fleet: Fleet, con: duckdb.DuckDBPyConnection, out: Path) -> str:
    """Every file of an edition that carries the judged tables, archives opened."""
    more, _ = report_week("rich", fleet.settings.privacy.driver_analysis)
    for table in rows_of(con, "duckdb_tables() where table_name like 'weekly_%'"):
        name = table["table_name"]
        more.register("incoming", con.sql(f"select * from {name}").pl())
        more.execute(f"create or replace temp table {name} as select * from incoming")
        more.unregister("incoming")
    made = {"pdf": False, "method_version": "1", "version": "0"}
    texts = []
    for path in report(more, fleet, REPORT_WEEK, out, **made):  # type: ignore[arg-type]
        texts.append(path.read_bytes().decode("utf-8", "replace"))
        if path.suffix == ".xlsx":
            with zipfile.ZipFile(path) as book:
                texts += [book.read(each).decode("utf-8", "replace") for each in book.namelist()]
        elif path.suffix == ".parquet":
            texts.append(pl.read_parquet(path).write_json())
    return "\n".join(texts)


@pytest.mark.parametrize(
    ("level", "has_record", "may"),
    [("off", True, "nothing"), ("totals", True, "sums"), ("pseudonyms", False, "sums")],
)
def test_nobody_is_told_apart(level: str, has_record: bool, may: str, tmp_path: Path) -> None:
    """No id, label or name of a driver in any table or file; no row and no finding of one.

    The names of vehicles and of an event try to break the page.
    """
    event = {"date": "2026-05-04", "name": "<script>alert('x')</script>"}
    fleet = fleet_at(level, has_record=has_record, events=[event])
    names = {f"v{n:02d}": name for n, name in enumerate(HOSTILE)}
    con = judged(fleet, names=names)
    everything = dumped(con)
    if level == "off":
        everything += written(fleet, con, tmp_path)
        page = (tmp_path / REPORT_WEEK / "fleet.html").read_text(encoding="utf-8")
        assert "<script>" not in page and "&lt;script&gt;" in page and "{{ 7 * 7 }}" in page
        table = (tmp_path / REPORT_WEEK / "tables" / "judged_rates.csv").read_text("utf-8")
        assert "'=HYPERLINK" in table
    else:
        everything += str(section(con, fleet))
    shown = labels(fleet_at("pseudonyms")) | {NAMED, SECRET, "driver_never_starts"}
    assert [word for word in shown if word in everything] == []
    assert rows_of(con, "weekly_judged_scope")[0]["people_level"] == may
    for table, key in (("rates", "grouped_by"), ("funnel", "grouped_by"), ("control", "kind")):
        assert "driver" not in {row[key] for row in rows_of(con, f"weekly_judged_{table}")}
    assert rows_of(con, "people_findings") == []
    sums = {row["grouped_by"] for row in rows_of(con, "weekly_what_if")}
    causes = {row["cause"] for row in rows_of(con, "weekly_judged_causes")}
    assert ("driver" in sums) == ("driver_habit" in causes) == (may == "sums")
    assert ("driver habit" in everything) == (may == "sums")
    assert ("purpose, agreed_on, agreement" in everything) == (not has_record)


def test_a_finding_waits_then_stands(tmp_path: Path) -> None:
    fleet = fleet_at("pseudonyms")
    con = judged(fleet)
    label = driver_labels(fleet, [NEVER])["driver_label"][0]
    (kept,) = (
        row for row in rows_of(con, "people_findings") if row["code"] == "driver_never_starts"
    )
    assert kept["driver_id"] == NEVER and kept["state"] == "waiting"
    assert [row for row in rows_of(con, "weekly_judged_findings") if row["kind"] == "driver"] == []
    scope = rows_of(con, "weekly_judged_scope")[0]
    assert scope["waiting_n"] == len(rows_of(con, "people_findings")) >= 1
    text = written(fleet, con, tmp_path / "waiting")
    assert "coldminutes approve" in text and SECRET not in text
    assert "never starts warming" not in text and "driver_never_starts" not in text

    decide(con, fleet, kept["finding_id"], "approved", "works council", NOW)
    judge(con, fleet, WEEK, NOW)
    (said,) = (row for row in rows_of(con, "weekly_judged_findings") if row["kind"] == "driver")
    assert (said["subject_id"], said["subject_name"]) == (label, label)
    mine = stops().filter((pl.col("driver_id") == NEVER) & pl.col("is_expected"))
    assert set(said["stop_ids"]) <= set(mine["stop_id"]) and len(said["stop_ids"]) >= 19
    assert rows_of(con, "weekly_judged_scope")[0]["waiting_n"] == scope["waiting_n"] - 1
    page = section(con, fleet)
    assert "never starts warming" in str(page["findings"]) and label.removeprefix("driver ") in str(
        page["findings"]
    )
    assert SECRET not in str(page) + dumped(con)
    # The second lock: at another level the page drops what tables still hold about people.
    locked = str(section(con, fleet_at("totals")))
    assert [word for word in labels(fleet) if word in locked] == []


def test_a_signal_nobody_approved_takes_its_chart_along() -> None:
    points = pl.DataFrame(
        {"subject_id": ["a", "a", "b"], "stop_id": ["1", "2", "3"], "signal": [None, "worse", None]}
    )
    found = people_found(pl.DataFrame(schema=FINDING_SCHEMA), points)
    assert found.select("driver_id", "code", "stops_n").rows() == [("a", "driver_starts_less", 1)]


def test_names_only_at_their_level() -> None:
    rows = pl.DataFrame({"group_id": [NEVER, f"{SECRET}d1"], "n": [1, 2]})
    named = labelled(fleet_at("names"), rows, "group_id")
    assert NAMED in named["driver_label"].to_list() and "group_id" not in named.columns
    hidden = labelled(fleet_at("pseudonyms"), rows, "group_id")["driver_label"].to_list()
    assert len(set(hidden)) == 2 and not any(SECRET in each or each == NAMED for each in hidden)
    assert labelled(fleet_at("totals"), rows, "group_id").is_empty()


def test_few_drivers_hide_nowhere() -> None:
    assert allowed(fleet_at("totals"), 4).level == "nothing"
    assert allowed(fleet_at("totals"), 5).level == "sums"
    assert allowed(fleet_at("pseudonyms"), 4).why_not == "few"
    assert allowed(fleet_at("pseudonyms"), 5).level == "each"
    assert allowed(fleet_at("names"), 2).level == "each"
    assert allowed(fleet_at("off"), 50).level == "nothing"


def test_rentals_have_no_driver_and_no_instant() -> None:
    """Rented stops alone: nobody drove, so nothing is said about people, at any level."""
    rented = stops().head(150).with_columns(vehicle_use=pl.lit("rental"))
    con = judged(fleet_at("pseudonyms"), rows=rented)
    assert rows_of(con, "weekly_judged_scope")[0]["people_why_not"] == "few"
    types = con.execute(
        "select data_type from duckdb_columns() where table_name like 'weekly_judged_%' "
        "or table_name = 'weekly_what_if'"
    ).fetchall()
    assert not any("TIMESTAMP" in each for (each,) in types)


def test_what_is_found_is_true_and_the_page_says_it() -> None:
    """Truth: site 5 is known at 30 % of stops, site 4 at half, every vehicle answers."""
    fleet = fleet_at("pseudonyms")
    con = judged(fleet)
    found = {row["subject_id"] for row in rows_of(con, "weekly_judged_findings")}
    assert "site-5" in found and found <= {"site-4", "site-5"}
    causes = {row["cause"]: row for row in rows_of(con, "weekly_judged_causes")}
    # Local weeks 14 to 26; the scenario's last week comes after the edition's.
    begin, end = (datetime(2026, *day, 22, tzinfo=UTC) for day in ((3, 29), (6, 28)))
    whole = stops().filter(pl.col("plug_in_at").is_between(begin, end, closed="left"))
    assert sum(row["avoidable_min"] for row in causes.values()) == pytest.approx(
        whole["avoidable_min"].sum()
    )
    assert rows_of(con, "weekly_judged_scope")[0]["weeks_n"] == 13
    mended = {row["grouped_by"]: row for row in rows_of(con, "weekly_what_if")}
    assert mended["driver"]["subject_names"] is None
    assert mended["site"]["subject_names"] == sorted(mended["site"]["subject_names"])
    assert mended["site"]["saved_low_min"] < mended["site"]["saved_min"]
    worth = {
        (row["subject_id"], row["cause"]): row["worth_min"]
        for row in rows_of(con, "weekly_judged_worth")
    }
    unknown = whole.filter(
        (pl.col("site_id") == "site-5") & (pl.col("why") == "destination_not_recognised")
    )
    assert worth["site-5", "place_not_recognised"] == pytest.approx(
        unknown["avoidable_min"].sum() / 13
    )
    said = section(con, fleet)
    counted = whole
    expected = counted.filter(pl.col("is_expected"))
    assert [row["stops_n"] for row in said["rates"]] == [expected.height, counted.height]
    began = expected["outcome"].is_in(["warmed", "part_warmed"]).mean()
    assert said["rates"][0]["start_rate"] == pytest.approx(began)
    for group in said["groups"]:
        names = [row["name"] for row in group["rows"]]
        assert names == sorted(names) and len(names) <= 10
    assert not any(row["is_outside"] for row in said["groups"][-1]["rows"]), "never of a person"
    shown = sum(row["avoidable_min"] for row in said["causes"])
    assert shown == round(expected["avoidable_min"].sum() / 13)


def test_events_are_compared_where_they_can_be() -> None:
    events = (
        Event(date=date(2026, 5, 4), name="Yard talk", kind="training"),
        Event(date=date(2026, 5, 4), name="Update", kind="software", vehicles=("v01",)),
        Event(date=date(2026, 1, 1), name="Long ago"),
        Event(date=date(2026, 12, 1), name="Not yet"),
    )
    last, zone = date(2026, 6, 28), ZoneInfo("Europe/Stockholm")
    drivers = stops().select("stop_id", "driver_id")
    found = {
        row["event_name"]: row
        for row in measured.effects(stops(), events, last, zone, drivers).to_dicts()
    }
    assert set(found) == {"Yard talk", "Update"}
    talk = found["Yard talk"]
    assert talk["event_date"] == date(2026, 5, 4) and talk["vehicles_n"] == 0
    assert talk["change_rate_low"] < 0 < talk["change_rate_high"]  # nothing changed in truth
    assert found["Update"]["before_n"] < talk["before_n"] / 4
    few = drivers.filter(pl.col("driver_id").is_in([f"{SECRET}d{n}" for n in range(3)]))
    (row, _) = (
        measured.effects(stops(), events[:2], last, zone, few).sort("event_kind").to_dicts()[::-1]
    )
    assert row["event_name"] == "Yard talk" and row["why_null"] == "too_few_people"


def test_an_event_of_unknown_vehicles_is_refused() -> None:
    event = Event(date=date(2026, 5, 4), name="x", vehicles=("v9",), sites=("s1",))
    (problem,) = event_problems((event,), {"v1"}, {"s1"})
    assert (problem.code, problem.where) == ("CONFIG-04", "fleet.toml, key events.0.vehicles")
    assert "v9" in problem.message


def test_weeks_read_do_not_grow_with_history() -> None:
    weeks = judged_weeks("2026-W26")
    assert weeks == ("2025-W40", "2026-W01", "2026-W14")
    for week_id in ("2026-W26", "2026-W27", "2030-W01"):
        span = chart_span(week_id, "2019-W01")
        assert span is not None
        watched = (date.fromisocalendar(int(week_id[:4]), int(week_id[-2:]), 1) - span[1]).days // 7
        assert 13 <= watched <= 25 and (span[1] - span[0]).days == 91
    assert chart_span("2026-W26", "2026-W26") is None
    spans = [chart_span(f"2026-W{n:02d}", "2019-W01") for n in range(1, 53)]
    assert len(set(spans)) <= 5, "a chart stays as it is for 13 editions"


def section(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> Any:
    more, _ = report_week("none", "off")
    for name in ("scope", "rates", "findings", "causes", "funnel", "control", "effects", "worth"):
        more.register("incoming", con.sql(f"select * from weekly_judged_{name}").pl())
        more.execute(f"create temp table weekly_judged_{name} as select * from incoming")
    more.register("incoming", con.sql("select * from weekly_what_if").pl())
    more.execute("create temp table weekly_what_if as select * from incoming")
    week = read_week(more, REPORT_WEEK, fleet)
    return judged_section(week, fleet, quantity_filters(fleet.settings))


def test_worth_orders_findings_that_warming_would_mend() -> None:
    from pipeline.attention import attention

    con, _ = report_week("rich")
    frames = {
        name: con.sql(f"select * from weekly_{name}").pl()
        for name in ("vehicles", "sites", "fleet")
    }
    vehicles = frames["vehicles"].with_columns(
        avoidable_min=pl.lit(40.0), avoidable_stops_n=pl.lit(4, pl.Int64)
    )
    whys = pl.DataFrame(
        schema={
            "vehicle_id": pl.String, "site_id": pl.String, "outcome": pl.String, "why": pl.String,
            "stops_n": pl.Int64, "week_stops_n": pl.Int64, "week_stop_ids": pl.List(pl.String),
        }
    )  # fmt: skip
    fleet_weeks = frames["fleet"].with_columns(avoidable_min=pl.lit(100.0))
    ids = vehicles["vehicle_id"].to_list()[:3]
    worth = pl.DataFrame(
        {
            "kind": ["vehicle"] * 3,
            "subject_id": ids,
            "cause": ["setting"] * 3,
            "worth_min": [5.0, 30.0, 12.0],
            "worth_low_min": [2.0, 20.0, 6.0],
            "worth_high_min": [9.0, 41.0, 19.0],
            "worth_weeks_n": [13] * 3,
        }
    )
    empty = frames["sites"].clear()
    plain = attention(vehicles, empty, whys, fleet_weeks, REPORT_WEEK)
    ranked = attention(vehicles, empty, whys, fleet_weeks, REPORT_WEEK, worth)
    by_warming = [row for row in ranked.to_dicts() if row["code"] == "most_minutes_vehicle"]
    assert [row["subject_id"] for row in by_warming[:3]] == [ids[1], ids[2], ids[0]]
    assert by_warming[0]["facts"]["worth_high_min"] == 41.0
    assert ranked.height == plain.height and ranked.schema == pl.Schema(_SCHEMA)
    codes = ranked["code"].to_list()
    assert codes.index("vehicle_unconfigured") > codes.index("most_minutes_vehicle")
    assert {"worth_min", "worth_low_min", "worth_high_min"} <= set(FACTS)


def test_a_place_is_named_only_against_chance() -> None:
    def at(site: str, known: int, unknown: int) -> pl.DataFrame:
        n = known + unknown
        return (
            stops()
            .head(n)
            .with_columns(
                stop_id=pl.Series([f"{site}-{k}" for k in range(n)]),
                site_id=pl.lit(site),
                outcome=pl.Series(["warmed"] * known + ["not_warmed"] * unknown),
                why=pl.Series([None] * known + ["destination_not_recognised"] * unknown),
            )
        )

    rows = pl.concat([at("a", 20, 2), at("b", 3, 8), at("c", 0, 2), at("d", 4, 0)])
    found = {row["subject_id"]: row for row in not_recognised(rows).to_dicts()}
    verdicts = {key: row["verdict"] for key, row in found.items()}
    assert verdicts == {"a": "too_few", "b": "stands", "c": "too_few", "d": "recognised"}
    # Elsewhere 4 of 28 were unknown, with one of each added 5 of 30: P(X >= 8), X ~ Bin(11, 1/6),
    # summed by hand from the definition.
    share = 5 / 30
    chance = sum(math.comb(11, k) * share**k * (1 - share) ** (11 - k) for k in range(8, 12))
    assert found["b"]["p_value"] == pytest.approx(chance)
    assert sorted(found["b"]["stop_ids"]) == sorted(f"b-{k}" for k in range(3, 11))


def test_a_fit_without_some_rows_is_the_fit_of_the_others() -> None:
    """Against the full fit, which is held to statsmodels in the reference tests."""
    rng = np.random.default_rng(4)
    group = rng.integers(0, 12, 400)
    design = np.column_stack([np.ones(400), rng.normal(size=400), np.eye(12)[group]])
    hit = rng.random(400) < 0.6
    prior = np.full(14, 2.0)
    whole = penalised_logistic(design, hit, prior)
    for left_out in (group == 3, group < 6, np.arange(400) < 390):
        direct = penalised_logistic(design[~left_out], hit[~left_out], prior).effects
        found = without_rows(whole, csr_array(design), hit, prior, left_out)
        assert found == pytest.approx(direct, abs=1e-6)


def test_why_fewer_are_in_time_where_it_counts_is_said_only_where_it_is_so() -> None:
    from pipeline.report.judged import _hard_frost

    lower, higher = {"hit_rate": 0.08}, {"hit_rate": 0.23}
    assert "Fewer are warmed in time" in _hard_frost([lower, higher])
    assert _hard_frost([higher, lower]) == _hard_frost([higher, higher]) == ""
    assert _hard_frost([{"hit_rate": None}, higher]) == _hard_frost([lower]) == ""


def test_a_week_in_which_nothing_had_to_be_warmed_has_no_such_section() -> None:
    from types import SimpleNamespace

    from pipeline.report.judged_data import Judged

    causes = [{"cause": "driver_habit", "stops_n": 0, "avoidable_min": 0, "unavoidable_min": 0}]
    week = SimpleNamespace(judged=Judged(scope={"stops_n": 2}, causes=causes))
    assert judged_section(week, None, {}) is None  # type: ignore[arg-type]

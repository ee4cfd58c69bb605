"""The report over many fleets: sums, reasons, order, and nothing about people."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from fleets import FLEET_TOML, MONDAY, NOW, drive_and_charge, drop, write_fleet
from typer.testing import CliRunner

from pipeline.attention import FACTS
from pipeline.cli import app
from pipeline.config import Fleet, load_fleet
from pipeline.edition import build_week, compute, take_in, warehouse_of
from pipeline.group import make_group
from pipeline.group.figures import FIGURES, Group, Member, Missing, read_group
from pipeline.group.page import MOST_FINDINGS, MOST_FLEETS, group_html
from pipeline.group.tables import csv_files, group_tables, summary, workbook
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.weekdata import read_week

WEEK = "2026-W03"
IMPRINT: dict[str, Any] = {"version": "1", "method_version": "1.1"}
AT = datetime(2026, 1, 19, tzinfo=UTC)
FIXED = dict.fromkeys(FIGURES, 0) | {
    "stops_n": 10,
    "rated_n": 10,
    "needed_warming_n": 8,
    "warmed_n": 6,
    "hit_rate": 0.75,
    "hit_rate_low": 0.40,
    "hit_rate_high": 0.93,
    "lost_cold_min": 120.0,
    "lost_cold_low_min": 110.0,
    "lost_cold_high_min": 131.0,
    "split_stops_n": 10,
    "avoidable_min": 48.5,
    "warming_kwh": 20.5,
    "warming_cost": 8.2,
    "vehicles_n": 4,
    "silent_n": 1,
}


def fleet_of(
    folder: Path, operator: str = "Ost", currency: str = "EUR", zone: str = "Europe/Berlin"
) -> Fleet:
    folder.mkdir(parents=True)
    text = f"operator = {json.dumps(operator)}\ncurrency = '{currency}'\ntime_zone = '{zone}'\n"
    (folder / "fleet.toml").write_text(text, encoding="utf-8")
    return load_fleet(folder)


def finding(subject: str, minutes: float | None, worth: float | None = None) -> dict[str, Any]:
    facts = dict.fromkeys(FACTS) | {
        "seen_n": 3,
        "weeks_n": 2,
        "worth_min": worth,
        "worth_low_min": worth,
        "worth_high_min": worth,
    }
    return {
        "kind": "vehicle",
        "subject_id": subject,
        "subject_name": subject,
        "code": "vehicle_did_not_respond",
        "facts": facts,
        "avoidable_min": minutes,
        "lost_cold_min": minutes,
        "stops_n": 3,
        "stop_ids": [],
    }


def member(fleet: Fleet, *attention: dict[str, Any], label: str = "", **figures: object) -> Member:
    return Member(label or fleet.settings.operator, fleet, {**FIXED, **figures}, list(attention))


@pytest.fixture
def group(tmp_path: Path) -> Group:
    north = fleet_of(tmp_path / "n", "Nord", "SEK", "Europe/Stockholm")
    east = fleet_of(tmp_path / "e", "Ost", "EUR", "Europe/Helsinki")
    return Group(
        WEEK,
        [
            member(north, finding("van-a", 5.0), finding("van-b", 30.0, worth=2.0)),
            member(east, finding("van-c", 1.0, worth=9.0), finding("van-d", None), stops_n=7),
        ],
        [Missing("Süd", "no_data", "2026-W02"), Missing("West", "held")],
    )


def page(group: Group) -> str:
    return group_html(group, speaker=group.members[0], instant=AT, **IMPRINT)


def test_minutes_are_added_and_currencies_are_not(group: Group) -> None:
    told = json.loads(summary(group, outputs=[], **IMPRINT))
    assert told["all_fleets"]["stops_n"] == 17
    assert told["all_fleets"]["avoidable_min"] == 97.0
    assert told["warming_cost_by_currency"] == {"EUR": 8.2, "SEK": 8.2}
    assert "warming_cost" not in told["all_fleets"]
    html = page(group)
    assert "8.20\u00a0EUR and 8.20\u00a0SEK; currencies are not converted" in html
    assert "16.40" not in html
    assert "Of 16 stops that needed warming, 12 got it in time (75\u00a0%)." in html


def test_one_currency_is_added(tmp_path: Path) -> None:
    both = [member(fleet_of(tmp_path / name, name)) for name in ("a", "b")]
    html = page(Group(WEEK, both, []))
    assert "Energy of warming cost 16.40\u00a0EUR." in html
    assert "Not in the tables" not in html


def test_a_figure_that_is_not_known_is_a_dash_and_never_zero(tmp_path: Path) -> None:
    unknown = dict.fromkeys(FIGURES) | {"stops_n": 2, "rated_n": 0, "needed_warming_n": 0}
    alone = Group(WEEK, [member(fleet_of(tmp_path / "a"), **unknown)], [])
    told = json.loads(summary(alone, outputs=[], **IMPRINT))
    assert told["all_fleets"]["lost_cold_min"] is None
    assert told["warming_cost_by_currency"] == {}
    html = page(alone)
    assert "None is known to have needed warming." in html
    assert "Cold batteries took" not in html
    assert "In 1 fleet some stops lack the signals" in html


def test_what_is_worth_most_comes_first_whatever_fleet_it_is_in(group: Group) -> None:
    """Worth a week where it is known, else the week's avoidable minutes; unknown last."""
    rows = list(csv.DictReader(io.StringIO(csv_files(group_tables(group))["tables/attention.csv"])))
    assert [row["subject_id"] for row in rows] == ["van-c", "van-a", "van-b", "van-d"]
    assert [row["fleet_name"] for row in rows] == ["Ost", "Nord", "Nord", "Ost"]


def test_zones_are_told_where_the_weeks_begin_at_other_instants(
    group: Group, tmp_path: Path
) -> None:
    assert "Europe/Helsinki, Europe/Stockholm" in page(group)
    # Berlin and Stockholm keep one clock (tz database), so their weeks are one span of time.
    same = [
        member(fleet_of(tmp_path / zone[-3:], zone=zone), label=zone)
        for zone in ("Europe/Berlin", "Europe/Stockholm")
    ]
    assert "do not begin at one instant" not in page(Group(WEEK, same, []))


def test_missing_fleets_stand_with_their_reason(group: Group) -> None:
    html = page(group)
    assert "it has no data of this week; its newest is 2026-W02" in html
    assert "another run is at work on it" in html
    assert "4 fleets · 2 with data of this week" in html


def test_long_lists_are_cut_and_say_so_but_the_totals_count_all(tmp_path: Path) -> None:
    fleet = fleet_of(tmp_path / "a")
    many = [
        member(fleet, finding(f"van-{number}", 2.0), label=f"Depot {number:03d}")
        for number in range(MOST_FLEETS + 5)
    ]
    html = page(Group(WEEK, many, []))
    assert "5 more fleets in the table beside this report" in html
    assert f"{MOST_FLEETS + 5 - MOST_FINDINGS} more findings of less weight" in html
    assert html.count('<tr><th scope="row" dir="auto">') == MOST_FLEETS
    assert "450 fast-charge stops between them" in html


def test_hostile_names_are_text_everywhere(tmp_path: Path) -> None:
    fleet = fleet_of(tmp_path / "a", '=HYPERLINK("x")<script>alert(1)</script>')
    hostile = Group(WEEK, [member(fleet, finding("=1+1", 3.0))], [])
    html = page(hostile)
    assert "<script>alert" not in html
    tables = group_tables(hostile)
    assert "\"'=HYPERLINK" in csv_files(tables)["tables/fleets.csv"]
    book = openpyxl.load_workbook(
        io.BytesIO(workbook(tables, WEEK, instant=AT, **IMPRINT)), data_only=False
    )
    cells = [cell for row in book["attention"].iter_rows() for cell in row]
    assert any(cell.value == "=1+1" and cell.data_type == "s" for cell in cells)
    assert all(cell.data_type != "f" for sheet in book for row in sheet.iter_rows() for cell in row)


@pytest.fixture(scope="module")
def fleets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Two fleets of one operator, one with the week and people in it, one with an older week."""
    base = tmp_path_factory.mktemp("group")
    level = (
        '\n[privacy]\ndriver_analysis = "pseudonyms"\npurpose = "coaching"\n'
        'agreed_on = 2026-01-05\nagreement = "no. 3, in the office"\n'
    )
    found = {}
    for name, start in (("east", MONDAY), ("west", MONDAY - timedelta(days=7))):
        folder = write_fleet(base / name, FLEET_TOML + level)
        drop(folder, drive_and_charge(plug_in=start + timedelta(hours=2), interval_s=30))
        (folder / "inbox" / "roster_1.csv").write_text(
            f"vehicle,from,to,driver\nv1,{start:%Y-%m-%dT00:00:00Z},"
            f"{start:%Y-%m-%dT23:00:00Z},Anna Beispiel\n",
            encoding="utf-8",
        )
        fleet = load_fleet(folder)
        with warehouse_of(fleet) as con:
            take_in(con, fleet, NOW)
            compute(con, fleet)
        found[name] = folder
    found["new"] = fleet_of(base / "new", "New Depot").folder
    (base / "broken").mkdir()
    (base / "broken" / "fleet.toml").write_text("operator = 3\n", encoding="utf-8")
    found["broken"] = base / "broken"
    return found


def test_figures_are_those_of_the_fleets_own_report(
    fleets: dict[str, Path], tmp_path: Path
) -> None:
    made = make_group(list(fleets.values()), None, tmp_path, pdf=False, now=NOW)
    assert made.week_id == WEEK
    assert {each.label: each.why for each in made.missing} == {
        "Test Fleet (west)": "no_data",
        "New Depot": "never_run",
        "broken": "cannot_be_read",
    }
    told = json.loads((tmp_path / WEEK / "summary.json").read_text("utf-8"))
    assert [fleet["name"] for fleet in told["fleets"]] == ["Test Fleet (east)"]
    fleet = load_fleet(fleets["east"])
    with warehouse_of(fleet) as con:
        compute(con, fleet)
        build_week(con, fleet, WEEK)
        own = read_week(con, WEEK, fleet).edition
        labels = con.execute("select driver_label from driver_labels").fetchall()
    assert len(labels) == 1
    assert own["stops_n"] == 1
    for name in FIGURES:
        assert told["fleets"][0][name] == pytest.approx(own[name], abs=5e-4), name
    assert sorted(told["outputs"]) == sorted(
        str(path.relative_to(tmp_path / WEEK)) for path in made.paths
    )
    # Nothing was made in a folder that was never run, and nobody is named.
    assert not (fleets["new"] / ".coldminutes").exists()
    for path in made.paths:
        assert b"Anna" not in path.read_bytes()
        assert not [label for (label,) in labels if label.encode() in path.read_bytes()]
    assert [path.name for path in (tmp_path).iterdir()] == [WEEK]


def test_a_week_that_is_not_over_or_held_is_told(fleets: dict[str, Path]) -> None:
    early = datetime(2026, 1, 14, tzinfo=UTC)
    group = read_group([fleets["east"]], WEEK, early)
    assert [each.why for each in group.missing] == ["week_not_over"]


def test_no_fleet_with_the_week_stops_with_every_reason_and_writes_nothing(
    fleets: dict[str, Path], tmp_path: Path
) -> None:
    out = tmp_path / "out"
    with pytest.raises(ColdMinutesError) as error:
        make_group(list(fleets.values()), "2025-W10", out, pdf=False, now=NOW)
    assert error.value.exit_code == 3
    assert len(error.value.problems) == 4
    assert not out.exists()


def test_command_line_says_what_is_missing_and_ends_with_1(
    fleets: dict[str, Path], tmp_path: Path
) -> None:
    chosen = [str(fleets["east"]), str(fleets["new"])]
    result = CliRunner().invoke(
        app, ["group", *chosen, "--week", WEEK, "--no-pdf", "--out", str(tmp_path)]
    )
    assert result.exit_code == 1, result.output
    assert "GROUP-01 New Depot, 2026-W03: was never run" in result.output
    assert (tmp_path / WEEK / "group.html").is_file()
    refused = CliRunner().invoke(app, ["group", *chosen, "--week", "2026-3"])
    assert refused.exit_code == 2
    assert "RUN-02" in refused.output


def test_a_warehouse_that_another_run_holds_is_told(
    fleets: dict[str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def held(*_arguments: object, **_settings: object) -> None:
        raise ColdMinutesError([Problem("WAREHOUSE-01", "stop", "x", "another run holds it")])

    monkeypatch.setattr("pipeline.group.figures.warehouse_of", held)
    group = read_group([fleets["east"]], WEEK, NOW)
    assert [each.why for each in group.missing] == ["held"]

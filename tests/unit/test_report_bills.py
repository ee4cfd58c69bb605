"""Bills in the edition: what is claimed of them, what is left open, and where each figure is from.

Sources outside the project: charge detail records as OCPI 2.2.1 defines them (section "CDRs
Module"; `ocpi_cdr`), meter values as OCPP 1.6 defines them (`ocpp_log`), and SHA-256 by the
Python standard library (FIPS 180-4). Charging losses of 3 to 11 % are common practice, no source.
"""

from __future__ import annotations

import csv
import hashlib
import html as html_lib
import io
import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest
from billed_fleet import METER_KWH, PRICE, WEEK, Billed, at, billed_week
from fleets import NOW, drive_and_charge, drop, write_fleet
from report_data import HOSTILE, fleet_of, week
from report_data import WEEK as INVENTED_WEEK

from pipeline.config import Limits, load_fleet
from pipeline.edition import compute, make_edition, take_in, warehouse_of
from pipeline.explain import explanation
from pipeline.method import CONSTANTS
from pipeline.reconcile import reconcile
from pipeline.report import check_pdf_support, report
from pipeline.report.doubts import doubt_row
from pipeline.report.pages import fleet_html, for_print
from pipeline.report.pdf import write_pdf
from pipeline.report.weekdata import read_week
from pipeline.warehouse import open_warehouse, register
from pipeline.weekly_bills import build_bills, has_sides

needs_pango = pytest.mark.skipif(check_pdf_support() is not None, reason="Pango is not here")
A4_PT = 841.89
"""Height of ISO 216 A4, 297 mm, in points."""


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def text_of(html: str) -> str:
    """The page's text, one blank between words."""
    bare = re.sub(r"<[^>]+>", " ", re.sub(r"<style.*?</style>", "", html, flags=re.DOTALL))
    return re.sub(r"\s+", " ", html_lib.unescape(bare).replace("\u00a0", " "))


def section_of(html: str) -> str:
    """The section on bills, with its tags; empty where there is none."""
    found = re.search(r"<h2>Bills held against charges</h2>.*?</section>", html, re.DOTALL)
    return found[0] if found else ""


# --- One edition with a charge of each kind ---


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Billed:
    fleet = billed_week(tmp_path_factory.mktemp("billed") / "fleet")
    make_edition(fleet.write(), WEEK, pdf=False, now=NOW)
    return fleet


@pytest.fixture(scope="module")
def edition(made: Billed) -> Path:
    return made.folder / "reports" / WEEK


@pytest.fixture(scope="module")
def charges(edition: Path) -> list[dict[str, str]]:
    return rows_of(edition / "tables" / "reconciliation.csv")


@pytest.fixture(scope="module")
def bills(edition: Path) -> dict[str, Any]:
    found = json.loads((edition / "summary.json").read_text(encoding="utf-8"))["bills"]
    assert isinstance(found, dict)
    return found


@pytest.fixture(scope="module")
def html(edition: Path) -> str:
    return (edition / "fleet.html").read_text(encoding="utf-8")


def test_each_charge_is_told_for_what_it_is(charges: list[dict[str, str]]) -> None:
    told = sorted((row["status"], row["why"], row["not_claimed_why"]) for row in charges)
    assert told == sorted(
        [
            *[("matched", "", "")] * 2,
            *[("matched", "own_charger", "")] * 3,
            ("energy_differs", "above_received", ""),  # billed
            ("energy_differs", "above_received", ""),  # by the charger's log
            ("energy_differs", "below_received", ""),
            ("cost_differs", "above_tariff", ""),
            ("billed_never_seen", "billed_twice", ""),
            ("billed_never_seen", "no_charge_then", ""),
            ("billed_never_seen", "no_charge_then", "vehicle_silent"),
            ("billed_never_seen", "vehicle_silent", "vehicle_silent"),
            *[("seen_never_billed", "", "")] * 2,
            ("seen_never_billed", "", "bill_unlinked"),
            ("seen_never_billed", "", "not_billed_yet"),
            ("seen_never_billed", "site_never_bills", "site_never_bills"),
            ("idle_fee", "", ""),
        ]
    )
    for row in charges:
        is_exception = row["status"] != "matched" and not row["not_claimed_why"]
        assert row["is_exception"] == str(is_exception).lower()
        assert not (row["not_claimed_why"] and row["difference_cost"])


def test_no_bill_is_lost_or_counted_twice(
    made: Billed, charges: list[dict[str, str]], bills: dict[str, Any]
) -> None:
    linked = [row for row in made.records if row["cdr_token"]["uid"] != "CARD-nobody"]
    assert sum(int(row["bills_n"]) for row in charges) == len(linked) == bills["records"]
    assert bills["unlinked_records"] == len(made.records) - len(linked) == 1
    billed = sum(record["total_cost"]["excl_vat"] for record in linked)
    assert bills["billed_cost"] == pytest.approx(billed, abs=0.001)
    assert bills["charges"] == len(charges)


def test_sums_are_those_of_the_table(charges: list[dict[str, str]], bills: dict[str, Any]) -> None:
    claimed = [row for row in charges if row["is_exception"] == "true"]
    assert bills["exceptions"] == len(claimed)
    for key, status, why, is_billed in (
        ("never_billed", "seen_never_billed", "", False),
        ("never_seen", "billed_never_seen", "no_charge_then", True),
        ("billed_twice", "billed_never_seen", "billed_twice", True),
        ("energy_above", "energy_differs", "above_received", True),
        ("energy_below", "energy_differs", "below_received", True),
        ("cost_above", "cost_differs", "above_tariff", True),
        ("charger_differs", "energy_differs", "above_received", False),
    ):
        own = [
            row
            for row in claimed
            if (row["status"], row["why"], row["bills_n"] != "0") == (status, why, is_billed)
        ]
        assert bills[key] == len(own) > 0, key
        if key != "charger_differs":
            money = sum(float(row["difference_cost"]) for row in own)
            assert abs(bills[f"{key}_cost"]) == pytest.approx(abs(money), abs=0.002), key
    both = [row for row in charges if row["stop_id"] and row["bills_n"] != "0"]
    assert bills["seen_billed"] == len(both)
    for key in ("vehicle_silent", "not_billed_yet", "bill_unlinked", "site_never_bills"):
        assert bills[key] == sum(row["not_claimed_why"] == key for row in charges), key


def test_money_by_hand(charges: list[dict[str, str]], bills: dict[str, Any]) -> None:
    """What losses cannot explain, at the bill's own price; 0.89 is the worst efficiency taken."""
    (above,) = (r for r in charges if r["why"] == "above_received" and r["billed_cost"])
    received = float(above["received_kwh"])
    assert received == pytest.approx(25, rel=0.01)
    unexplained = round(METER_KWH * 1.2, 3) - received / 0.89
    assert float(above["unexplained_kwh"]) == pytest.approx(unexplained, abs=0.002)
    assert float(above["difference_cost"]) == pytest.approx(unexplained * PRICE, abs=0.002)
    (below,) = (r for r in charges if r["why"] == "below_received")
    short = round(METER_KWH * 0.8, 3) - received / 0.97
    assert float(below["difference_cost"]) == pytest.approx(short * PRICE, abs=0.002)
    (above_tariff,) = (r for r in charges if r["why"] == "above_tariff")
    assert float(above_tariff["difference_cost"]) == pytest.approx(
        METER_KWH * PRICE * 0.25, abs=0.01
    )
    assert bills["idle_fee"] == 1
    assert bills["idle_fee_cost"] == pytest.approx(20 * 0.10)  # minutes, price of a minute


def test_the_section_says_it(html: str, bills: dict[str, Any]) -> None:
    text = text_of(section_of(html))
    for words in (
        f"Seen and billed {bills['seen_billed']} ",
        f"Seen, never billed where bills come 2 {bills['never_billed_kwh']:.1f} 26.66",
        "Billed, never seen 1 10.0 5.00",
        "Billed twice 1 26.9 13.44",
        f"More energy billed than losses explain 1 {bills['energy_above_kwh']:.1f} ",
        "Charger's meter and pack differ 1 7.1 –",
        "Fees for standing on, as billed 1 – 2.00",
        "1 record of cards that lead to no vehicle: add them to cards.toml. 1 charge without a "
        "bill may be theirs.",
        "2 charges billed (18.44 EUR) while the vehicle sent nothing.",
        "1 charge later than the last bill that came: not billed yet.",
        "1 charge at sites that never sent a bill.",
        "by charging losses of 3 % to 11 % and from 1.0 kWh",
        "within 2 %",
    ):
        assert words in text, (words, text)
    assert "Billed below the site's tariff" not in text, "a line that counts nothing"
    assert text.index("billed twice record") < text.index("billed, never seen record"), "by money"
    assert "Ask the biller to cancel one of the two bills" in text
    more_n = bills["exceptions"] - 4
    assert f"And {more_n} more, in tables/reconciliation.csv." in text
    assert section_of(html).count("<tr><td") == 4


def test_names_stand_as_text(html: str, charges: list[dict[str, str]]) -> None:
    assert "Fast &lt;b&gt;Harbour&lt;/b&gt;" in section_of(html)
    assert {row["site_name"] for row in charges} >= {"Fast <b>Harbour</b>"}
    assert any(row["record_id"].endswith("=2+3<i>") for row in charges)


def test_a_rental_has_a_date_only(html: str, charges: list[dict[str, str]]) -> None:
    (rental,) = (row for row in charges if row["vehicle_use"] == "rental")
    assert rental["charge_date"] == "2026-01-15" and rental["stop_id"] == "v3.2026-01-15.1"
    for column in ("seen_utc", "billed_utc", "transaction_id", "record_id"):
        assert rental[column] == "", column
    assert not any(re.search(r"\d\d:\d\d", value) for value in rental.values())
    row = re.search(r"<tr><td class=\"t\">([^<]*)<br>[^<]*<span[^>]*>v3\.", section_of(html))
    assert row is not None and row[1] == "Thu 15 Jan"
    dates = [(row["charge_date"], row["seen_utc"] + row["billed_utc"] == "") for row in charges]
    assert dates == sorted(dates), "after the timed charges of its day"


@needs_pango
@pytest.mark.long
def test_the_section_takes_a_third_of_a_page(html: str, tmp_path: Path) -> None:
    """All eleven kinds but one at once, so no week takes much more."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not here")
    write_pdf(for_print(html), tmp_path / "fleet.pdf")
    run = subprocess.run(
        ["pdftotext", "-bbox", str(tmp_path / "fleet.pdf"), "-"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    pages = run.stdout.split("<page ")
    (page,) = (page for page in pages if ">Bills<" in page and ">held<" in page)
    words = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]*)<', page)
    first = next(float(top) for top, _, word in words if word == "Bills")
    last = next(float(low) for _, low, word in words if word == "tables/reconciliation.csv.")
    assert 0.2 < (last - first) / A4_PT < 0.37


def test_again_changes_nothing(made: Billed, edition: Path) -> None:
    names = ("tables/reconciliation.csv", "tables/stop_inputs.csv", "summary.json", "fleet.html")
    before = [(edition / name).read_bytes() for name in names]
    make_edition(load_fleet(made.folder), WEEK, pdf=False, now=NOW)
    after = [(edition / name).read_bytes() for name in names]
    summary = [json.loads(text[2]) | {"outputs": []} for text in (before, after)]
    assert summary[0] == summary[1]
    assert before[:2] + before[3:] == after[:2] + after[3:]


# --- Provenance ---


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (folder / "inbox").iterdir()
    }


def test_every_input_of_the_week_with_its_hash(made: Billed, edition: Path, html: str) -> None:
    inputs = {row["file_path"]: row for row in rows_of(edition / "tables" / "inputs.csv")}
    assert {name: row["content_sha256"] for name, row in inputs.items()} == hashes(made.folder)
    for row in inputs.values():
        parts = ("used", "repeated", "set_aside", "superseded")
        assert int(row["rows_read_n"]) == sum(int(row[f"rows_{part}_n"]) for part in parts)
    foot = text_of(html[html.index("Evidence and inputs") :])
    assert (
        f"cdrs_w3.json 10 of 11 rows, 1 set aside; {hashes(made.folder)['cdrs_w3.json'][:10]}"
        in (foot)
    )
    assert len(inputs) == 17 and "7 more files in tables/inputs.csv, with whole hashes." in foot


def test_every_stop_leads_back_to_its_rows(made: Billed, edition: Path) -> None:
    known = hashes(made.folder)
    stops = rows_of(edition / "tables" / "stops.csv")
    behind = rows_of(edition / "tables" / "stop_inputs.csv")
    assert len(stops) > 10
    for stop in stops:
        assert stop["file_sha256"] == known[stop["file_path"]]
        own = [row for row in behind if row["stop_id"] == stop["stop_id"]]
        assert int(stop["files_n"]) == len(own)
        (first,) = (row for row in own if row["file_path"] == stop["file_path"])
        assert (first["first_file_row"], first["last_file_row"]) == (
            stop["first_file_row"], stop["last_file_row"],
        )  # fmt: skip
        if first["kind"] != "samples" or not stop["plug_in_utc"]:
            continue
        lines = (made.folder / "inbox" / stop["file_path"]).read_text().splitlines()
        rows = lines[int(stop["first_file_row"]) - 1 : int(stop["last_file_row"])]
        plug_in = stop["plug_in_utc"].removesuffix("Z")
        assert any(f",{plug_in}." in line for line in rows)
        # The whole of the approach is there, and the two parked minutes before it are not.
        begins = datetime.fromisoformat(rows[0].split(",")[1].replace("Z", "+00:00"))
        approach = datetime.fromisoformat(plug_in + "+00:00") - begins
        assert approach.total_seconds() / 60 == pytest.approx(float(stop["approach_min"]), abs=0.1)
        assert int(first["rows_n"]) == len(rows)


def test_explain_names_every_file_whole(tmp_path: Path) -> None:
    """A charge that two exports tell of, with a destination from a third; no bills, no section."""
    folder = write_fleet(tmp_path / "fleet")
    frame = drive_and_charge(interval_s=30)
    cut = "2026-01-12T08:10:00"
    drop(folder, frame.filter(pl.col("time") < cut), "log_1.csv")
    drop(folder, frame.filter(pl.col("time") >= cut), "log_2.csv")
    (folder / "inbox" / "nav_1.csv").write_text(
        "vehicle,time,action,charging\nv1,2026-01-12T07:10:00Z,set,1\n", encoding="utf-8"
    )
    make_edition(load_fleet(folder), WEEK, pdf=False, now=NOW)
    (stop,) = rows_of(folder / "reports" / WEEK / "tables" / "stops.csv")
    assert stop["files_n"] == "3" and stop["file_path"] == "log_1.csv"
    lines = explanation(load_fleet(folder), stop["stop_id"])
    rows = {
        name: len((folder / "inbox" / name).read_text().splitlines()) for name in hashes(folder)
    }
    # The first 4 rows are parked, before the approach; row 1 is the head.
    for name, kind, first in (
        ("log_1.csv", "samples", int(stop["first_file_row"])),
        ("log_2.csv", "samples", 2),
        ("nav_1.csv", "nav_events", 2),
    ):
        words = (
            f"  {kind}: {rows[name] - first + 1} rows between {first} and {rows[name]} of '{name}'"
        )
        (at_line,) = (n for n, line in enumerate(lines) if line.startswith(words))
        assert lines[at_line + 1].strip() == f"sha256 {hashes(folder)[name]}"
    assert any("set to a charging place" in line and "'nav_1.csv'" in line for line in lines)
    html = (folder / "reports" / WEEK / "fleet.html").read_text(encoding="utf-8")
    summary = json.loads((folder / "reports" / WEEK / "summary.json").read_text(encoding="utf-8"))
    assert section_of(html) == "" and summary["bills"] is None


# --- Weeks without, and with a charger's log alone ---


def test_no_bills_no_section_even_where_charges_were_laid_out(tmp_path: Path) -> None:
    """What the command kept for such a week is no evidence of anybody's bills."""
    made = Billed(tmp_path / "fleet")
    made.seen(at(0, 8))
    fleet = made.write()
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        reconcile(con, fleet, WEEK)
        assert con.sql("select count(*) from reconciliation").fetchall() == [(1,)]
    make_edition(fleet, WEEK, pdf=False, now=NOW)
    folder = made.folder / "reports" / WEEK
    assert section_of((folder / "fleet.html").read_text(encoding="utf-8")) == ""
    assert rows_of(folder / "tables" / "reconciliation.csv") == []
    head = (folder / "tables" / "reconciliation.csv").read_text(encoding="utf-8")
    assert head.startswith("status,why,not_claimed_why,")


def test_a_log_whose_clock_cannot_be_set_claims_nothing(tmp_path: Path) -> None:
    """Two charges seen by both do not tell how far the clock is off."""
    made = Billed(tmp_path / "fleet")
    for day in range(2):
        made.seen(at(day, 18), "v1", site="home")
        made.logged(at(day, 18) - timedelta(minutes=4), day + 1, kwh=METER_KWH * 1.3)
    fleet = made.write()
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        assert has_sides(con, fleet, WEEK) and not has_sides(con, fleet, "2026-W02")
        reconcile(con, fleet, WEEK)
        con.execute("create temp table weekly_files as select * from files")
        build_bills(con, PARAMS)
        rows = con.sql("select status, not_claimed_why from weekly_reconciliation").fetchall()
        found = con.sql("select * from weekly_bills").pl().to_dicts()
    assert rows == [("energy_differs", "clock_not_set")] * 2
    invented, _ = week("one")
    invented.execute("delete from weekly_reconciliation")
    register(invented, "weekly_bills", pl.DataFrame(found))
    text = text_of(section_of(page(invented)))
    assert "2 charges with another energy in the log of a charger whose clock cannot be set" in text
    assert "No bill differs from what vehicles and chargers show." in text
    assert "Charger's meter and pack differ" not in text


# --- What is claimed of one charge, by the statements alone ---

MONDAY = datetime(2026, 1, 12, tzinfo=UTC)
PARAMS = CONSTANTS | {
    "zone": "Europe/Stockholm",
    "week_id": WEEK,
    "from_at": datetime(2026, 1, 11, 23, tzinfo=UTC),
    "to_at": datetime(2026, 1, 18, 23, tzinfo=UTC),
}


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    """A warehouse with a site that two sources bill, and one reading of a charger."""
    con = open_warehouse(None, Limits())
    register(
        con,
        "fleet_sites",
        pl.DataFrame(
            {"site_id": ["fast"], "site_name": ["Fast"], "latitude_deg": [57.7],
             "longitude_deg": [11.95], "radius_m": [150.0]}
        ),
    )  # fmt: skip
    register(
        con,
        "vehicle_settings",
        pl.DataFrame(
            {"vehicle_id": ["v1"], "vehicle_name": ["Van 1"], "warm_threshold_degc": [21.0],
             "warm_tolerance_kelvin": [0.5]}
        ),
    )  # fmt: skip
    con.execute(
        "create temp table weekly_files as select * from files;"
        "insert into charger_readings (charger_id, read_at, file_id, file_row) "
        "values ('CP01', '2026-01-13 10:00:00+00', 9, 1)"
    )
    for file_id, source in ((1, "weekly"), (2, "monthly")):
        con.execute(
            "insert into files (file_id, file_path, content_sha256, source_id, kind, size_bytes, "
            "rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n, taken_in_at) "
            "values ($n, $s, $s, $s, 'sessions', 1, 1, 1, 0, 0, now())",
            {"n": file_id, "s": source},
        )
    yield con
    con.close()


def bill(
    con: duckdb.DuckDBPyConnection, when: datetime, file_id: int = 1, row: int = 1, h: float = 0.5
) -> None:
    """A bill of 26.9 kWh at the site."""
    con.execute(
        "insert into reported_sessions (vehicle_id, plug_in_at, plug_out_at, meter_energy_kwh, "
        "site_id, total_cost, file_id, file_row) "
        "values ('v1', $a, $b, 26.9, 'fast', 13.4, $f, $r)",
        {"a": when, "b": when + timedelta(hours=h), "f": file_id, "r": row},
    )


def judged(con: duckdb.DuckDBPyConnection, **changes: Any) -> dict[str, Any]:
    """The one row of the table from one row of the reconciliation."""
    row = {
        "week_id": WEEK, "row_no": 1, "status": "seen_never_billed", "why": None,
        "vehicle_id": "v1", "vehicle_use": "delivery", "site_id": "fast", "stop_id": None,
        "seen_at": MONDAY + timedelta(hours=8), "billed_at": None, "charger_id": None,
        "received_kwh": 25.0, "expected_kwh": 26.9, "billed_kwh": None, "charger_kwh": None,
        "billed_cost": None, "expected_cost": 13.4, "bills_n": 0, "bill_file_id": None,
        "bill_file_row": None,
    } | changes  # fmt: skip
    con.execute(
        f"insert into reconciliation ({', '.join(row)}) "
        f"values ({', '.join(f'${name}' for name in row)})",
        row,
    )
    build_bills(con, PARAMS)
    (found,) = con.sql("select * from weekly_reconciliation").pl().to_dicts()
    return dict(found)


@pytest.mark.parametrize(
    ("weekly", "monthly", "why"),
    [
        (5, None, None),  # bills of later charges came
        (0, None, "not_billed_yet"),  # none did
        (5, -10, "not_billed_yet"),  # a source that is still to be waited for
        (5, -80, None),  # one that ended long ago
        (None, None, "not_billed_yet"),
    ],
)
def test_a_bill_is_missed_only_where_later_ones_came(
    con: duckdb.DuckDBPyConnection, weekly: int | None, monthly: int | None, why: str | None
) -> None:
    for file_id, day in ((1, weekly), (2, monthly)):
        if day is not None:
            bill(con, MONDAY + timedelta(days=day), file_id)
    row = judged(con)
    assert (row["not_claimed_why"], row["is_exception"]) == (why, why is None)
    assert row["difference_cost"] == (None if why else -13.4)


def test_a_bill_is_not_missed_at_an_unknown_place(con: duckdb.DuckDBPyConnection) -> None:
    bill(con, MONDAY + timedelta(days=5))
    assert judged(con, site_id=None)["not_claimed_why"] == "place_unknown"


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        ('{"start_date_time":"2026-01-12T09:00:00Z"}', "bill_unlinked"),
        ('{"start_date_time":"2026-01-16T09:00:00Z"}', None),  # of another day
        ('{"start_date_time":"2026-01-02T09:00:00Z"}', None),  # of another week
        ('{"start_date_time":"soon"}', "bill_unlinked"),
        (None, "bill_unlinked"),  # its time is not known
    ],
)
def test_a_bill_without_a_vehicle_may_be_the_missing_one(
    con: duckdb.DuckDBPyConnection, raw: str | None, why: str | None
) -> None:
    bill(con, MONDAY + timedelta(days=5))
    con.execute(
        "insert into weekly_files select * from files where file_id = 1;"
        "insert into quarantine (file_id, file_path, file_row, rule) "
        "values (1, 'weekly', 7, 'not_a_number')"
    )
    con.execute(
        "insert into quarantine (file_id, file_path, file_row, rule, raw_row) "
        "values (1, 'weekly', 8, 'card_unlinked', $raw)",
        {"raw": raw},
    )
    assert judged(con)["not_claimed_why"] == why
    records_n = con.sql("select unlinked_records_n from weekly_bills").fetchall()[0][0]
    assert records_n == (0 if raw and "01-02" in raw else 1)


@pytest.mark.parametrize(
    ("minutes", "why"),
    [
        ((), "vehicle_silent"),
        ((1, 29), "vehicle_silent"),  # 28 of 30 min are open
        ((1, 12, 20), None),
    ],
)
def test_no_charge_is_claimed_only_while_the_vehicle_is_heard(
    con: duckdb.DuckDBPyConnection, minutes: tuple[int, ...], why: str | None
) -> None:
    when = MONDAY + timedelta(hours=8)
    bill(con, when)
    for minute in minutes:
        con.execute(
            "insert into samples (vehicle_id, sampled_at, file_id, file_row) "
            "values ('v1', $t, 1, 1)",
            {"t": when + timedelta(minutes=minute)},
        )
    row = judged(
        con, status="billed_never_seen", why="no_charge_then", seen_at=None, billed_at=when,
        billed_kwh=26.9, billed_cost=13.4, bills_n=1, bill_file_id=1, bill_file_row=1,
    )  # fmt: skip
    assert row["not_claimed_why"] == why
    assert row["difference_cost"] == (None if why else 13.4)


@pytest.mark.parametrize(
    ("arrival", "heating", "why", "unexplained"),
    [
        (5.0, None, "heating_unknown", None),
        (None, None, "heating_unknown", None),
        (25.0, None, None, 32.0 - 25 / 0.89),
        (5.0, 0.0, None, 32.0 - 25 / 0.89),
        (5.0, 2.0, None, 32.0 - 27 / 0.89),
        (5.0, 4.0, "heated_at_plug", None),
    ],
)
def test_heating_at_the_plug_is_no_false_bill(
    con: duckdb.DuckDBPyConnection,
    arrival: float | None,
    heating: float | None,
    why: str | None,
    unexplained: float | None,
) -> None:
    con.execute(
        "insert into stops (stop_id, vehicle_id, vehicle_use, week_id, plug_in_at, plug_out_at, "
        "evidence_grade, outcome, arrival_cell_temp_min_degc, plug_heating_kwh, first_file_id, "
        "first_file_row, last_file_row, is_reported_only) values "
        "('s', 'v1', 'delivery', 'w', now(), now(), 'A', 'unknown', $t, $kwh, 1, 1, 1, false)",
        {"t": arrival, "kwh": heating},
    )
    row = judged(
        con, status="energy_differs", why="above_received", stop_id="s", billed_kwh=32.0,
        billed_cost=16.0, bills_n=1, billed_at=MONDAY,
    )  # fmt: skip
    assert row["not_claimed_why"] == why
    assert row["unexplained_kwh"] == (unexplained and pytest.approx(unexplained))
    assert row["difference_cost"] == (unexplained and pytest.approx(unexplained * 0.5))
    counts = con.sql("select heating_n, energy_above_n, energy_above_kwh from weekly_bills")
    assert counts.fetchall() == [
        (int(why is not None), int(why is None), unexplained and pytest.approx(unexplained))
    ]


# --- The page, from invented tables ---

PRINTED: dict[str, Any] = {
    "instant": datetime(2026, 1, 19, tzinfo=UTC),
    "method_version": "1.0",
    "version": "0.1.0",
}


def page(con: duckdb.DuckDBPyConnection) -> str:
    fleet = fleet_of()
    return fleet_html(read_week(con, INVENTED_WEEK, fleet), fleet, **PRINTED)


def test_page_1_does_not_know_of_bills() -> None:
    con, _ = week("one")
    whole = page(con)
    front = whole.split("<h2>What warming was worth")[0]
    assert section_of(whole)
    con.execute("drop table weekly_bills; drop table weekly_reconciliation")
    whole = page(con)
    assert whole.split("<h2>What warming was worth")[0] == front
    assert section_of(whole) == ""


def test_a_week_without_stops_still_shows_its_bills(tmp_path: Path) -> None:
    con, _ = week("none")
    rich, _ = week("rich")
    for table in ("weekly_bills", "weekly_reconciliation"):
        register(con, table, rich.sql(f"select * from {table}").pl())
    assert "billed, never seen" in section_of(page(con))
    paths = report(
        con, fleet_of(), INVENTED_WEEK, tmp_path, pdf=False, method_version="1", version="1"
    )
    assert any(path.name == "reconciliation.csv" for path in paths)


def test_hostile_names_and_numbers_of_bills(tmp_path: Path) -> None:
    con, _ = week("hostile")
    con.execute(f"update weekly_reconciliation set record_id = '{HOSTILE[5]}'")
    report(con, fleet_of(), INVENTED_WEEK, tmp_path, pdf=False, method_version="1", version="1")
    html = (tmp_path / INVENTED_WEEK / "fleet.html").read_text(encoding="utf-8")
    assert "<script>" not in section_of(html) and "&lt;script&gt;alert(" in section_of(html)
    rows = rows_of(tmp_path / INVENTED_WEEK / "tables" / "reconciliation.csv")
    assert {row["record_id"] for row in rows} == {"'" + HOSTILE[5]}


def test_the_second_lock_on_rentals() -> None:
    """Even where the table brought their times, no document would print them."""
    con, _ = week("one")
    con.execute(
        "update weekly_reconciliation set vehicle_use = 'rental', is_rental = true, "
        "transaction_id = 'T0930'"
    )
    data = read_week(con, INVENTED_WEEK, fleet_of())
    assert data.reconciliation
    for row in data.reconciliation:
        hidden = ("seen_at", "billed_at", "charge_local", "transaction_id", "record_id")
        assert [row[key] for key in hidden] == [None] * 5
    assert not re.search(r"\d\d:\d\d", section_of(page(con)))


# --- Doubted sensors ---


def test_a_doubted_sensor_is_told_with_its_why(edition: Path, html: str) -> None:
    """The second van's cell temperature stands still all week."""
    text = text_of(html[html.index("What the report rests on") :])
    assert "All signals and no gap: Van 3." in text
    assert "coldest cell temperature (doubted, see below)" in text
    told = re.search(
        r"Van 2 coldest cell temperature one and the same value in (\d+) readings, through (\d+) h "
        r"of driving and charging Mon 12 Jan to Sun 18 Jan at which stops the battery was cold",
        text,
    )
    assert told is not None and int(told[1]) > 500 and int(told[2]) >= 4
    rows = rows_of(edition / "tables" / "doubts.csv")
    (row,) = (row for row in rows if row["vehicle_name"] == "Van 2")
    assert (row["vehicle_id"], row["signal"], row["doubt"]) == (
        "v2", "cell_temp_min_degc", "frozen",
    )  # fmt: skip
    assert row["evidence_n"] == told[1]
    assert "at which stops the battery was cold" in row["unlocks"]


@pytest.mark.parametrize(
    ("doubt", "kelvin", "words"),
    [
        ("frozen", None, "one and the same value in 1 200 readings, through 6 h"),
        ("is_outside", 0.5, "never more than 0.5 K from the outside temperature, through 6 h"),
        ("offset", -40.2, "−40 K from the outside temperature: the offset of 40"),
        ("not_at_outside", 11.0, "+11 K from the outside temperature after 1 200 long stands"),
        ("something_new", 1.0, "something new"),
    ],
)
def test_words_of_doubts(doubt: str, kelvin: float | None, words: str) -> None:
    con, _ = week("rich")
    row = read_week(con, INVENTED_WEEK, fleet_of()).doubts[0] | {
        "doubt": doubt, "evidence_kelvin": kelvin, "evidence_h": 6.2, "evidence_n": 1200,
    }  # fmt: skip
    told = doubt_row(row)
    assert words in told["why"].replace("\u00a0", " ")
    assert told["days"] == "Mon 12 Jan to Fri 16 Jan"


def test_a_doubt_is_a_gap_of_its_own() -> None:
    """A vehicle that lacks nothing else is not among those with all signals."""
    con, _ = week("one")
    con.execute(
        "update weekly_coverage set missing_signals = [], missing_min = 0, dc_unknown_n = 0, "
        "reported_only_n = 0, unlocks = null"
    )
    text = text_of(page(con))
    assert "All signals and no gap" not in text
    assert "coldest cell temperature (doubted, see below) at which stops" in text
    con.execute("delete from weekly_doubts")
    text = text_of(page(con))
    assert "All signals and no gap: Van 01." in text and "doubted" not in text.lower()


def test_doubts_are_told_without_stops_too() -> None:
    con, _ = week("none")
    rich, _ = week("rich")
    register(con, "weekly_doubts", rich.sql("select * from weekly_doubts").pl())
    assert "one and the same value in 4 312 readings" in text_of(page(con))

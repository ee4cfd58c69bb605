"""The edition as files: the output contract, PDF text, equal bytes, nothing half-written."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import duckdb
import pytest
from report_data import WEEK, fleet_of, week

from pipeline.problems import ColdMinutesError, Problem
from pipeline.report import check_pdf_support, report
from pipeline.report.pdf import drawable, refusing_fetcher, write_pdf
from pipeline.report.tables import cell
from pipeline.resources import folder

STOP_COLUMNS = [
    "stop_id",
    "vehicle_id",
    "driver_id",
    "site_id",
    "model_id",
    "plug_in_utc",
    "evidence_grade",
    "outcome",
    "why",
    "soc_start_pct",
    "soc_end_pct",
    "energy_kwh",
    "active_min",
    "idle_min",
    "arrival_cell_temp_min_degc",
    "ambient_degc",
    "approach_min",
    "warming_min",
    "warming_kwh",
    "warming_cost",
    "reference_min",
    "lost_min",
]
SUMMARY_KEYS = [
    "schema_version",
    "method_version",
    "week",
    "vehicles",
    "stops",
    "needed_warming",
    "warmed",
    "part_warmed",
    "not_warmed",
    "already_warm",
    "warmed_unneeded",
    "low_charge_hold",
    "unknown",
    "hit_rate",
    "hit_rate_low",
    "hit_rate_high",
    "start_rate",
    "lost_min",
    "warming_kwh",
    "warming_cost",
    "currency",
    "lost_cold_min",
    "lost_cold_low_min",
    "lost_cold_high_min",
    "lost_site_min",
    "lost_site_low_min",
    "lost_site_high_min",
    "lost_unexplained_min",
    "held_back_min",
    "avoidable_min",
    "unavoidable_min",
    "net_saved_min",
    "net_missed_min",
    "worth",
    "break_even_per_hour",
    "idle_warming_kwh",
    "cold_fees",
    "change",
    "split_stops",
]

needs_pango = pytest.mark.skipif(check_pdf_support() is not None, reason="Pango is not here")


def write(
    kind: str, out: Path, *, pdf: bool = False, level: str = "pseudonyms", **more: Any
) -> list[Path]:
    con, _ = week(kind, level)
    return report(
        con, fleet_of(level), WEEK, out, pdf=pdf, method_version="1.0", version="0.1.0", **more
    )


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))


def digests(folder_: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder_)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder_.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def rich(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The rich week as files, without PDF."""
    out = tmp_path_factory.mktemp("rich")
    write("rich", out)
    return out / WEEK


def test_contract(rich: Path) -> None:
    tables = (
        "cold_limits", "curves", "doubts", "drivers", "inputs", "judged_causes", "judged_control",
        "judged_effects", "judged_findings", "judged_funnel", "judged_rates", "leadtime",
        "quarantine", "reconciliation", "site_advice", "sites", "stop_inputs", "stops", "vehicles",
        "what_if",
    )  # fmt: skip
    files = [f"tables/{name}.{kind}" for name in tables for kind in ("csv", "parquet")]
    assert sorted(digests(rich)) == sorted(["fleet.html", "summary.json", "tables.xlsx", *files])
    stops = rows_of(rich / "tables" / "stops.csv")
    assert list(stops[0])[: len(STOP_COLUMNS)] == STOP_COLUMNS
    summary = json.loads((rich / "summary.json").read_text(encoding="utf-8"))
    assert set(SUMMARY_KEYS) <= set(summary)
    assert summary["schema_version"] == 1
    assert summary["stops"] == len(stops)
    assert len(summary["previous_weeks"]) == 4
    assert summary["outputs"] == sorted(digests(rich))
    needed = summary["warmed"] + summary["part_warmed"] + summary["not_warmed"]
    assert summary["needed_warming"] == needed
    cold = summary["avoidable_min"] + summary["unavoidable_min"]
    assert cold == pytest.approx(summary["lost_cold_min"], abs=0.002)
    assert set(summary["worth"]) == {"minutes", "valued_minutes", "cash", "time"}
    change = summary["change"]
    moved = change["weather_min"] + change["mix_min"] + change["behaviour_min"]
    assert moved == pytest.approx(change["now_min"] - change["before_min"], abs=0.003)
    assert all("lost_cold_min" in before for before in summary["previous_weeks"])
    assert len(rows_of(rich / "tables" / "curves.csv")) == 200
    assert not [p for p in rich.parent.iterdir() if p.name.startswith(".")]


def test_returned_paths_exist(tmp_path: Path) -> None:
    paths = write("one", tmp_path)
    assert all(path.is_file() for path in paths)
    assert len(paths) == len(digests(tmp_path / WEEK))


def test_rental_rows_have_a_date_only(rich: Path) -> None:
    rental = [
        row for row in rows_of(rich / "tables" / "stops.csv") if row["vehicle_use"] == "rental"
    ]
    assert rental
    for row in rental:
        assert row["plug_in_utc"] == ""
        assert row["driver_id"] == ""
        assert row["plug_in_date"].startswith("2026-01-1")
        assert not any(":" in value for value in row.values())
    timed = [row for row in rows_of(rich / "tables" / "stops.csv") if row["plug_in_utc"]]
    assert all(row["plug_in_utc"].endswith("Z") for row in timed)


def test_no_positions_and_no_raw_drivers(rich: Path) -> None:
    header = (rich / "tables" / "stops.csv").read_text().splitlines()[0]
    assert "latitude" not in header
    for path in rich.rglob("*"):
        if path.is_file():
            assert b"raw_1" not in path.read_bytes()
    for part in zipfile.ZipFile(rich / "tables.xlsx").infolist():
        assert b"raw_1" not in zipfile.ZipFile(rich / "tables.xlsx").read(part)


@pytest.mark.parametrize("level", ["off", "totals"])
def test_levels_without_single_drivers(level: str, tmp_path: Path) -> None:
    write("rich", tmp_path, level=level)
    tables = tmp_path / WEEK / "tables"
    assert {row["driver_id"] for row in rows_of(tables / "stops.csv")} == {""}
    assert len(rows_of(tables / "drivers.csv")) == (0 if level == "off" else 1)


def test_formulas_get_an_apostrophe(tmp_path: Path) -> None:
    write("hostile", tmp_path)
    tables = tmp_path / WEEK / "tables"
    names = {row["vehicle_name"] for row in rows_of(tables / "vehicles.csv")}
    assert '\'=HYPERLINK("http://x","y")' in names
    for path in tables.glob("*.csv"):
        text_columns = ("name", "rule", "value", "file")
        for row in rows_of(path):
            for column, value in row.items():
                if column.endswith(text_columns):
                    assert not value.startswith(("=", "+", "-", "@", "\t", "\r"))


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("@cmd", "'@cmd"),
        ("+1", "'+1"),
        ("-x", "'-x"),
        ("\t=1", "'=1"),
        ("  =1", "'=1"),
        (-1.23456, "-1.235"),
        (-0.0, "0.0"),
        (True, "true"),
        (None, ""),
    ],
)
def test_cells(value: Any, text: str) -> None:
    assert cell(value, "some_column") == text


def test_a_week_without_stops(tmp_path: Path) -> None:
    write("none", tmp_path)
    summary = json.loads((tmp_path / WEEK / "summary.json").read_text())
    assert summary["stops"] == 0
    assert summary["hit_rate"] is None
    assert summary["lost_min"] is None
    assert rows_of(tmp_path / WEEK / "tables" / "stops.csv") == []


def test_stops_carry_minutes_by_cause(rich: Path) -> None:
    split = 0
    for row in rows_of(rich / "tables" / "stops.csv"):
        parts = [row[f"lost_{cause}_min"] for cause in ("cold", "site", "unexplained")]
        if row["evidence_grade"] in ("D", "E"):
            assert row["excess_min"] == ""
        if all(parts):
            split += 1
            total = sum(float(part) for part in parts)
            assert total == pytest.approx(float(row["excess_min"]), abs=0.002)
        else:
            assert not any(parts)
            assert row["split_why_null"]
    assert split > 30


@pytest.mark.parametrize("kind", ["summaries", "blank"])
def test_what_is_not_known_is_null(kind: str, tmp_path: Path) -> None:
    write(kind, tmp_path)
    summary = json.loads((tmp_path / WEEK / "summary.json").read_text())
    for key in ("lost_cold_min", "avoidable_min", "net_saved_min", "break_even_per_hour"):
        assert summary[key] is None
    assert summary["worth"] == dict.fromkeys(("minutes", "valued_minutes", "cash", "time"))
    assert summary["change"] is None
    assert summary["split_stops"] == 0


def test_equal_bytes_of_html_and_tables(rich: Path, tmp_path: Path) -> None:
    write("rich", tmp_path)
    assert digests(tmp_path / WEEK) == digests(rich)


def test_other_files_survive_and_stale_ones_go(tmp_path: Path) -> None:
    target = tmp_path / WEEK
    (target / "tables").mkdir(parents=True)
    (target / "fleet.pdf").write_bytes(b"stale")
    (target / "tables" / "old.csv").write_text("stale")
    (target / "note of the manager.txt").write_text("keep me")
    write("one", tmp_path)
    assert (target / "note of the manager.txt").read_text() == "keep me"
    assert not (target / "fleet.pdf").exists()
    assert not (target / "tables" / "old.csv").exists()


def test_failure_leaves_the_old_edition(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write("one", tmp_path)
    before = digests(tmp_path)

    def broken(*_: Any) -> None:
        raise ColdMinutesError([Problem("REPORT-01", "stop", "fleet.pdf", "made up")])

    monkeypatch.setattr("pipeline.report.printing.write_pdf", broken)
    monkeypatch.setattr("pipeline.report.edition.check_pdf_support", lambda: None)
    with pytest.raises(ColdMinutesError):
        write("rich", tmp_path, pdf=True)
    assert digests(tmp_path) == before


def test_target_that_is_a_file(tmp_path: Path) -> None:
    (tmp_path / WEEK).write_text("a file")
    with pytest.raises(ColdMinutesError, match="REPORT-03"):
        write("one", tmp_path)
    assert (tmp_path / WEEK).read_text() == "a file"


def test_wrong_week(tmp_path: Path) -> None:
    con, _ = week("one")
    with pytest.raises(ColdMinutesError, match="REPORT-02"):
        report(con, fleet_of(), "2026-W04", tmp_path, pdf=False, method_version="1", version="1")
    assert list(tmp_path.iterdir()) == []


def test_findings_of_the_run_are_printed(tmp_path: Path) -> None:
    problem = Problem("INGEST-05", "exclude", "inbox/van.csv", "got <b>x</b>")
    row = Problem("INGEST-03", "exclude", "inbox/van.csv row 2", "told by the rules")
    write("rich", tmp_path, problems=[problem, row])
    html = (tmp_path / WEEK / "fleet.html").read_text()
    assert "INGEST-05 inbox/van.csv: got &lt;b&gt;x&lt;/b&gt;" in html
    assert "told by the rules" not in html


def test_importing_the_stage_is_light() -> None:
    code = (
        "import sys; import pipeline.report; "
        "print([m for m in ('weasyprint', 'matplotlib') if m in sys.modules])"
    )
    root = folder("report_templates").parent
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=root, check=True
    )
    assert run.stdout.strip() == "[]"


def test_missing_pango_is_told_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing() -> None:
        raise OSError("cannot load library 'libpango-1.0-0'")

    monkeypatch.setattr("pipeline.report.pdf._load", missing)
    problem = check_pdf_support()
    assert problem is not None
    assert problem.code == "ENV-01"
    assert "libpangoft2-1.0-0" in problem.remedy or "brew" in problem.remedy
    assert "--no-pdf" in problem.remedy
    with pytest.raises(ColdMinutesError) as caught:
        report(
            duckdb.connect(), fleet_of(), WEEK, tmp_path, pdf=True, method_version="1", version="1"
        )
    assert caught.value.exit_code == 4
    assert list(tmp_path.iterdir()) == []


def text_of(path: Path, first: int = 0, last: int = 0) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not here")
    pages = ["-f", str(first), "-l", str(last)] if first else []
    run = subprocess.run(
        ["pdftotext", "-layout", *pages, str(path), "-"], capture_output=True, text=True, check=True
    )
    return run.stdout.replace("\u00a0", " ")


@needs_pango
@pytest.mark.parametrize("kind", ["rich", "none", "one", "many", "hostile", "unknown", "blank"])
def test_pdf(kind: str, tmp_path: Path) -> None:
    write(kind, tmp_path, pdf=True)
    path = tmp_path / WEEK / "fleet.pdf"
    content = path.read_bytes()
    assert content.startswith(b"%PDF-")
    if shutil.which("pdfinfo"):
        info = subprocess.run(["pdfinfo", str(path)], capture_output=True, text=True, check=True)
        assert re.search(r"Tagged:\s+yes", info.stdout)
        assert re.search(r"Title:\s+Norrvind Byggtransport: Cold Minutes, 2026-W03", info.stdout)
    text = text_of(path)
    assert "None" not in text
    assert "nan" not in text.split()
    assert "Norrvind Byggtransport" in text
    summary = json.loads((tmp_path / WEEK / "summary.json").read_text())
    front = text_of(path, 1, 1)
    assert "Mon 12 to Sun 18 January 2026" in front
    if kind == "none":
        assert "page 1 of 1" in text
        return
    assert "By vehicle" in front, "the chart belongs on page 1"
    assert "page 1 of" in front
    if summary["lost_cold_min"] is not None:
        assert "cold, unavoidable" in front, "text in the chart is selectable"
        assert f"{summary['lost_cold_min']:,.0f}".replace(",", " ") in front
    if summary["hit_rate"] is not None:
        assert f"{summary['hit_rate'] * 100:.0f} %" in front


@needs_pango
def test_equal_bytes_of_pdf(tmp_path: Path) -> None:
    write("one", tmp_path / "a", pdf=True)
    write("one", tmp_path / "b", pdf=True)
    first, second = (tmp_path / side / WEEK / "fleet.pdf" for side in "ab")
    assert first.read_bytes() == second.read_bytes()


@needs_pango
@pytest.mark.parametrize(
    "body",
    [
        "<style>p { colour: red }</style><p>x</p>",
        '<img alt="x" src="https://example.invalid/x.png">',
        '<img alt="x" src="file:///etc/hostname">',
        '<link rel="stylesheet" href="missing.css"><p>x</p>',
    ],
)
def test_a_warning_stops_the_document(body: str, tmp_path: Path) -> None:
    page = f'<html lang="en"><head><title>x</title></head><body>{body}</body></html>'
    with pytest.raises(ColdMinutesError, match="REPORT-01"):
        write_pdf(page, tmp_path / "x.pdf")
    assert not (tmp_path / "x.pdf").exists()


@needs_pango
def test_fetcher_knows_only_our_files() -> None:
    fetcher = refusing_fetcher()
    own = (folder("report_templates") / "report.css").as_uri()
    assert fetcher.fetch(own).read().startswith(b"/*")
    for url in (
        "http://example.invalid/",
        "file:///etc/passwd",
        folder("report_templates").as_uri() + "/../pyproject.toml",
        folder("report_templates").as_uri() + "/%2e%2e/pyproject.toml",
    ):
        with pytest.raises(ValueError, match="refused"):
            fetcher.fetch(url)


def test_letters_without_a_glyph_become_a_box() -> None:
    assert drawable("Van é שלום 北") == "Van é שלום □"


@needs_pango
def test_letters_of_no_shipped_font_do_not_stop_the_document(tmp_path: Path) -> None:
    con, _ = week("one")
    con.execute("update weekly_vehicles set vehicle_name = '北風 🚐 ٤ $x^2$'")
    report(con, fleet_of(), WEEK, tmp_path, pdf=True, method_version="1", version="1")
    assert "北風" in (tmp_path / WEEK / "fleet.html").read_text()

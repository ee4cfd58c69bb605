"""The budget's document: what it says agrees with its figures, whatever names it is given.

Outside the project: numpy's quantiles and means of the draws; WCAG 2.2, 1.1.1 (every picture has a
text alternative); largest remainders by Hamilton's method (from memory); a name's letters escaped
as HTML wants them (Python's own parser).
"""

from __future__ import annotations

import io
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from budget_pages import HOSTILE, SEASON, budget_of, fleet_of, made_up, paper_of
from sheet_people import text_of

from pipeline.budget import learn, run_budget
from pipeline.budget.drivers import COLDER, WARMER, Z_80, start_rates, swings
from pipeline.budget.given import ARRIVALS, EXPOSURE, STARTS, STOPS, empty
from pipeline.budget.scenario import Scenario
from pipeline.budget.summary import QUANTITIES
from pipeline.config import Fleet
from pipeline.report import check_pdf_support
from pipeline.report.budget.checks import _adding_up, course_section
from pipeline.report.budget.data import BudgetPaper
from pipeline.report.budget.decision import decision_words
from pipeline.report.budget.edition import write_budget
from pipeline.report.budget.figures import UNITS, Lookup, Shown
from pipeline.report.budget.ground import caution_lines
from pipeline.report.budget.page import budget_context, budget_html
from pipeline.report.budget.tables import budget_json, budget_tables, csv_of
from pipeline.report.budget.workbook import budget_workbook
from pipeline.report.language import speaking
from pipeline.report.templates import runs_or_fetches

MADE = {"instant": datetime(2026, 9, 1, tzinfo=UTC), "version": "0", "method_version": "1.1"}
OWN = (Scenario(name=HOSTILE[:60], price_per_kwh=0.6, winter_shift_kelvin=-2.0),)
needs_pango = pytest.mark.skipif(check_pdf_support() is not None, reason="Pango is not here")


@pytest.fixture(scope="module")
def paper() -> BudgetPaper:
    return paper_of(
        made_up(3, 8), winters_n=60, more=OWN, course_scale=2.5, is_tested=True,
        names={"van-000": HOSTILE},
    )  # fmt: skip


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    return fleet_of(made_up(3, 8), tmp_path_factory.mktemp("budget") / "fleet")


@pytest.fixture(scope="module")
def html(paper: BudgetPaper, fleet: Fleet) -> str:
    return budget_html(paper, fleet, **MADE)


@pytest.fixture(scope="module")
def unseen() -> BudgetPaper:
    given = made_up(3, 1)
    return paper_of(
        replace(given, exposure=empty(EXPOSURE), stops=empty(STOPS), arrivals=empty(ARRIVALS),
                starts=empty(STARTS)),
        winters_n=40,
    )  # fmt: skip


def test_the_number_is_the_quantile_of_the_draws(
    paper: BudgetPaper, fleet: Fleet, html: str
) -> None:
    season = paper.budget.draws("as_today", "cost").sum(axis=1)
    low, middle, high = (f"{end:.0f}" for end in np.quantile(season, (0.1, 0.5, 0.9)))
    said = text_of(html)
    assert f"Budget {middle} EUR" in said
    assert f"between {low} and {high} EUR" in said
    reserve = round(float(np.quantile(season, 0.9) - np.quantile(season, 0.5)))
    assert f"Set {middle} EUR aside" in said and f"keep {reserve} EUR more" in said


def test_every_picture_has_its_words(html: str) -> None:
    pictures = re.findall(r"<svg[^>]*>(.{0,40})", html, flags=re.DOTALL)
    assert len(pictures) >= 6
    assert all(head.lstrip().startswith("<title>") for head in pictures)
    titles = re.findall(r"<title>(.*?)</title>", html, flags=re.DOTALL)
    assert all(len(title) > 15 for title in titles)


def test_names_are_names_whatever_they_hold(html: str, paper: BudgetPaper) -> None:
    assert runs_or_fetches(re.sub(r"<style.*?</style>", "", html, flags=re.DOTALL)) == []
    assert "<script>" not in html
    assert "{{ 7*7 }}" in html
    assert not re.search(r"\bnan\b|None|StrictUndefined", text_of(html))
    rows = csv_of(budget_tables(paper)["budget_scenarios"])
    assert "\n'=1+1" in rows.replace("\r\n", "\n") or "\n\"'=1+1" in rows.replace("\r\n", "\n")


def test_months_of_the_page_are_those_of_the_table(paper: BudgetPaper, fleet: Fleet) -> None:
    look, context = Lookup(paper.budget.table), budget_context(paper, fleet)
    january = context["month_table"]["rows"][3]
    assert january["name"] == "January 2027"
    low, middle, high = look.ends("as_today", "warming_kwh", "2027-01")
    cell = january["cells"][2]
    assert [cell["low"], cell["middle"], cell["high"]] == [f"{v:.0f}" for v in (low, middle, high)]
    drawn = paper.budget.draws("as_today", "warming_kwh")[:, 3]
    assert middle == pytest.approx(np.median(drawn), rel=1e-5)
    # Percentiles do not add up, and the page says so.
    p90 = sum(look.ends("as_today", "cost", month)[2] for month in SEASON.month_ids)
    assert p90 > look.ends("as_today", "cost")[2] * 1.02


def test_drivers_move_the_mean_as_scenarios_do() -> None:
    given = made_up(2, 8)
    learned, whole = learn(given), budget_of(given, 100)
    rates = start_rates(learned, 100, 1)
    table = swings(whole, learned, rates)
    assert set(table["quantity"]) == {"cost", "cold_min"}
    by_driver = {(row["driver"], row["quantity"]): row for row in table.iter_rows(named=True)}

    def mean(budget_draws: np.ndarray) -> float:
        return float(budget_draws.sum(axis=1).mean())

    today = mean(whole.draws("as_today", "cost"))
    stops = by_driver["stops", "cost"]
    tries = [
        Scenario(name="as_today"),
        Scenario(name="dear", price_per_kwh=0.44),
        Scenario(name="more", mileage_growth_rate=stops["high_setting_value"]),
    ]
    other = run_budget(learned, SEASON, tries, 100)
    assert mean(other.draws("as_today", "cost")) == pytest.approx(today, rel=1e-5)
    price = by_driver["price", "cost"]
    assert price["high_value"] == pytest.approx(mean(other.draws("dear", "cost")) - today, rel=0.02)
    more = mean(other.draws("more", "cost")) - today
    assert stops["high_value"] == pytest.approx(more, rel=0.15)
    winter = by_driver["winter", "cold_min"]
    assert winter["low_value"] > 0 > winter["high_value"]
    assert winter["high_setting_value"] == pytest.approx(Z_80 * whole.shift_kelvin)
    starts = by_driver["starts", "cold_min"]
    assert starts["low_value"] > 0 > starts["high_value"]
    shown = table.filter(pl.col("quantity") == "cost")
    wide = (shown["high_value"] - shown["low_value"]).abs().to_list()
    assert wide == sorted(wide, reverse=True)
    assert {COLDER, WARMER} <= set(whole.scenarios["scenario"])


def test_off_course_is_said_where_it_is(paper: BudgetPaper, html: str) -> None:
    assert "Off course, outside the 80 % interval" in text_of(html)
    assert paper.course is not None
    calm = paper.course.on_course.with_columns(is_outside=pl.lit(False))
    course = replace(paper.course, on_course=calm, variance=None)
    told = course_section(replace(paper, course=course), Shown("EUR", 0), 0.3)
    assert told is not None
    assert told["warning"] == "" and told["variance"] is None and told["why_no_variance"]


def test_parts_add_up_in_print(paper: BudgetPaper) -> None:
    shown = Shown("EUR", 0)
    rng = np.random.default_rng(4)
    for _ in range(200):
        parts = rng.normal(0, 30, 4)
        row = dict(zip(("weather_part_value", "volume_part_value", "price_part_value",
                        "behaviour_part_value"), parts.tolist(), strict=True))  # fmt: skip
        told = _adding_up("cold_min", row | {"difference_value": float(parts.sum())}, shown)
        whole, *each = (
            int(text.replace("\u2212", "-").replace("\u00a0", "").replace("+", ""))
            for text in (told["difference"], *told["parts"])
        )
        assert sum(each) == whole
        assert all(abs(a - b) < 1 for a, b in zip(each, parts, strict=True))


def test_the_decision_knows_a_target_that_is_met_or_out_of_reach(
    paper: BudgetPaper, fleet: Fleet
) -> None:
    def decisions(target: float, attainable: float) -> str:
        is_target = pl.col("scenario") == "target"
        told = paper.budget.scenarios.with_columns(
            target_hit_rate=pl.when(is_target).then(target),
            attainable_hit_rate=pl.when(is_target).then(attainable),
        )
        changed = replace(paper, budget=replace(paper.budget, scenarios=told))
        return " ".join(decision_words(changed, look, Shown("EUR", 0), fleet.settings))

    look = Lookup(paper.budget.table)
    hits = look.mean("as_today", "warmed_n") / look.mean("as_today", "needed_n")
    assert "is met as things are" in decisions(hits - 0.01, 0.9)
    assert "is met as things are" not in decisions(hits + 0.01, 0.9)
    assert "cannot be met by warming more" in decisions(0.8, 0.7)
    assert "cannot be met" not in decisions(0.7, 0.8)


def test_nothing_seen_is_nothing_measured(unseen: BudgetPaper, fleet: Fleet) -> None:
    context = budget_context(unseen, fleet)
    kinds = {row["part"]: row["kind"] for row in context["ground"]}
    assert kinds["Outside temperature"] == "measured"
    assert kinds["How often vehicles charge fast"] == "assumed"
    assert kinds["Physics of Plover"] == "assumed"
    assert context["vehicles"] is None and context["depots"] is None
    said = text_of(budget_html(unseen, fleet, **MADE))
    assert "No fast charge of this fleet has been seen yet" in said
    assert "Nothing has been seen yet" in said


def test_months_never_seen_are_a_caution(paper: BudgetPaper, unseen: BudgetPaper) -> None:
    # Eight months before September 2026: October to December were never seen.
    assert "3 of the season's 7 months were never seen" in " ".join(caution_lines(paper))
    assert "never seen" not in " ".join(caution_lines(unseen)), "there all is assumed"


def test_what_was_not_compared_is_said(paper: BudgetPaper, fleet: Fleet, html: str) -> None:
    assert paper.course is not None
    assert "Not compared" not in text_of(html) and "cut to the same share" not in text_of(html)
    course = replace(paper.course, months_unseen=("2026-10",), least_covered_rate=0.871)
    said = text_of(budget_html(replace(paper, course=course), fleet, **MADE))
    assert "Not compared, since data cover too little of it: October 2026." in said
    assert "Data cover 87 % or more of each month compared" in said


def test_json_has_every_quantity_with_its_unit(paper: BudgetPaper, fleet: Fleet) -> None:
    import json

    found = json.loads(budget_json(paper, fleet, version="0", method_version="1.1", outputs=[]))
    assert set(found["units"]) == set(QUANTITIES) == set(UNITS)
    # The winters behind the drivers are nobody's scenario.
    names = [row["scenario"] for row in found["scenarios"]]
    assert names == ["as_today", "everyone", "nobody", "target", OWN[0].name]
    assert list(found["fleet"]) == names and list(found["differences"]) == names[1:]
    months = list(found["fleet"]["as_today"])
    assert months == [*SEASON.month_ids, "season"]
    assert set(found["fleet"]["as_today"]["season"]) == set(QUANTITIES)
    assert found["course"]["vehicles_left_out"] == ["van-x"]


def test_no_cell_of_the_workbook_runs(paper: BudgetPaper, fleet: Fleet) -> None:
    from openpyxl import load_workbook

    content = budget_workbook(budget_tables(paper), paper, fleet, **MADE)
    book = load_workbook(io.BytesIO(content))
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert "f" not in kinds
    texts = {str(cell.value) for row in book["budget_scenarios"].iter_rows() for cell in row}
    assert any(text.startswith("=1+1") for text in texts)


def test_another_language_prints(unseen: BudgetPaper, fleet: Fleet, code: str = "de") -> None:
    with speaking(code):
        page = budget_html(unseen, fleet, **MADE)
    assert f'<html lang="{code}"' in page


@needs_pango
def test_it_prints_on_three_or_four_pages(paper: BudgetPaper, fleet: Fleet, tmp_path: Path) -> None:
    from pypdf import PdfReader

    paths = write_budget(paper, fleet, tmp_path, pdf=True, **MADE)
    reader = PdfReader(next(path for path in paths if path.suffix == ".pdf"))
    assert 3 <= len(reader.pages) <= 4
    first = reader.pages[0].extract_text()
    assert "The decision" in first and "Decided on" in first
    assert list(reader.attachments) == ["budget_months.csv"]

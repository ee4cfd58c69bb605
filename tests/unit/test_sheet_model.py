"""The model card: when to begin by outside temperature, how sure, what is an extrapolation.

Sources outside the project: heating of a lumped capacity in closed form,
``t = tau ln((T_inf - T0) / (T_inf - T))`` with ``tau = C / UA`` (textbook matter, e.g. Incropera
and DeWitt, Fundamentals of Heat and Mass Transfer, chapter 5; from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from fitted import put, put_fit
from sheet_people import (
    LONG_NAME,
    MADE,
    WEEK,
    add_stop,
    advised,
    fleet_in,
    padded,
    pages_of,
    text_of,
    unmarked,
    warehouse,
)

from pipeline.config import Fleet
from pipeline.report import check_pdf_support
from pipeline.report.language import speaking
from pipeline.report.sheets.model import model_sheets
from pipeline.report.sheets.model_sure import LEAST_WARMINGS_N, spread_of
from pipeline.report.sheets.paper import Sheet
from pipeline.thermal import ThermalModel

needs_pango = pytest.mark.skipif(check_pdf_support() is not None, reason="Pango is not here")
MONDAY = datetime(2026, 1, 26, 9, 0, tzinfo=UTC)
STATE = {
    "soc_start_pct": 30.0,
    "energy_kwh": 24.0,
    "ambient_degc": -4.0,
    "lead_cell_temp_min_degc": 6.0,
    "approach_min": 40.0,
    "site_power_kw": 150.0,
    "lead_min": 30.0,
    "lead_current2_a2s": 0.0,
}


def stops(con: duckdb.DuckDBPyConnection, count: int = 5, **changes: Any) -> None:
    for n in range(count):
        at = MONDAY + timedelta(hours=n)
        add_stop(con, at, "not_warmed", "no_destination", stop=STATE | changes)


def made(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> list[Sheet]:
    advised(con, fleet)
    return model_sheets(con, fleet, WEEK, **MADE)


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return fleet_in(tmp_path / "fleet")


@pytest.fixture
def con(fleet: Fleet) -> Iterator[duckdb.DuckDBPyConnection]:
    with warehouse(fleet) as opened:
        yield opened


def rows_of(html: str) -> list[tuple[str, str, list[str]]]:
    """Outside temperature, time needed and the cells of each row of the card."""
    found = []
    for row in re.findall(r'<tr class="(?:not-)?worth">(.*?)</tr>', html, re.DOTALL):
        bare = re.sub(r"<svg.*?</svg>", "", row, flags=re.DOTALL).replace("\u00a0", " ")
        outside, needed, _, *cells = re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", bare, re.DOTALL)
        found.append((outside, needed, [re.sub(r"<[^>]+>", "", cell) for cell in cells]))
    return found


def heated_min(outside_degc: float, pack_degc: float) -> float:
    """The closed form, by hand: 500 kJ/K, 15 W/K, a heater of 5 kW, to 21 degC."""
    tau_min = 500e3 / 15 / 60
    ends_degc = outside_degc + 5000 / 15
    return tau_min * math.log((ends_degc - pack_degc) / (ends_degc - 21))


def test_the_card_is_the_closed_form(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    put_fit(con, week=WEEK)
    stops(con)
    (sheet,) = made(con, fleet)
    rows = rows_of(sheet.html)
    outside = [10.0, 5.0, 0.0, -5.0, -10.0, -15.0]
    expected = [heated_min(degc, degc) for degc in outside]
    expected += [heated_min(degc, 10.0) for degc in (5.0, -5.0, -15.0)]
    assert len(rows) == len(expected)
    for (_, needed, cells), minutes in zip(rows, expected, strict=True):
        # Rounded up where the card says when to begin, else to the nearest.
        shown = math.ceil(minutes) if any("min" in cell for cell in cells) else round(minutes)
        assert needed == f"{shown} min"
    assert sheet.path == "models/flat-60"


def test_beyond_what_was_learned_is_marked(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    put_fit(con, week=WEEK)
    stops(con)
    (sheet,) = made(con, fleet)
    # Knots below -4 degC are extended; one speaks for half the way to the next, two kelvin on.
    marked = [outside for outside, _, _ in rows_of(sheet.html) if "*" in outside]
    assert marked == ["−5 °C *", "−10 °C *", "−15 °C *"]
    assert "an extrapolation" in text_of(sheet.html)
    assert sheet.html.count('stroke-dasharray="1.6 1.2"') == len(marked)


def test_a_slow_charger_is_not_worth_it(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    put_fit(con, week=WEEK)
    stops(con, 5)
    for n in range(5):
        add_stop(con, MONDAY + timedelta(days=1, hours=n), "not_warmed", "no_destination",
                 site="slow", stop=STATE | {"site_power_kw": 20.0})  # fmt: skip
    (sheet,) = made(con, fleet)
    warmest = rows_of(sheet.html)[0]
    assert warmest[2][0] == "not worth it"
    assert "saves at 20 kW" in text_of(sheet.html) and "saves at 150 kW" in text_of(sheet.html)


def test_minimum_charge_is_what_the_vehicles_show(tmp_path: Path) -> None:
    fleet = fleet_in(tmp_path / "a")
    with warehouse(fleet) as con:
        put_fit(con, week=WEEK)
        habit = {
            "fit_week_id": WEEK,
            "model_id": "flat-60",
            "quantity": "warming_cutoff_soc_pct",
            "learned_value": 30.0,
            "configured_value": 20.0,
            "seen_n": 9,
            "is_different": True,
        }
        put(con, "fitted_habits", habit)
        stops(con)
        assert "Charge above 30 %" in text_of(made(con, fleet)[0].html)
    models = "[models.flat-60]\nusable_kwh = 60\nwarm_curve = [[0, 100], [100, 100]]\n"
    fleet = fleet_in(tmp_path / "b", models=models)
    with warehouse(fleet) as con:
        put_fit(con, week=WEEK)
        stops(con)
        text = text_of(made(con, fleet)[0].html)
        assert "Charge above 20 %" in text and "Assumed: nobody has set it." in text


def test_how_sure_it_is(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    put_fit(con, week=WEEK, thermal_source="default", cold_source="configured")
    stops(con, 7)
    text = text_of(made(con, fleet)[0].html)
    assert "7 fast charges by 1 vehicle" in text and "25 of those learned from were cold" in text
    assert "general values stand in" in text and "is configured, not learned" in text
    assert "Too few warmings were seen" in text
    assert "Coldest charge seen: −4 °C outside" in text


def test_nothing_learned_is_no_card(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    assert made(con, fleet) == []
    stops(con)
    assert made(con, fleet) == []


def warmings(factor: np.ndarray[Any, Any]) -> pl.DataFrame:
    """Warmings from 0 to 15 degC at 0 outside that took so much of the closed form."""
    ends = 5000 / 15
    minutes = 500e3 / 15 / 60 * math.log(ends / (ends - 15))
    return pl.DataFrame(
        {
            "spell_min": minutes * factor,
            "cell_temp_start_degc": 0.0,
            "cell_temp_end_degc": 15.0,
            "ambient_degc": 0.0,
            "heater_power_kw": 5.0,
            "drive_i2_a2": 0.0,
        }
    )


THERMAL = ThermalModel(heat_kj_per_kelvin=500.0, resistance_ohm=0.08, loss_w_per_kelvin=15.0)


def test_the_range_holds_nine_of_ten() -> None:
    factor = np.linspace(0.8, 1.3, 101)
    found = spread_of(THERMAL, warmings(factor))
    assert found is not None
    assert (found.low, found.high) == (pytest.approx(0.825), pytest.approx(1.275))
    inside = (factor >= found.low) & (factor <= found.high)
    assert inside.mean() == pytest.approx(0.9, abs=0.011)


def test_too_few_warmings_are_no_range() -> None:
    assert spread_of(THERMAL, warmings(np.ones(LEAST_WARMINGS_N - 1))) is None
    assert spread_of(THERMAL, warmings(np.ones(LEAST_WARMINGS_N))) is not None
    assert spread_of(None, warmings(np.ones(50))) is None


def test_what_the_model_holds_impossible_is_not_forgotten() -> None:
    seen = warmings(np.ones(100)).with_columns(
        # A heater of 10 W never gets there, and yet a tenth of the packs did.
        heater_power_kw=pl.when(pl.int_range(pl.len()) < 10).then(0.01).otherwise(5.0)
    )
    found = spread_of(THERMAL, seen)
    assert found is not None and found.low == 0.0


def test_the_range_is_drawn_from_spells(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> None:
    put_fit(con, week=WEEK)
    stops(con, 30, warming_current2_a2s=0.0, warming_before_min=40.0)
    ends = -4.0 + 5000 / 15
    minutes = 500e3 / 15 / 60 * math.log(ends / (ends - 15))
    for n in range(30):
        spell = {
            "vehicle_id": "v1",
            "week_id": WEEK,
            "plug_in_at": MONDAY + timedelta(hours=n),
            "spell_no": 1,
            "began_at": MONDAY + timedelta(hours=n - 1),
            "spell_min": minutes * 1.1,
            "before_plug_in_min": 40.0,
            "steady_heater_kw": 5.0,
            "cell_temp_start_degc": 0.0,
            "cell_temp_end_degc": 15.0,
        }
        put(con, "approach_spells", spell)
    (sheet,) = made(con, fleet)
    assert "took 110 % to 110 % of what this card says" in text_of(sheet.html)
    first = round(heated_min(10, 10))
    low = round(heated_min(10, 10) * 1.1)
    assert f"{first} min, in nine of ten warmings {low} min to {low} min" in sheet.html.replace(
        "\u00a0", " "
    )


@needs_pango
@pytest.mark.parametrize("code", ["de", pytest.param("en", marks=pytest.mark.long)])
def test_one_page_and_every_word_translated(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    models = f"""
[models.flat-60]
name = "{LONG_NAME}"
usable_kwh = 60
warm_curve = [[0, 100], [100, 100]]
"""
    fleet = fleet_in(tmp_path / "fleet", models=models)
    with warehouse(fleet) as con, padded(monkeypatch, only="de"), speaking(code):
        put_fit(con, week=WEEK, thermal_source="default", cold_source="configured")
        stops(con)
        for n, power in enumerate((20.0, 50.0, 75.0, 100.0, 300.0)):
            at = MONDAY + timedelta(days=1, hours=n)
            add_stop(con, at, "part_warmed", "began_late", stop=STATE | {"site_power_kw": power},
                     net_saved_min=3.0)  # fmt: skip
        (sheet,) = made(con, fleet)
    assert pages_of(sheet, tmp_path) == 1
    assert code == "en" or unmarked(sheet.html) == []

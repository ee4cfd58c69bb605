"""When to begin warming: which states and prices the advice takes, and what it says in words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest
from fitted import WEEK, put, put_fit, put_stop
from fleets import FLEET_TOML, MODELS_TOML, MONDAY, SITES_TOML, VEHICLES_TOML, write_fleet

from pipeline.advice import advice, advice_tables
from pipeline.config import Fleet, Limits, load_fleet
from pipeline.fits import load_fits
from pipeline.fleet_tables import write_fleet_tables
from pipeline.leadtime import Case, lead_times
from pipeline.leadtime_view import site_line
from pipeline.warehouse import open_warehouse

TARIFFS = """
[[sites.fast.tariff]]
energy_per_kwh = 0.62

[sites.yard]
mode = "ac"
power_kw = 11

[[sites.yard.tariff]]
energy_per_kwh = 0.20
"""


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    opened = open_warehouse(None, Limits())
    yield opened
    opened.close()


def fleet_of(folder: Path, **files: str) -> Fleet:
    return load_fleet(write_fleet(folder / "fleet", **files))


def advised(con: duckdb.DuckDBPyConnection, fleet: Fleet) -> dict[str, pl.DataFrame]:
    write_fleet_tables(con, fleet)
    advice(con, fleet, WEEK)
    return advice_tables(con)


def put_stops(con: duckdb.DuckDBPyConnection, count: int = 5, first: int = 0, **stop: Any) -> None:
    for number in range(first, first + count):
        put_stop(con, number, **stop)


def test_the_table_is_that_of_the_typical_charge(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    fleet = fleet_of(tmp_path)
    put_fit(con)
    for number, (soc, energy) in enumerate([(20, 30), (28, 24), (60, 8)]):
        put_stop(con, number, soc_start_pct=float(soc), energy_kwh=float(energy))
    found = advised(con, fleet)["leadtime"]
    fit = load_fits(con, fleet)["flat-60"]
    assert fit.charge is not None and fit.thermal is not None
    case = Case(fit.charge, fit.thermal, 21.0, 28.0, 24.0, drive_i2_a2=1000.0)
    expected = lead_times(case, [150.0])
    for column in expected.columns:
        assert found[column].to_list() == expected[column].to_list(), column
    assert set(found["model_name"]) == {"Flat 60"}
    # The coldest learned knot is -3, and speaks for 1 K on each side.
    assert set(found.filter("is_extrapolated")["pack_degc"]) == {-10.0, -5.0}


def test_the_operator_says_from_when_it_is_worth_it(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    put_fit(con)
    put_stops(con)
    fleet = fleet_of(tmp_path, fleet_toml=FLEET_TOML + "expected_saving_min = 500\n")
    assert set(advised(con, fleet)["leadtime"]["verdict"]) == {"not_worth_it"}


def test_current_with_the_heater_is_not_the_drives(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    """A warmed stop says what the drive alone would have drawn since warming began."""
    fleet = fleet_of(tmp_path)
    put_fit(con)
    put_stops(con, 3, warming_kwh=2.0, warming_before_min=20.0,
              unheated_current2_a2s=500.0 * 60 * 20)  # fmt: skip
    advised(con, fleet)
    assert con.execute("select distinct drive_i2_a2 from advice_stops").fetchall() == [(500.0,)]


def test_powers_in_use_are_rated_learned_or_enough(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    fleet = fleet_of(tmp_path)
    put_fit(con)
    put(con, "fitted_sites", {"fit_week_id": WEEK, "site_id": "old", "power_kw": 49.6,
                              "sessions_n": 3})  # fmt: skip
    put_stops(con, 4)
    put_stops(con, 3, 10, site_id="old")
    put_stops(con, 2, 20, site_id="open")
    put_stops(con, 2, 30, site_id="mute", lost_cold_min=None)
    found = advised(con, fleet)
    # The curve's highest power, 100 kW, stands for a site that gives all the vehicle takes.
    assert sorted(set(found["leadtime"]["site_power_kw"])) == [50.0, 100.0, 150.0]
    sites = {row["site_id"]: row for row in found["site_advice"].to_dicts()}
    assert {name: row["site_power_kw"] for name, row in sites.items()} == {
        "fast": 150.0, "old": 50.0, "open": 100.0, "mute": None,
    }  # fmt: skip
    assert sites["mute"]["verdict"] == "unknown"
    assert sites["fast"]["site_name"] == "Fast"
    assert set(found["other_ways"]["site_power_kw"]) == {150.0}


def test_at_most_six_powers(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    fleet = fleet_of(tmp_path)
    put_fit(con)
    for place in range(8):
        put_stops(con, place + 1, 20 * place, site_id=f"s{place}", site_power_kw=50.0 + place)
    used = advised(con, fleet)["leadtime"]["site_power_kw"].unique().sort().to_list()
    assert used == [52.0, 53.0, 54.0, 55.0, 56.0, 57.0]


def test_few_stops_at_a_site_take_the_models_median(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    fleet = fleet_of(tmp_path)
    put_fit(con)
    put_stops(con, 5)
    put_stops(con, 2, 10, site_id="rare", site_power_kw=100.0, lead_cell_temp_min_degc=15.0)
    put_stops(con, 3, 20, site_id="mild", site_power_kw=100.0, lead_cell_temp_min_degc=12.0,
              ambient_degc=3.0)  # fmt: skip
    # A stop without cell temperatures tells nothing of the state, but is a charge like others.
    put_stop(con, 40, site_id="mild", lead_cell_temp_min_degc=None)
    sites = {row["site_id"]: row for row in advised(con, fleet)["site_advice"].to_dicts()}
    assert (sites["rare"]["is_fleet_median"], sites["rare"]["stops_n"]) == (True, 2)
    # Of 6 (five times), 12 (three times) and 15 (twice).
    assert sites["rare"]["pack_degc"] == 9.0
    assert (sites["mild"]["is_fleet_median"], sites["mild"]["stops_n"]) == (False, 3)
    assert (sites["mild"]["pack_degc"], sites["mild"]["outside_degc"]) == (12.0, 3.0)


def test_colder_than_seen_is_marked(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """The coldest learned knot is -3 degC, and knots lie 2 K apart."""
    fleet = fleet_of(tmp_path)
    put_fit(con)
    put_stops(con, 3, lead_cell_temp_min_degc=-3.9)
    put_stops(con, 3, 10, site_id="moor", site_power_kw=150.0, lead_cell_temp_min_degc=-4.1)
    sites = advised(con, fleet)["site_advice"]
    assert dict(zip(sites["site_id"], sites["is_extrapolated"], strict=True)) == {
        "fast": False, "moor": True,
    }  # fmt: skip


def test_only_the_season_counts(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    fleet = fleet_of(tmp_path)
    put_fit(con)
    put_stops(con, 3)
    put_stops(con, 9, 100, week="2025-W42", lead_cell_temp_min_degc=20.0)
    put_stops(con, 9, 200, week="2026-W04", lead_cell_temp_min_degc=20.0)
    row = advised(con, fleet)["site_advice"].row(0, named=True)
    assert (row["pack_degc"], row["stops_n"]) == (6.0, 3)
    put_stops(con, 9, 300, week="2025-W43", lead_cell_temp_min_degc=20.0)
    assert advised(con, fleet)["site_advice"]["stops_n"].to_list() == [12]


@pytest.mark.parametrize(
    ("why", "models", "fit"),
    [
        ("cold_limit_unknown", MODELS_TOML, {"cold_form": None}),
        ("no_usable_kwh", MODELS_TOML, {"heat_kj_per_kelvin": None}),
        ("no_usable_kwh", MODELS_TOML.replace("usable_kwh = 60", ""), {}),
        ("vehicle_cannot_warm", MODELS_TOML + "can_warm = false\n", {}),
    ],
)
def test_a_model_left_out_says_why(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, why: str, models: str, fit: dict[str, Any]
) -> None:
    put_fit(con, **fit)
    put_stops(con)
    found = advised(con, fleet_of(tmp_path, models=models))
    assert found["no_advice"].to_dicts() == [{"model_id": "flat-60", "why": why}]
    assert all(found[name].is_empty() for name in ("leadtime", "site_advice", "other_ways"))


def test_other_reasons(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    vehicles = VEHICLES_TOML + "".join(
        f'[vehicles.{name}]\nmodel = "{name}"\n' for name in ("bare", "idle", "dark", "mute")
    )
    models = (
        MODELS_TOML
        + "[models.bare]\n[models.idle]\n[models.spare]\n"
        + "".join(f"[models.{name}]\nusable_kwh = 50\n" for name in ("dark", "mute"))
    )
    fleet = fleet_of(tmp_path, vehicles=vehicles, models=models)
    for model_id in ("flat-60", "dark", "mute"):
        put_fit(con, model_id)
    put(con, "fitted_models", {"fit_week_id": WEEK, "model_id": "bare", "cold_source": "none",
                               "sessions_n": 0, "cold_sessions_n": 0, "thermal_source": "default",
                               "stretches_n": 0})  # fmt: skip
    put_stops(con)
    put_stop(con, 0, vehicle_id="bare")
    put_stop(con, 0, vehicle_id="dark", site_id="unrated", lost_cold_min=None)
    put_stop(con, 0, vehicle_id="mute", energy_kwh=None)
    found = advised(con, fleet)
    assert {row["model_id"]: row["why"] for row in found["no_advice"].to_dicts()} == {
        "bare": "no_warm_curve",
        "dark": "site_limit_unknown",
        "idle": "no_stops",
        "mute": "no_typical_charge",
    }
    assert set(found["leadtime"]["model_id"]) == {"flat-60"}


def test_a_vehicle_that_can_keeps_its_model_in(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    put_fit(con)
    put_stops(con)
    fleet = fleet_of(
        tmp_path,
        models=MODELS_TOML + "can_warm = false\n",
        vehicles=VEHICLES_TOML + "can_warm = true\n",
    )
    assert advised(con, fleet)["no_advice"].is_empty()


def test_prices_come_from_tariffs_at_the_meter(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    """0.62 at the site's meter is 0.62 / 0.93 in the pack; the depot's cable is paid as metered."""
    fleet = fleet_of(
        tmp_path, sites=SITES_TOML + TARIFFS, vehicles=VEHICLES_TOML + 'default_site = "yard"\n'
    )
    put_fit(con)
    put_stops(con)
    put(con, "charge_sessions", {
        "vehicle_id": "v1", "plug_in_at": MONDAY - timedelta(hours=9), "plug_out_at": MONDAY,
        "week_id": WEEK, "mode": "ac", "is_reported_only": False, "first_file_id": 1,
        "first_file_row": 1, "last_file_row": 2,
    })  # fmt: skip
    ways = {row["way"]: row for row in advised(con, fleet)["other_ways"].to_dicts()}
    assert ways["on_the_way"]["price_per_kwh"] == pytest.approx(0.62 / 0.93)
    assert ways["on_the_way"]["price_source"] == "tariff"
    assert ways["on_cable"]["price_per_kwh"] == pytest.approx(0.20)
    assert ways["on_cable"]["price_source"] == "tariff"
    for row in ways.values():
        assert row["cost"] == pytest.approx(row["energy_kwh"] * row["price_per_kwh"])


def test_without_tariffs_the_fleets_price(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """It is one of energy in the pack, so that a kWh at the meter is worth 0.93 of it."""
    put_fit(con)
    put_stops(con)
    ways = {row["way"]: row for row in advised(con, fleet_of(tmp_path))["other_ways"].to_dicts()}
    assert ways["on_the_way"]["price_per_kwh"] == pytest.approx(0.40)
    assert ways["on_cable"]["price_per_kwh"] == pytest.approx(0.40 * 0.93)
    assert {row["price_source"] for row in ways.values()} == {"fleet_price", None}
    assert {row["pack_degc"] for row in ways.values()} == {6.0}


def test_nothing_learned_gives_empty_tables(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    put_stops(con)
    found = advised(con, fleet_of(tmp_path))
    assert found["no_advice"].to_dicts() == [{"model_id": "flat-60", "why": "no_stops"}]
    assert found["leadtime"].is_empty() and found["leadtime"].width > 10


ROW = {
    "pack_degc": 6.2, "outside_degc": -0.3, "stops_n": 8, "is_fleet_median": False,
    "is_extrapolated": False, "verdict": "begin", "begin_min": 28.0, "net_saved_min": 6.6,
    "warming_kwh": 2.41, "approach_min": 40.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({}, "set the charger 28 min before arrival; saves 7 min net, takes 2.4 kWh "
             "(pack 6, outside 0 °C; 8 stops)"),
        ({"approach_min": 15.0}, "the way there is usually 15 min, so begin before departure"),
        ({"stops_n": 1, "is_fleet_median": True}, "the model's median, too few stops"),
        ({"is_extrapolated": True}, "colder than any charge yet seen"),
        ({"verdict": "not_worth_it", "net_saved_min": 2.96},
         "warming is not worth it here: it would save less than 3 min net"),
        ({"verdict": "not_worth_it", "net_saved_min": -0.2}, "it would save nothing net"),
        ({"verdict": "not_worth_it", "net_saved_min": -4.4}, "take 4 min more than it saves"),
        ({"verdict": "already_warm"}, "usually comes warm"),
        ({"verdict": "never_warm"}, "does not get the battery warm"),
        ({"verdict": "unknown", "pack_degc": None}, "not known"),
    ],
)  # fmt: skip
def test_one_plain_line_per_site(changes: dict[str, Any], expected: str) -> None:
    line = site_line(ROW | changes, 3.0)
    assert expected in line
    assert "None" not in line and "nan" not in line and "-0 " not in line


def test_no_cell_is_a_number_that_is_none(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Not computable is null, in every table and never NaN."""
    put_fit(con, heater_power_kw=0.2)
    put_stops(con)
    found = advised(con, fleet_of(tmp_path))
    assert set(found["leadtime"]["verdict"]) >= {"never_warm"}
    for frame in found.values():
        for name in frame.select(pl.selectors.float()).columns:
            assert np.isfinite(frame[name].drop_nulls().to_numpy()).all(), name

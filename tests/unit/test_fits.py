"""What was learned, read back: the same numbers, and plain words where there are none."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import duckdb
import numpy as np
import pytest
from fitted import KNOTS_DEGC, WEEK, put, put_fit
from fleets import NOW, write_fleet

from pipeline.config import Fleet, Limits, load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.fits import fitted_week, load_fits, plug_heater
from pipeline.fleet_tables import write_fleet_tables
from pipeline.losses import limits_of, split_losses
from pipeline.minutes import minutes
from pipeline.minutes.learn import Learned, learn
from pipeline.minutes.window import Window, read_window
from pipeline.problems import ColdMinutesError
from pipeline.warehouse import open_warehouse


@pytest.fixture(scope="module")
def fitted(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[duckdb.DuckDBPyConnection, Fleet, Window, Learned]]:
    """A small simulated fleet with noisy power, its newest week fitted, and the fresh fit."""
    from simulate import FleetSpec, simulate

    folder = simulate(
        FleetSpec(
            n_vehicles=4,
            weeks=3,
            seed=31,
            layout="tailgate_csv",
            defects=False,
            write_config=True,
            sharing_share=0.15,
            power_noise=0.03,
        ),
        tmp_path_factory.mktemp("fits") / "fleet",
    )
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, NOW)
        compute(con, fleet)
        week_id = con.execute("select max(week_id) from stops").fetchall()[0][0]
        minutes(con, fleet, week_id)
        window = read_window(con, week_id)
        yield con, fleet, window, learn(window, fleet)


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[tuple[duckdb.DuckDBPyConnection, Fleet]]:
    """One vehicle of one model, nothing learned."""
    fleet = load_fleet(write_fleet(tmp_path / "fleet"))
    con = open_warehouse(None, Limits())
    write_fleet_tables(con, fleet)
    yield con, fleet
    con.close()


def test_a_stored_fit_is_the_fresh_one(
    fitted: tuple[duckdb.DuckDBPyConnection, Fleet, Window, Learned],
) -> None:
    con, fleet, window, learned = fitted
    stored = load_fits(con, fleet)
    assert set(stored) == set(learned.fits) and len(stored) == 2
    assert {fit.week_id for fit in stored.values()} == {window.week_id}
    for name, fit in learned.fits.items():
        found, fresh = stored[name].charge, fit.model
        assert found is not None and fresh.cold_form is not None
        assert found.cold_form == fresh.cold_form
        assert found.full_power_degc == fresh.full_power_degc
        assert found.usable_kwh == fresh.usable_kwh
        for array in ("reference_kw", "cold_degc", "cold_value"):
            np.testing.assert_array_equal(getattr(found, array), getattr(fresh, array))
        for number, vehicle_id in enumerate(window.vehicle_ids):
            if fleet.vehicles[vehicle_id].model == name:
                told = stored[name].vehicle_scale.get(vehicle_id, 1.0)
                assert told == fit.scale[number]
        heat, fresh_heat = stored[name].thermal, learned.thermal[name]
        assert heat is not None
        for value in (
            "heat_kj_per_kelvin", "resistance_ohm", "loss_w_per_kelvin", "nominal_v",
            "heater_power_kw", "source", "tau_source", "stretches_n",
        ):  # fmt: skip
            assert getattr(heat, value) == getattr(fresh_heat, value), value
        for error in ("heat_se_kj_per_kelvin", "resistance_se_ohm", "loss_se_w_per_kelvin"):
            np.testing.assert_equal(getattr(heat, error), getattr(fresh_heat, error))
        plug = learned.plug[name]
        assert stored[name].plug_heater == plug_heater(
            plug.below_degc, plug.until_degc, plug.hold_below_degc, fresh_heat.heater_power_kw
        )


def test_a_stored_fit_gives_the_same_cold_minutes(
    fitted: tuple[duckdb.DuckDBPyConnection, Fleet, Window, Learned],
) -> None:
    con, fleet, window, _ = fitted
    recorded = con.sql(
        "select lost_cold_min, lost_site_min from stop_minutes order by vehicle_id, plug_in_at"
    ).pl()
    steps = window.steps.with_site_kw(window.numbers("site_power_kw"))
    cold, site = np.full(len(window.stops), np.nan), np.full(len(window.stops), np.nan)
    for name, fit in load_fits(con, fleet).items():
        assert fit.charge is not None
        mine = (window.stops["model_id"] == name).to_numpy()
        of_model = steps.where(mine[steps.stop])
        scale = np.array([fit.vehicle_scale.get(v, 1.0) for v in window.vehicle_ids])
        limits = limits_of(
            fit.charge, of_model.soc_pct, of_model.cell_temp_degc, of_model.supply_kw,
            scale[window.vehicle[of_model.stop]],
        )  # fmt: skip
        losses = split_losses(
            of_model.stop, len(window.stops), of_model.step_min, of_model.pack_kwh, limits,
            of_model.is_held, of_model.is_ramp, np.zeros(len(of_model), dtype=bool),
        )  # fmt: skip
        cold[mine], site[mine] = losses.cold_min[mine], losses.site_min[mine]
    known = recorded["lost_cold_min"].is_not_null().to_numpy()
    assert known.sum() > 30
    for found, column in ((cold, "lost_cold_min"), (site, "lost_site_min")):
        np.testing.assert_allclose(
            found[known], recorded[column].to_numpy()[known], rtol=0, atol=1e-9
        )
    assert np.nansum(cold) > 10


def test_the_newest_week_unless_one_is_named(
    empty: tuple[duckdb.DuckDBPyConnection, Fleet],
) -> None:
    con, fleet = empty
    for week in ("2025-W52", "2026-W01"):
        put_fit(con, week=week, full_power_degc=21.0 if week == "2026-W01" else 25.0)
    assert fitted_week(con, fleet) == "2026-W01"
    charge = load_fits(con, fleet, "2025-W52")["flat-60"].charge
    assert charge is not None and charge.full_power_degc == 25.0
    np.testing.assert_array_equal(charge.cold_degc, KNOTS_DEGC)
    with pytest.raises(ColdMinutesError) as told:
        load_fits(con, fleet, "2026-W09")
    assert "CURVES-01" in str(told.value) and "2026-W01, 2025-W52" in str(told.value)


def test_nothing_learned_says_what_to_do(
    empty: tuple[duckdb.DuckDBPyConnection, Fleet],
) -> None:
    con, fleet = empty
    with pytest.raises(ColdMinutesError, match="coldminutes run FLEET"):
        load_fits(con, fleet)
    put(
        con,
        "stop_minutes",
        {"stop_id": "x.1", "vehicle_id": "x", "plug_in_at": NOW, "week_id": WEEK,
         "fit_week_id": WEEK, "is_site_learned": False},
    )  # fmt: skip
    with pytest.raises(ColdMinutesError, match=r"models\.toml"):
        load_fits(con, fleet)


def test_what_was_not_learned_is_none(empty: tuple[duckdb.DuckDBPyConnection, Fleet]) -> None:
    con, fleet = empty
    put(
        con,
        "fitted_models",
        {"fit_week_id": WEEK, "model_id": "gone", "cold_source": "none", "sessions_n": 0,
         "cold_sessions_n": 0, "thermal_source": "default", "stretches_n": 0},
    )  # fmt: skip
    put_fit(con, cold_form=None, thermal_source="default", loss_se_w_per_kelvin=None)
    fits = load_fits(con, fleet)
    assert (fits["gone"].charge, fits["gone"].thermal, fits["gone"].plug_heater) == (None,) * 3
    flat = fits["flat-60"]
    assert flat.charge is not None and flat.charge.cold_form is None
    assert flat.thermal is not None
    assert (flat.thermal.source, flat.thermal.tau_source) == ("default", "default")
    assert np.isnan(flat.thermal.loss_se_w_per_kelvin)


def test_vehicles_belong_to_their_model_and_sites_to_all(
    empty: tuple[duckdb.DuckDBPyConnection, Fleet],
) -> None:
    con, fleet = empty
    put_fit(con)
    for vehicle_id, scale in (("v1", 0.93), ("other", 1.04)):
        put(con, "fitted_vehicles", {"fit_week_id": WEEK, "vehicle_id": vehicle_id,
                                     "curve_scale": scale, "sessions_n": 8})  # fmt: skip
    put(con, "fitted_sites", {"fit_week_id": WEEK, "site_id": "old", "power_kw": 49.6,
                              "sessions_n": 3})  # fmt: skip
    fit = load_fits(con, fleet)["flat-60"]
    assert fit.vehicle_scale == {"v1": 0.93}
    assert fit.site_kw == {"old": 49.6}


@pytest.mark.parametrize(
    ("below", "until", "hold"),
    [(8.0, 12.0, None), (8.0, 12.0, -5.0), (None, 12.0, None), (8.0, 7.0, None), (8.0, None, 1.0)],
)
def test_unknown_thresholds_are_none_or_nan(
    below: float | None, until: float | None, hold: float | None
) -> None:
    known = [np.nan if value is None else value for value in (below, until, hold)]
    got = plug_heater(below, until, hold, 5.2)
    assert got == plug_heater(*known, 5.2)
    assert (got is None) == (below is None or until is None)
    if got is not None:
        assert got.until_degc >= got.below_degc

"""The stage as a whole on a simulated fleet: laws that hold whatever was learned."""

from __future__ import annotations

import shutil
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from conftest import Simulated
from fleets import drive_and_charge, drop, one_stop, stops_of, write_fleet
from scipy import stats

from pipeline.charging import ChargeModel, binned_curve
from pipeline.config import load_fleet
from pipeline.edition import compute, warehouse_of
from pipeline.minutes import minutes
from pipeline.minutes.attribute import summary_reference_min
from pipeline.statistics import usual_range

PLUG_IN = datetime(2026, 1, 12, 8, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def two_editions(
    simulated: Simulated, tmp_path_factory: pytest.TempPathFactory
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """The third week's minutes as first made, after the fourth was made, and made once more."""
    folder = tmp_path_factory.mktemp("editions")
    no_state = shutil.ignore_patterns(".coldminutes")
    shutil.copytree(simulated.folder, folder / "fleet", ignore=no_state)
    fleet = load_fleet(folder / "fleet")
    shutil.copytree(simulated.folder.parent / "computed", fleet.state)
    wanted = "select * from judged_stops where week_id <= '{}' order by vehicle_id, plug_in_at"
    with warehouse_of(fleet) as con:
        assert con.sql("from stop_minutes").fetchall() == [], "no edition was made yet"
        compute(con, fleet)
        weeks = con.sql("select distinct week_id from stops order by 1").pl()["week_id"]
        third, fourth = weeks[-2], weeks[-1]
        found = []
        for week_id in (third, fourth, third):
            minutes(con, fleet, week_id)
            found.append(con.sql(wanted.format(third)).pl())
    return found[0], found[1], found[2]


def test_an_old_edition_can_be_made_again(
    two_editions: tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame],
) -> None:
    first, later, again = two_editions
    assert first.equals(again)
    # More weeks teach more; an old edition must not know of them.
    assert first["lost_cold_min"].to_list() != later["lost_cold_min"].to_list()
    assert set(first["fit_week_id"]) != set(later["fit_week_id"])


def test_grade_b_states_its_own_error_rate(simulated: Simulated) -> None:
    """Stops whose heater is known, judged by the rise of temperature alone."""
    with warehouse_of(load_fleet(simulated.folder)) as con:
        rows = con.sql(
            "select grade_b_judged_n, grade_b_wrong_n, grade_b_open_n, thermal_source "
            "from fitted_models where fit_week_id = (select max(fit_week_id) from fitted_models)"
        ).fetchall()
    assert len(rows) == 2
    for judged_n, wrong_n, open_n, source in rows:
        assert source == "learned"
        assert judged_n > 60
        assert wrong_n <= 0.06 * judged_n
        assert open_n <= 0.2 * judged_n


def test_parts_add_up_for_every_stop(simulated: Simulated) -> None:
    stops = simulated.stops.filter(pl.col("lost_cold_min").is_not_null())
    assert stops.height > 300
    excess = stops["lost_cold_min"] + stops["lost_site_min"] + stops["lost_unexplained_min"]
    assert (excess - stops["excess_min"]).abs().max() < 1e-9
    beyond = stops["excess_min"] - stops["lost_min"] - stops["site_limit_min"]
    assert beyond.abs().max() < 1e-9
    judged = stops.filter(pl.col("avoidable_min").is_not_null())
    assert judged.height > 300
    whole = judged["avoidable_min"] + judged["unavoidable_min"] - judged["lost_cold_min"]
    assert whole.abs().max() < 1e-9


def test_avoidable_only_where_warming_was_expected(simulated: Simulated) -> None:
    stops = simulated.stops
    assert stops.filter(~pl.col("is_expected"))["avoidable_min"].abs().max() == 0
    expected = stops.filter(pl.col("is_expected"))
    assert expected.height > 50
    assert set(expected["outcome"]) <= {"warmed", "part_warmed", "not_warmed"}
    assert expected["expected_why_not"].null_count() == expected.height
    missed = expected.filter(pl.col("outcome") == "not_warmed")
    assert missed["net_missed_min"].min() >= 3
    others = stops.filter(~pl.col("is_expected"))
    assert others["expected_why_not"].null_count() == 0
    assert (expected["avoidable_min"] <= expected["lost_cold_min"].clip(0) + 1e-9).all()


def test_cash_and_time_stand_apart(simulated: Simulated) -> None:
    """Worth in time is valued minutes at the fleet's 32 an hour; cash is fees less the energy."""
    warmed = simulated.stops.filter(pl.col("warming_kwh") > 0.1)
    time_worth = warmed["valued_min"] * 32 / 60
    assert (warmed["worth_time"] - time_worth).abs().max() < 1e-9
    fees = warmed["worth_cash"] + warmed["marginal_cost"]
    # Only two sites bill minutes; where none are billed nothing but the energy is paid.
    by_minute = warmed["site_id"].is_in(["mill-lane-100", "crossway-200"])
    assert fees.filter(~by_minute).abs().max() < 1e-9
    assert fees.filter(by_minute).max() > 0.1
    assert warmed.filter(pl.col("net_saved_min") <= 0)["break_even_per_hour"].null_count() > 0


def test_warming_cost_is_what_the_pack_had_cost(simulated: Simulated) -> None:
    warmed = simulated.stops.filter(pl.col("warming_kwh") > 0.1)
    price = warmed["warming_cost"] / warmed["warming_kwh"]
    assert (price - warmed["warming_price_per_kwh"]).abs().max() < 1e-9
    assert price.min() > 0.1 and price.max() < 0.8
    assert price.n_unique() > 20, "an inventory, not one price"


def test_a_site_of_unknown_rating_leaves_the_excess_unsplit(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet", sites="")
    drop(fleet, drive_and_charge(plug_in=PLUG_IN, charge_kw=50))
    stop = one_stop(fleet)
    assert stop["split_why_null"] == "site_limit_unknown"
    assert stop["lost_cold_min"] is None and stop["site_limit_min"] is None
    assert stop["lost_min"] == pytest.approx(stop["excess_min"])
    assert stop["figures_assumed_n"] > 0


def test_one_cold_charge_is_not_blamed_on_the_cold(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet")
    drop(fleet, drive_and_charge(plug_in=PLUG_IN, charge_kw=50, cell_arrival_degc=5))
    stop = one_stop(fleet)
    assert stop["lost_min"] > 5
    assert (stop["lost_cold_min"], stop["split_why_null"]) == (None, "cold_limit_unknown")
    assert stop["avoidable_min"] is None


def test_a_configured_cold_limit_splits_the_first_charge(tmp_path: Path) -> None:
    """Curve 100 kW, factor 0.5 at 8 degC: a charge at 50 kW has lost its minutes to the cold."""
    fleet = write_fleet(tmp_path / "fleet")
    models = fleet / "models.toml"
    text = models.read_text()
    key = text[text.index("[models.") : text.index("]") + 1]
    limit = "cold_limit = [[0, 0.5], [10, 0.5], [21, 1.0]]"
    models.write_text(text.replace(key, f"{key}\n{limit}", 1))
    drop(
        fleet,
        drive_and_charge(
            plug_in=PLUG_IN, charge_kw=50, cell_start_degc=8, cell_arrival_degc=8, charge_min=22
        ),
    )
    stop = one_stop(fleet)
    assert stop["lost_cold_min"] == pytest.approx(22 / 2, abs=0.4)
    assert abs(stop["lost_unexplained_min"]) < 0.4


@pytest.mark.parametrize(
    ("value", "message"),
    [
        ("[[0, 0.5]]", "at least two points"),
        ("[[5, 0.5], [0, 1.0]]", "temperature rising"),
        ("[[0, 0.9], [10, 0.5]]", "must not fall"),
        ("[[0, 0.0], [10, 0.5]]", "positive"),
    ],
)
def test_a_cold_limit_that_is_none_is_refused(tmp_path: Path, value: str, message: str) -> None:
    from pipeline.problems import ColdMinutesError

    fleet = write_fleet(tmp_path / "fleet")
    models = fleet / "models.toml"
    text = models.read_text()
    key = text[text.index("[models.") : text.index("]") + 1]
    models.write_text(text.replace(key, f"{key}\ncold_limit = {value}", 1))
    with pytest.raises(ColdMinutesError) as refused:
        load_fleet(fleet)
    assert message in str(refused.value.problems[0])
    assert "cold_limit" in str(refused.value.problems[0])


def test_held_without_a_charge_is_a_stop_and_cold(tmp_path: Path) -> None:
    """Ten minutes of heating at the plug below 1 kW, then the driver gave up."""
    fleet = write_fleet(tmp_path / "fleet")
    frame = drive_and_charge(
        plug_in=PLUG_IN, charge_kw=0.0, charge_min=10, cell_start_degc=-15, cell_arrival_degc=-15
    )
    at_plug = frame["speed"].eq(0) & frame["plug"].eq(1)
    later = frame["time"] >= PLUG_IN.strftime("%Y-%m-%dT%H:%M:%S")
    heated = pl.when(pl.Series(at_plug & later)).then(5.0).otherwise(pl.col("heater"))
    drop(fleet, frame.with_columns(heater=heated))
    stop = one_stop(fleet)
    assert stop["held_min"] == pytest.approx(10, abs=1.5)
    assert stop["lost_min"] == pytest.approx(stop["held_min"], abs=0.5)


def test_summaries_get_an_upper_bound_from_the_curve() -> None:
    """30 kWh from 40 to 60 % on a curve of 100 kW below 50 % and 50 above: 9 + 18 min; on a
    40 kW site 45 min. Energy without a gain of charge says nothing."""
    curve = binned_curve([(0, 100), (50, 100), (50.001, 50), (100, 50)])
    model = ChargeModel(curve, 150.0, 21.0)
    got = summary_reference_min(
        model,
        np.array([40.0, 40.0, 60.0]),
        np.array([60.0, 60.0, 60.0]),
        np.array([30.0, 30.0, 30.0]),
        np.array([np.inf, 40.0, np.inf]),
        np.ones(3),
    )
    assert got[:2] == pytest.approx([27, 45], rel=1e-6)
    assert np.isnan(got[2])


def test_two_vehicles_without_a_model_stay_apart(tmp_path: Path) -> None:
    fleet = write_fleet(tmp_path / "fleet")
    drop(fleet, drive_and_charge(plug_in=PLUG_IN, charge_kw=50, vehicle="stranger"))
    drop(fleet, drive_and_charge(plug_in=PLUG_IN + timedelta(hours=3), charge_kw=50), "log_2.csv")
    rows = {row["vehicle_id"]: row for row in stops_of(fleet)}
    assert rows["stranger"]["lost_why_null"] == "no_model"
    assert rows["v1"]["lost_min"] is not None


def test_usual_range_is_students_interval_for_even_vehicles() -> None:
    """Normal means of 12 vehicles with equal counts: near the textbook's t interval
    (scipy.stats.t), a little wider."""
    generator = np.random.default_rng(2)
    sums = generator.normal(50, 8, 12)
    got = usual_range(sums, np.ones(12))
    low, high = stats.t.interval(0.9, 11, loc=sums.mean(), scale=sums.std(ddof=1) / np.sqrt(12))
    assert got.low[0] == pytest.approx(low, abs=0.12 * (high - low))
    assert got.high[0] == pytest.approx(high, abs=0.12 * (high - low))


def test_usual_range_covers_what_it_says() -> None:
    """90 % interval of a ratio over 8 vehicles of unequal counts, 300 fleets (binomial 99.9 %
    limits of 300 trials around 0.9: 0.84 to 0.95)."""
    generator = np.random.default_rng(4)
    held = 0
    for trial in range(300):
        counts = generator.integers(3, 20, 8).astype(float)
        sums = counts * generator.gamma(9, 5 / 9, 8)
        got = usual_range(sums, counts, resamples_n=600, seed=trial)
        held += bool(got.low[0] <= 5 <= got.high[0])
    assert 0.84 <= held / 300 <= 0.96


def test_usual_range_is_fast_and_knows_its_limits() -> None:
    generator = np.random.default_rng(1)
    began = time.perf_counter()
    usual_range(generator.normal(size=(500, 3)), np.ones(500))
    assert time.perf_counter() - began < 1.0
    assert np.isnan(usual_range(np.array([3.0]), np.array([1.0])).low[0])


def test_two_summaries_of_one_instant_are_two_stops(tmp_path: Path) -> None:
    """Two meters may report charges of one vehicle that begin in the same second."""
    fleet = write_fleet(tmp_path / "fleet")
    (fleet / "sources" / "bills.toml").write_text(
        'kind = "sessions"\nfiles = ["bills*.csv"]\nvehicle = { column = "unit" }\n'
        'time = { format = "iso" }\n[columns]\n'
        'plug_in_at = { column = "from" }\nplug_out_at = { column = "to" }\n'
        'meter_energy_kwh = { column = "kwh", unit = "kWh" }\n'
        'soc_start_pct = { column = "a", unit = "percent" }\n'
        'soc_end_pct = { column = "b", unit = "percent" }\n'
        'charge_mode = { column = "mode" }\n'
    )
    (fleet / "inbox" / "bills_1.csv").write_text(
        "unit,from,to,kwh,a,b,mode\n"
        "v1,2026-01-12T08:00:00Z,2026-01-12T08:30:00Z,20,20,50,dc\n"
        "v1,2026-01-12T08:00:00Z,2026-01-12T08:50:00Z,30,20,65,dc\n"
    )
    rows = stops_of(fleet)
    assert len(rows) == 2
    assert len({row["stop_id"] for row in rows}) == 2
    assert sorted(row["energy_kwh"] for row in rows) == pytest.approx([20 * 0.93, 30 * 0.93])
    assert all(row["lost_at_most_min"] is not None for row in rows)

"""The thermal model's corners, and what the fit does with awkward stretches."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.learning.thermal_fit import Stretches, ThermalRefusal, fit_thermal, stretches_of
from pipeline.thermal import ThermalModel, default_model, drive_heat_limit

PACK = ThermalModel(600.0, 0.08, 20.0, heater_power_kw=5.0)
USABLE_KWH = 60.0


def made_stretches(
    model: ThermalModel = PACK,
    seed: int = 1,
    noise_kelvin: float = 0.05,
    warming_n: int = 120,
    driving_n: int = 400,
    parked_n: int = 40,
) -> Stretches:
    """Stretches that obey a model exactly, read with noise."""
    rng = np.random.default_rng(seed)
    kind = np.repeat([0, 1, 2], [warming_n, driving_n, parked_n])
    n = len(kind)
    time_min = np.select([kind == 0, kind == 1], [10.0, 15.0], rng.uniform(120, 900, n))
    ambient = rng.uniform(-15, 5, n)
    start = ambient + rng.uniform(0, 25, n)
    i2 = np.where(kind == 2, 0.0, rng.uniform(200, 4000, n))
    heat_kw = np.where(kind == 0, 5.0, 0.0)
    end = model.after(start, ambient, time_min, heat_kw, i2) + rng.normal(0, noise_kelvin, n)
    return Stretches(
        kind, rng.integers(0, 60, n), time_min, start, end, ambient,
        heat_kw * time_min / 60, i2 * time_min * 60,
    )  # fmt: skip


def fitted(stretches: Stretches) -> ThermalModel:
    result = fit_thermal(stretches, USABLE_KWH)
    assert isinstance(result, ThermalModel), result
    return result


def test_minutes_say_never_and_nothing() -> None:
    # 0.1 kW holds 5 K above outside at 20 W/K, so 4 K are reached and 6 K never.
    minutes = PACK.minutes_to([4.0, 5.001, 6.0, -1.0, np.nan], 0.0, 0.0, 0.1)
    assert np.isfinite(minutes[0])
    assert np.isinf(minutes[1:3]).all()
    assert minutes[3] == 0
    assert np.isnan(minutes[4])


def test_a_pack_without_losses_is_linear() -> None:
    tight = ThermalModel(600.0, 0.0, 0.0)
    assert tight.tau_h == np.inf
    # 10 K of 600 kJ/K at 5 kW: 1200 s.
    assert tight.minutes_to(10.0, 0.0, -20.0, 5.0) == pytest.approx(20.0)
    assert tight.after(0.0, -20.0, 20.0, 5.0) == pytest.approx(10.0)
    assert np.isinf(tight.minutes_to(10.0, 0.0, -20.0, 0.0))


def test_arguments_broadcast() -> None:
    table = PACK.minutes_to(21.0, np.array([[-5.0], [5.0]]), np.array([-10.0, 0.0, 10.0]), 5.0)
    assert table.shape == (2, 3)
    assert (table[0] > table[1]).all()
    assert (np.diff(table, axis=1) < 0).all()


@pytest.mark.parametrize(
    ("heat", "resistance", "loss"), [(0, 0, 1), (-1, 0, 1), (500, -0.1, 1), (500, 0, -1)]
)
def test_no_model_of_a_pack_that_cannot_be(heat: float, resistance: float, loss: float) -> None:
    with pytest.raises(ValueError, match="must"):
        ThermalModel(heat, resistance, loss)


def test_no_default_for_a_pack_of_unknown_size() -> None:
    with pytest.raises(ValueError, match="usable_kwh"):
        default_model(float("nan"))


def test_fit_gives_the_model_back() -> None:
    model = fitted(made_stretches())
    assert model.source == model.tau_source == "learned"
    assert model.heat_kj_per_kelvin == pytest.approx(600, rel=0.01)
    assert model.resistance_ohm == pytest.approx(0.08, rel=0.05)
    assert model.loss_w_per_kelvin == pytest.approx(20, rel=0.02)
    assert model.tau_h == pytest.approx(PACK.tau_h, rel=0.03)
    assert model.stretches_n == 560


def test_standard_errors_are_the_spread_of_the_fits() -> None:
    fits = [fitted(made_stretches(seed=seed)) for seed in range(60)]
    for name, error in (
        ("heat_kj_per_kelvin", "heat_se_kj_per_kelvin"),
        ("resistance_ohm", "resistance_se_ohm"),
        ("loss_w_per_kelvin", "loss_se_w_per_kelvin"),
    ):
        spread = np.std([getattr(fit, name) for fit in fits], ddof=1)
        stated = np.mean([getattr(fit, error) for fit in fits])
        assert stated == pytest.approx(spread, rel=0.35), name


def test_errors_that_go_together_within_a_day_widen_the_standard_error() -> None:
    alone = made_stretches(noise_kelvin=0.0)
    rng = np.random.default_rng(3)
    shared = rng.normal(0, 0.2, 60)[alone.cluster]
    together = replace(alone, end_degc=alone.end_degc + shared)
    unrelated = replace(together, cluster=np.arange(len(alone.kind)))
    assert fitted(together).heat_se_kj_per_kelvin > 1.2 * fitted(unrelated).heat_se_kj_per_kelvin


def test_nights_in_a_heated_hall_do_not_count() -> None:
    clean = made_stretches(driving_n=60)
    is_hall = (clean.kind == 2) & (np.arange(len(clean.kind)) % 3 == 0)
    warm = replace(clean, end_degc=np.where(is_hall, 15.0, clean.end_degc))
    assert 12 <= is_hall.sum() <= 14
    # Weights that only shrink with the residual (Huber) would leave 3 to 5 %.
    assert fitted(warm).loss_w_per_kelvin == pytest.approx(20, rel=0.006)


def test_a_foreign_heater_does_not_count() -> None:
    clean = made_stretches()
    is_wrong = (clean.kind == 0) & (np.arange(len(clean.kind)) % 8 == 0)
    wrong = replace(clean, heater_kwh=np.where(is_wrong, 0.0, clean.heater_kwh))
    assert fitted(wrong).heat_kj_per_kelvin == pytest.approx(600, rel=0.02)


def test_rows_without_a_reading_do_not_count() -> None:
    clean = made_stretches()
    gappy = replace(clean, ambient_degc=np.where(clean.cluster == 7, np.nan, clean.ambient_degc))
    assert fitted(gappy).stretches_n == 560 - (clean.cluster == 7).sum()


def test_resistance_is_never_negative() -> None:
    clean = made_stretches(replace(PACK, resistance_ohm=0.0))
    cooler = replace(clean, end_degc=clean.end_degc - 5e-5 * clean.current2_a2s / 3600)
    assert fitted(cooler).resistance_ohm == 0


def test_counts_repeat_stretches() -> None:
    few = made_stretches(warming_n=40, driving_n=80, parked_n=20)
    counts = np.random.default_rng(5).integers(0, 3, len(few.kind)).astype(float)
    places = np.repeat(np.arange(len(counts)), counts.astype(int))
    repeated = Stretches(**{name: values[places] for name, values in vars(few).items()})
    weighted = fit_thermal(few, USABLE_KWH, counts=counts)
    assert isinstance(weighted, ThermalModel)
    assert weighted.heat_kj_per_kelvin == pytest.approx(
        fitted(repeated).heat_kj_per_kelvin, rel=0.01
    )


@pytest.mark.parametrize("seed", range(5))
def test_an_unknown_time_constant_is_the_default_and_says_so(seed: int) -> None:
    s = made_stretches(seed=seed, driving_n=0, parked_n=0, warming_n=60)
    # Always 5 K above outside: the loss cannot be told from a weaker heater.
    model = fitted(replace(s, ambient_degc=s.start_degc - 5.0))
    assert model.tau_source == "default"
    assert model.tau_h == pytest.approx(10)
    assert np.isnan(model.loss_se_w_per_kelvin)
    assert np.isnan(model.drive_spread_kelvin_per_h)
    assert 0 < model.heat_se_kj_per_kelvin < 30


def test_refusals() -> None:
    none = made_stretches()
    blind = fit_thermal(replace(none, end_degc=np.full(560, np.nan)), USABLE_KWH)
    assert blind == ThermalRefusal("no_pack_temperature", 0)
    few = fit_thermal(made_stretches(warming_n=9), USABLE_KWH)
    assert isinstance(few, ThermalRefusal)
    assert (few.reason, few.stretches_n) == ("too_few_stretches", 449)
    one_day = fit_thermal(replace(none, cluster=np.zeros(560, dtype=int)), USABLE_KWH)
    assert isinstance(one_day, ThermalRefusal)
    assert one_day.reason == "too_few_stretches"


@pytest.mark.parametrize(
    ("heat", "loss", "reason"),
    [(100, 5, "heat_implausible"), (1500, 40, "heat_implausible"), (600, 70, "tau_implausible"),
     (600, 5, "tau_implausible")],
)  # fmt: skip
def test_implausible_fits_are_reported_and_not_used(heat: float, loss: float, reason: str) -> None:
    odd = ThermalModel(heat, 0.05, loss)
    result = fit_thermal(made_stretches(odd, noise_kelvin=0.02), USABLE_KWH)
    assert isinstance(result, ThermalRefusal)
    assert result.reason == reason
    assert result.heat_kj_per_kelvin == pytest.approx(heat, rel=0.05)
    assert result.tau_h == pytest.approx(odd.tau_h, rel=0.1)


def test_stretches_of_a_table() -> None:
    start = datetime(2026, 1, 5, 8, tzinfo=UTC)
    frame = pl.DataFrame(
        {
            "vehicle_id": ["a", "a", "a", "b"],
            "from_at": [start, start + timedelta(hours=1), start + timedelta(days=1), start],
            "stretch_kind": ["warming", "parked", "driving", "driving"],
            "stretch_min": [10.0, 600.0, 15.0, 15.0],
            "cell_temp_start_degc": [5.0, 12.0, 0.0, None],
            "cell_temp_end_degc": [9.0, 4.0, 0.1, 1.0],
            "ambient_degc": [-2.0, -3.0, -4.0, 0.0],
            "heater_kwh": [0.8, 0.0, 0.0, 0.0],
            "current2_a2s": [1e6, 0.0, 2e6, 1e5],
        }
    )
    s = stretches_of(frame)
    assert s.kind.tolist() == [0, 2, 1, 1]
    assert s.cluster.tolist() == [0, 0, 1, 2]
    assert np.isnan(s.start_degc).tolist() == [False, False, False, True]


def test_drive_heat_limit_grows_with_current_and_time() -> None:
    model = replace(PACK, drive_spread_kelvin_per_h=1.0)
    limit = drive_heat_limit(model, [0.0, 5e6, 10e6], 0.5, 5.0, 5.0)
    # 5e6 A2s of 0.08 ohm are 400 kJ, of 600 kJ/K, less a little lost on the way.
    assert np.diff(limit) == pytest.approx(400 / 600, rel=0.03)
    # 1.645 times the spread of half an hour at 1 K/h, and the rounding of two readings.
    assert limit[0] == pytest.approx(1.645 * np.hypot(0.5, 0.1 / 6**0.5), rel=0.001)
    assert drive_heat_limit(model, 5e6, 1.0, 5.0, 5.0) > limit[1]
    assert drive_heat_limit(model, 0.0, 0.0, 5.0, 5.0) == pytest.approx(1.645 * 0.1 / 6**0.5, 1e-3)


def test_no_drive_heat_limit_without_a_learned_spread() -> None:
    assert np.isnan(drive_heat_limit(PACK, 1e6, 0.5, 5.0, 0.0))

"""Curve, cold limit and site limits learned back from charges that were made with known ones."""

from __future__ import annotations

import numpy as np
import pytest
from charge_lab import Lab

from pipeline.charging import SOC_MID_PCT, binned_curve
from pipeline.learning.cold_limit import KNOTS_DEGC
from pipeline.learning.fit import Prior, fit_model
from pipeline.learning.plateaus import held_back, site_limits

POINTS = [(0, 110), (30, 120), (50, 100), (80, 50), (100, 10)]
CURVE = binned_curve(POINTS)


def warm(soc: float) -> float:
    return float(np.interp(soc, *zip(*POINTS, strict=True)))


def factor(temp: float) -> float:
    return float(np.interp(temp, [-10, 0, 10, 21], [0.12, 0.3, 0.6, 1.0]))


def ceiling(temp: float) -> float:
    return float(np.interp(temp, [-10, 0, 10, 20, 26], [0.2, 0.5, 1.0, 1.7, 2.05]))


def prior(curve: np.ndarray | None = CURVE, **changes: object) -> Prior:
    given: dict[str, object] = {
        "usable_kwh": 60.0,
        "warm_threshold_degc": 21.0,
        "warm_tolerance_kelvin": 0.5,
        "reference_kw": curve,
        "cold_form": None,
        "cold_value": None,
    }
    return Prior(**(given | changes))  # type: ignore[arg-type]


def winter(lab: Lab, sessions_n: int = 60, **options: object) -> Lab:
    """Charges that start between -6 and 24 degC at 15 to 45 % and end at 70 to 85 %."""
    generator = np.random.default_rng(lab.seed)
    for _ in range(sessions_n):
        lab.charge(
            float(generator.uniform(15, 45)),
            float(generator.uniform(70, 85)),
            float(generator.uniform(-6, 24)),
            **options,  # type: ignore[arg-type]
        )
    return lab


def fitted(lab: Lab, given: Prior):  # type: ignore[no-untyped-def]
    found = fit_model(lab.steps, given, lab.vehicles, max(lab.vehicle) + 1, lab.stops_n)
    assert found is not None
    return found


@pytest.mark.parametrize(("form", "cold"), [("factor", factor), ("ceiling", ceiling)])
@pytest.mark.parametrize("bias", [1.0, 0.94])
def test_form_limit_and_curve_come_back(form: str, cold: object, bias: float) -> None:
    lab = winter(Lab(warm, cold, form=form))  # type: ignore[arg-type]
    found = fitted(lab, prior(CURVE * bias))
    assert found.model.cold_form == form
    assert found.losses[form] < 0.5 * min(
        loss for name, loss in found.losses.items() if name != form
    )
    middle = slice(45, 75)
    assert found.curve.reference_kw[middle] == pytest.approx(CURVE[middle], rel=0.02)
    for soc, temp in ((40, 0), (40, 10), (60, 5), (70, 15)):
        value = cold(temp)  # type: ignore[operator]
        true_kw = warm(soc) * value if form == "factor" else min(warm(soc), value * 60)
        assert found.model.cold_kw([soc], [temp])[0] == pytest.approx(true_kw, rel=0.03)


def test_sharing_moves_neither_curve_nor_limit() -> None:
    lab = Lab(warm, factor)
    generator = np.random.default_rng(5)
    for number in range(80):
        shared = (5.0, 14.0, 30.0) if number % 5 == 0 else None
        lab.charge(
            float(generator.uniform(15, 45)), 80.0, float(generator.uniform(-6, 24)),
            site_kw=150.0, shared_kw=shared,
        )  # fmt: skip
    found = fitted(lab, prior())
    assert found.curve.reference_kw[45:75] == pytest.approx(CURVE[45:75], rel=0.02)
    assert found.model.cold_kw([50], [8])[0] == pytest.approx(warm(50) * factor(8), rel=0.03)
    back = found.is_held_back
    shared_stops = set(range(0, 80, 5))
    told = set(lab.steps.stop[back].tolist())
    assert len(told & shared_stops) >= 10
    assert told <= shared_stops


def test_intervals_at_the_site_say_at_least() -> None:
    """On a 60 kW site warm charges stand at its limit: dropping them would lower the fit, taking
    them as they are would too."""
    lab = winter(Lab(warm, factor), 50, site_kw=60.0)
    winter(lab, 30, site_kw=150.0)
    found = fitted(lab, prior())
    assert found.model.cold_kw([40], [10])[0] == pytest.approx(warm(40) * factor(10), rel=0.03)
    assert found.model.cold_kw([40], [18])[0] == pytest.approx(warm(40) * factor(18), rel=0.04)


def test_only_ever_at_the_site_no_curve_lies_below_it() -> None:
    lab = Lab(warm, lambda _: 1.0)
    for number in range(12):
        lab.charge(20.0, 60.0, 25.0 + number % 3, site_kw=22.0)
    found = fitted(lab, prior(None))
    assert (found.curve.reference_kw[22:58] >= 20.5).all()
    assert set(found.curve.source[25:55]) == {"at_least"}


def test_few_cold_sessions_blame_nobody() -> None:
    lab = Lab(warm, factor)
    for _ in range(8):
        lab.charge(20.0, 70.0, 25.0)
    for _ in range(3):
        lab.charge(20.0, 70.0, 2.0, warms_kelvin_per_min=0.1)
    found = fitted(lab, prior())
    assert found.model.cold_form is None
    assert found.cold_source == "none"
    assert np.isnan(found.model.cold_kw([50], [3])[0])
    assert found.model.cold_kw([50], [30])[0] == pytest.approx(warm(50), rel=0.03)


def test_few_cold_sessions_fall_back_to_what_is_configured() -> None:
    lab = Lab(warm, factor)
    for _ in range(8):
        lab.charge(20.0, 70.0, 25.0)
    value = np.interp(KNOTS_DEGC, [-10, 21], [0.2, 1.0])
    found = fitted(lab, prior(cold_form="factor", cold_value=value))
    assert found.cold_source == "configured"
    expected = warm(50) * np.interp(5, [-10, 21], [0.2, 1.0])
    assert found.model.cold_kw([50], [5])[0] == pytest.approx(expected, rel=0.03)


def test_a_pack_that_takes_full_power_in_the_cold_has_no_limit() -> None:
    lab = winter(Lab(warm, lambda _: 1.0, noise=0.04))
    found = fitted(lab, prior())
    assert found.cold_source == "not_seen"
    assert found.model.cold_kw([50], [0])[0] == pytest.approx(warm(50), rel=0.03)


def test_full_power_temperature_is_found() -> None:
    late = lambda temp: float(np.interp(temp, [-10, 0, 32], [0.1, 0.25, 1.0]))  # noqa: E731
    lab = winter(Lab(warm, late), 80, warms_kelvin_per_min=1.0)
    found = fitted(lab, prior())
    assert 29 <= found.model.full_power_degc <= 36
    assert found.curve.reference_kw[55:75] == pytest.approx(CURVE[55:75], rel=0.04)
    expected = warm(60) * late(22)
    assert found.model.cold_kw([60], [22])[0] == pytest.approx(expected, rel=0.04)


def test_an_aged_vehicle_has_its_own_level() -> None:
    lab = Lab(warm, factor)
    for number in range(60):
        vehicle = number % 3
        lab.charge(25.0, 75.0, 26.0, vehicle=vehicle, level=0.93 if vehicle == 2 else 1.0)
    found = fitted(lab, prior())
    assert found.scale[2] / found.scale[0] == pytest.approx(0.93, abs=0.015)
    assert found.scale[0] == pytest.approx(found.scale[1], abs=0.01)


def test_one_odd_session_moves_a_vehicles_level_little() -> None:
    lab = Lab(warm, factor, noise=0.02)
    for number in range(40):
        lab.charge(25.0, 75.0, 26.0, vehicle=number % 4)
    lab.charge(25.0, 75.0, 26.0, vehicle=4, level=0.94)
    found = fitted(lab, prior())
    assert found.scale[4] > 0.95


def test_a_site_of_unknown_rating_is_learned_from_two_plateaus() -> None:
    lab = winter(Lab(warm, factor), 40, site_kw=150.0)
    known_n = lab.stops_n
    for _ in range(3):
        lab.charge(15.0, 60.0, 24.0, site_kw=50.0, is_rating_known=False)
    found = fitted(lab, prior())
    steps = lab.steps
    limit = found.model.cold_kw(steps.soc_pct, steps.cell_temp_degc)
    site = np.full(lab.stops_n, -1)
    site[known_n:] = 0
    level, count, seen = site_limits(steps, limit, site, 1)
    assert level[0] == pytest.approx(50, rel=0.01)
    assert count[0] == 3
    assert seen[0] == pytest.approx(50, rel=0.01)


def test_one_plateau_or_one_that_was_exceeded_is_no_site_limit() -> None:
    lab = winter(Lab(warm, factor), 40, site_kw=150.0)
    known_n = lab.stops_n
    lab.charge(15.0, 60.0, 24.0, site_kw=50.0, is_rating_known=False)
    for _ in range(2):
        lab.charge(15.0, 60.0, 24.0, shared_kw=(4.0, 20.0, 40.0))
    found = fitted(lab, prior())
    steps = lab.steps
    limit = found.model.cold_kw(steps.soc_pct, steps.cell_temp_degc)
    site = np.full(lab.stops_n, -1)
    site[known_n], site[known_n + 1 :] = 0, 1
    level, _, seen = site_limits(steps, limit, site, 2)
    assert np.isnan(level).all(), "one session; or more power seen there at other times"
    assert seen[1] > 100


def test_a_plateau_at_the_sites_own_limit_is_not_sharing() -> None:
    lab = winter(Lab(warm, factor), 40, site_kw=50.0)
    found = fitted(lab, prior())
    steps = lab.steps
    limit = found.model.cold_kw(steps.soc_pct, steps.cell_temp_degc)
    assert not held_back(steps, limit).any()


def test_steps_without_temperature_or_charge_teach_nothing() -> None:
    lab = winter(Lab(warm, factor), 30)
    for row in lab.rows:
        row["cell_temp_min_degc"] = None
    assert fit_model(lab.steps, prior(None), lab.vehicles, 1, lab.stops_n) is None
    found = fitted(lab, prior())
    assert found.curve.reference_kw == pytest.approx(CURVE)
    assert set(found.curve.source) == {"configured"}


def test_thin_bins_keep_the_configured_shape_at_the_learned_level() -> None:
    lab = winter(Lab(warm, factor), 60)
    found = fitted(lab, prior(CURVE * 0.94))
    thin = [bin_ for bin_ in range(100) if found.curve.source[bin_] == "scaled"]
    assert 95 in thin
    assert found.curve.reference_kw[95] == pytest.approx(warm(SOC_MID_PCT[95]), rel=0.03)


def test_derated_sessions_lower_neither_curve_nor_level() -> None:
    """A third of the warm charges at three quarters of the power all the way: no plateau, no
    sharing; the envelope leaves them out."""
    lab = Lab(warm, factor)
    generator = np.random.default_rng(9)
    for number in range(48):
        soc = float(generator.uniform(20, 28))
        lab.charge(soc, 75.0, 26.0 + number % 4, level=0.75 if number % 3 == 0 else 1.0)
    found = fitted(lab, prior())
    assert found.curve.reference_kw[30:70] == pytest.approx(CURVE[30:70], rel=0.02)
    assert found.scale[0] == pytest.approx(1.0, abs=0.01)


def test_a_handful_of_charges_without_a_configured_curve_is_no_curve() -> None:
    """Five charges, none of which meet in a bin: nothing is known, and that is not 0 kW."""
    lab = Lab(warm, lambda _: 1.0)
    for number in range(6):
        lab.charge(10.0 + 12 * number, 20.0 + 12 * number, 26.0)
    assert fit_model(lab.steps, prior(None), lab.vehicles, 1, lab.stops_n) is None

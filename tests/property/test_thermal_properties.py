"""What holds for every pack and every stretch of time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.thermal import ThermalModel

MODELS = st.builds(
    ThermalModel,
    heat_kj_per_kelvin=st.floats(50, 3000),
    resistance_ohm=st.floats(0, 0.5),
    loss_w_per_kelvin=st.just(0.0) | st.floats(1e-6, 200),
)
DEGC = st.floats(-40, 45)
KW = st.floats(0, 10)
I2 = st.floats(0, 1e5)
MINUTES = st.floats(0, 2000)


@given(MODELS, DEGC, DEGC, MINUTES, MINUTES, KW, I2)
def test_two_stretches_are_one(
    model: ThermalModel, start: float, out: float, first: float, then: float, kw: float, i2: float
) -> None:
    between = model.after(start, out, first, kw, i2)
    assert model.after(between, out, then, kw, i2) == pytest.approx(
        model.after(start, out, first + then, kw, i2), rel=1e-8, abs=1e-6
    )


@given(MODELS, DEGC, st.floats(0.01, 30), DEGC, st.floats(0, 600), KW, I2)
def test_a_warmer_pack_stays_warmer(
    model: ThermalModel, start: float, more: float, out: float, minutes: float, kw: float, i2: float
) -> None:
    cold, warm = model.after([start, start + more], out, minutes, kw, i2)
    assert cold - 1e-9 <= warm <= cold + more + 1e-9


@given(MODELS, DEGC, st.floats(0, 30), DEGC, KW, I2, st.floats(-40, 60))
def test_a_warmer_pack_is_warm_sooner(
    model: ThermalModel, start: float, more: float, out: float, kw: float, i2: float, to: float
) -> None:
    cold, warm = model.minutes_to(to, [start, start + more], out, kw, i2)
    assert warm <= cold + 1e-9 or (np.isinf(cold) and np.isinf(warm))


@given(MODELS, DEGC, DEGC, KW, I2, st.floats(-40, 60))
def test_minutes_lead_to_the_threshold(
    model: ThermalModel, start: float, out: float, kw: float, i2: float, to: float
) -> None:
    minutes = float(model.minutes_to(to, start, out, kw, i2))
    if np.isfinite(minutes) and minutes > 0 and minutes < 30 * model.tau_h * 60:
        assert model.after(start, out, minutes, kw, i2) == pytest.approx(to, abs=1e-5)
    if np.isinf(minutes):
        assert start < to
        assert model.after(start, out, 1e5, kw, i2) <= to + 1e-6


@given(MODELS, DEGC, DEGC, st.floats(0, 300), KW, I2)
def test_small_losses_tend_to_none(
    model: ThermalModel, start: float, out: float, minutes: float, kw: float, i2: float
) -> None:
    none = replace(model, loss_w_per_kelvin=0.0)
    hardly = replace(model, loss_w_per_kelvin=1e-9)
    assert hardly.after(start, out, minutes, kw, i2) == pytest.approx(
        none.after(start, out, minutes, kw, i2), rel=1e-9, abs=1e-6
    )
    # Far from a threshold that a trace of loss could keep from being reached at all.
    if kw > 0.1:
        assert hardly.minutes_to(start + 10, start, out, kw, i2) == pytest.approx(
            none.minutes_to(start + 10, start, out, kw, i2), rel=1e-4
        )
    linear = start + minutes * 60 * (1000 * kw + none.resistance_ohm * i2) / (
        1000 * none.heat_kj_per_kelvin
    )
    assert none.after(start, out, minutes, kw, i2) == pytest.approx(linear, rel=1e-9, abs=1e-9)

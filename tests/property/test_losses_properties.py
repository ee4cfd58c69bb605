"""Laws of the split by cause, whatever the charge."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.losses import Limits, Losses, split_losses

POWER = st.floats(1.0, 200.0)


@st.composite
def charges(draw: st.DrawFn) -> dict[str, Any]:
    """Steps of a few stops with limits that a cold pack and a site may set."""
    size = draw(st.integers(1, 30))
    stop = np.sort(np.array(draw(st.lists(st.integers(0, 3), min_size=size, max_size=size))))
    warm = np.array(draw(st.lists(POWER, min_size=size, max_size=size)))
    share = np.array(draw(st.lists(st.floats(0.05, 1.0), min_size=size, max_size=size)))
    site = np.array(draw(st.lists(st.one_of(POWER, st.just(np.inf)), min_size=size, max_size=size)))
    cold = np.maximum(warm * share, 0.5)
    held = np.array(draw(st.lists(st.booleans(), min_size=size, max_size=size)))
    flags = st.lists(st.booleans(), min_size=size, max_size=size)
    return {
        "stop": stop,
        "stops_n": 4,
        "step_min": np.full(size, 0.5),
        "pack_kwh": np.array(draw(st.lists(st.floats(0, 2), min_size=size, max_size=size))),
        "limits": Limits(warm, cold, np.minimum(warm, site), np.minimum(cold, site)),
        "is_held": held,
        "is_ramp": np.array(draw(flags)) & ~held,
        "is_held_back": np.array(draw(flags)) & ~held,
    }


@given(charges())
@settings(max_examples=200, deadline=None)
def test_causes_add_up_to_the_measured_excess(charge: dict[str, Any]) -> None:
    got = split_losses(**charge)
    whole = got.cold_min + got.site_min + got.unexplained_min
    assert whole == pytest.approx(got.excess_min, abs=1e-9)


@given(charges())
@settings(max_examples=100, deadline=None)
def test_no_cause_gives_minutes_back(charge: dict[str, Any]) -> None:
    got = split_losses(**charge)
    assert (got.cold_min >= -1e-9).all()
    assert (got.site_min >= -1e-9).all()
    assert (got.lost_min <= got.excess_min + 1e-9).all()


@given(charges())
@settings(max_examples=100, deadline=None)
def test_a_cause_that_does_not_act_costs_nothing(charge: dict[str, Any]) -> None:
    limits = charge["limits"]
    nothing = np.zeros_like(charge["is_held"])
    warm = charge | {
        "limits": Limits(limits.none_kw, limits.none_kw, limits.site_kw, limits.site_kw),
        "is_held": nothing,
    }
    assert split_losses(**warm).cold_min == pytest.approx(0, abs=1e-9)
    free = charge | {
        "limits": Limits(limits.none_kw, limits.cold_kw, limits.none_kw, limits.cold_kw)
    }
    assert split_losses(**free).site_min == pytest.approx(0, abs=1e-9)


@given(charges())
@settings(max_examples=100, deadline=None)
def test_stops_do_not_touch_each_other_and_steps_may_be_cut(charge: dict[str, Any]) -> None:
    """Halving every step changes nothing; nor does taking one stop alone."""
    got = split_losses(**charge)
    halved = {
        name: np.repeat(value, 2) for name, value in charge.items() if isinstance(value, np.ndarray)
    }
    halved["step_min"] = halved["step_min"] / 2
    halved["pack_kwh"] = halved["pack_kwh"] / 2
    limits = charge["limits"]
    doubled = Limits(*(np.repeat(getattr(limits, name), 2) for name in limits.__dict__))
    _same(split_losses(**(charge | halved | {"limits": doubled})), got)
    only = charge["stop"] == charge["stop"][0]
    alone = {name: value[only] for name, value in charge.items() if isinstance(value, np.ndarray)}
    part = Limits(*(getattr(limits, name)[only] for name in limits.__dict__))
    single = split_losses(**(charge | alone | {"limits": part}))
    first = int(charge["stop"][0])
    assert single.cold_min[first] == pytest.approx(got.cold_min[first], abs=1e-9)


def _same(one: Losses, other: Losses) -> None:
    for name in one.__dict__:
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-9), name


def test_a_known_case_by_hand() -> None:
    """10 kWh that a warm pack takes at 100 kW, a cold one at 50, on a 60 kW site, in 15 min.

    t() = 6, t(cold) = 12, t(site) = 10, t(both) = 12 min. Cold: ((12 - 6) + (12 - 10)) / 2 = 4;
    site: ((10 - 6) + (12 - 12)) / 2 = 2; unexplained 15 - 12 = 3 (Shapley 1953, two players).
    """
    one = np.ones(1)
    got = split_losses(
        np.zeros(1, dtype=int), 1, 15 * one, 10 * one,
        Limits(100 * one, 50 * one, 60 * one, 50 * one),
        one < 0, one < 0, one > 0,
    )  # fmt: skip
    assert (got.cold_min[0], got.site_min[0]) == pytest.approx((4, 2))
    assert (got.unexplained_min[0], got.held_back_min[0]) == pytest.approx((3, 3))
    assert (got.lost_min[0], got.reference_min[0]) == pytest.approx((5, 10))
    assert got.split_doubt_min[0] == pytest.approx(2)


def test_an_unknown_limit_leaves_the_split_open_and_the_rest_known() -> None:
    one = np.ones(1)
    nan = np.full(1, np.nan)
    got = split_losses(
        np.zeros(1, dtype=int), 1, 15 * one, 10 * one,
        Limits(100 * one, nan, 60 * one, nan), one < 0, one < 0, one < 0,
    )  # fmt: skip
    assert np.isnan(got.cold_min[0]) and np.isnan(got.site_min[0])
    assert (got.excess_min[0], got.lost_min[0]) == pytest.approx((9, 5))

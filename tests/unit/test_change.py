"""The change of a week's cold minutes, split into mix, weather and behaviour."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.change import split_change


def stops(
    rows: list[tuple[bool, str, str, float, float]],
) -> pl.DataFrame:
    """Rows of (is_now, vehicle, site, cold, unwarmed cold)."""
    return pl.DataFrame(
        [
            {
                "is_now": now,
                "vehicle_id": vehicle,
                "site_id": site,
                "driver_id": None,
                "lost_cold_min": cold,
                "unwarmed_cold_min": unwarmed,
            }
            for now, vehicle, site, cold, unwarmed in rows
        ],
        schema_overrides={"driver_id": pl.String},
    )


ROW = st.tuples(
    st.booleans(),
    st.sampled_from(["a", "b", "c"]),
    st.sampled_from(["x", "y"]),
    st.floats(0.01, 20),
    st.floats(1.0, 3.0),
)


@given(st.lists(ROW, min_size=4, max_size=60), st.integers(1, 4))
@settings(max_examples=150, deadline=None)
def test_parts_add_up_exactly(
    rows: list[tuple[bool, str, str, float, float]], weeks_n: int
) -> None:
    frame = stops([(now, v, s, cold, cold * more) for now, v, s, cold, more in rows])
    got = split_change(frame, weeks_n)
    if got is None:
        assert frame["is_now"].n_unique() < 2
        return
    assert got.mix_min + got.weather_min + got.behaviour_min == pytest.approx(
        got.now_min - got.before_min, abs=1e-8
    )
    assert got.now_min == pytest.approx(frame.filter("is_now")["lost_cold_min"].sum())


def fleet(
    now: bool, n: int, unwarmed: float, kept: float
) -> list[tuple[bool, str, str, float, float]]:
    """`n` stops a week; warming keeps away all but `kept` of the minutes."""
    return [(now, f"v{i % 4}", f"s{i % 3}", unwarmed * kept, unwarmed) for i in range(n)]


def test_colder_weather_alone_is_weather() -> None:
    got = split_change(stops(fleet(False, 48, 5.0, 0.5) + fleet(True, 48, 10.0, 0.5)), 1)
    assert got is not None
    assert got.weather_min == pytest.approx(48 * 2.5, rel=1e-6)
    assert (got.mix_min, got.behaviour_min) == pytest.approx((0, 0), abs=1e-6)


def test_less_warming_alone_is_behaviour() -> None:
    got = split_change(stops(fleet(False, 48, 8.0, 0.25) + fleet(True, 48, 8.0, 0.75)), 1)
    assert got is not None
    assert got.behaviour_min == pytest.approx(48 * 4, rel=1e-6)
    assert (got.mix_min, got.weather_min) == pytest.approx((0, 0), abs=1e-6)


def test_more_stops_alone_are_mix() -> None:
    got = split_change(stops(fleet(False, 96, 8.0, 0.5) + fleet(True, 72, 8.0, 0.5)), 4)
    assert got is not None
    assert got.before_min == pytest.approx(24 * 4)
    assert got.mix_min == pytest.approx((72 - 24) * 4, rel=1e-6)
    assert (got.weather_min, got.behaviour_min) == pytest.approx((0, 0), abs=1e-6)


def test_moving_to_a_slow_site_is_mix_as_far_as_sites_are_known_apart() -> None:
    """Site x costs 12 minutes a stop, y 2: a week of x instead of y is the place, not the frost."""
    before = [(False, "v", "x" if i % 2 else "y", 12.0 if i % 2 else 2.0, 12.0 if i % 2 else 2.0)
              for i in range(200)]  # fmt: skip
    now = [(True, "v", "x", 12.0, 12.0)] * 50
    got = split_change(stops(before + now), 4)
    assert got is not None
    assert got.mix_min > 0.9 * (got.now_min - got.before_min)


def test_without_a_period_there_is_no_split() -> None:
    assert split_change(stops(fleet(True, 5, 3.0, 0.5)), 0) is None
    nothing = stops([(False, "v", "s", 0.0, 0.0), (True, "v", "s", 0.0, 0.0)])
    assert split_change(nothing, 1) is None

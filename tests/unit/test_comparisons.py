"""Power of summary-only stops against mild weather; a week against the weeks before."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.comparisons import change_row, mild_power


def stop(
    now: bool, degc: float | None, kwh: float, hours: float, site: str = "s", vehicle: str = "v"
):  # type: ignore[no-untyped-def]
    return {
        "vehicle_id": vehicle,
        "vehicle_name": vehicle.upper(),
        "site_key": site,
        "is_now": now,
        "energy_kwh": kwh,
        "stay_h": hours,
        "day_degc": degc,
    }


def frame(rows: list[dict[str, object]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema_overrides={"day_degc": pl.Float64, "energy_kwh": pl.Float64})


def test_against_the_same_vehicle_in_mild_weather() -> None:
    rows = [stop(True, -5.0, 20, 0.5), stop(True, -5.0, 22, 0.5)]
    rows += [stop(False, 15.0, 30 + i % 3, 0.5) for i in range(8)]
    rows += [stop(False, 2.0, 5, 0.5) for _ in range(8)]
    (got,) = mild_power(frame(rows)).to_dicts()
    assert got["power_kw"] == pytest.approx(42)
    assert got["mild_power_kw"] == pytest.approx(2 * 247 / 8, rel=1e-6)
    assert got["mild_power_low_kw"] < got["mild_power_kw"] < got["mild_power_high_kw"]
    assert (got["compared_with"], got["mild_stops_n"], got["stops_n"]) == ("vehicle", 8, 2)


def test_against_the_site_where_the_vehicle_has_too_few() -> None:
    rows = [stop(True, -5.0, 20, 0.5)]
    rows += [stop(False, 15.0, 30, 0.5, vehicle="other") for _ in range(6)]
    rows += [stop(False, 15.0, 90, 0.5, site="elsewhere", vehicle="other") for _ in range(6)]
    (got,) = mild_power(frame(rows)).to_dicts()
    assert (got["compared_with"], got["mild_power_kw"]) == ("site", 60)
    assert got["power_low_kw"] is None, "one stop has no spread"


@pytest.mark.parametrize(
    ("degc", "why"), [(None, "no_outside_temperature"), (3.0, "too_few_mild_stops")]
)
def test_nothing_to_compare_with_is_said(degc: float | None, why: str) -> None:
    rows = [stop(True, degc, 20, 0.5)] + [stop(False, degc, 30, 0.5) for _ in range(9)]
    (got,) = mild_power(frame(rows)).to_dicts()
    assert (got["mild_power_kw"], got["why_null"]) == (None, why)


def test_no_stops_no_rows() -> None:
    assert mild_power(frame([stop(False, 15.0, 30, 0.5)])).is_empty()


def test_change_row_without_earlier_weeks_is_null() -> None:
    stops = pl.DataFrame(
        {
            "week_id": ["2026-W03"],
            "is_now": [True],
            "vehicle_id": ["v"],
            "site_id": ["s"],
            "driver_id": [None],
            "lost_cold_min": [4.0],
            "unwarmed_cold_min": [5.0],
        },
        schema_overrides={"driver_id": pl.String},
    )
    (got,) = change_row(stops, ["2026-W02", "2026-W03"]).to_dicts()
    assert got["weeks_before_n"] == 0
    assert got["cold_before_min"] is None and got["usual_low_min"] is None


def test_change_row_and_its_usual_range() -> None:
    rows = [
        {
            "week_id": week,
            "is_now": week == "2026-W03",
            "vehicle_id": f"v{vehicle}",
            "site_id": "s",
            "driver_id": None,
            "lost_cold_min": 2.0 + vehicle + (4.0 if week == "2026-W03" else 0.0),
            "unwarmed_cold_min": 4.0 + vehicle + (4.0 if week == "2026-W03" else 0.0),
        }
        for week in ("2026-W01", "2026-W02", "2026-W03")
        for vehicle in range(6)
    ]
    stops = pl.DataFrame(rows, schema_overrides={"driver_id": pl.String})
    (got,) = change_row(stops, ["2025-W52", "2026-W01", "2026-W02", "2026-W03"]).to_dicts()
    assert (got["weeks_before_n"], got["cold_before_min"]) == (2, 27)
    assert got["cold_now_min"] == pytest.approx(51)
    parts = got["mix_min"] + got["weather_min"] + got["behaviour_min"]
    assert parts == pytest.approx(24)
    assert got["usual_low_min"] < 27 < got["usual_high_min"] < 51

"""Laws that hold for whatever stops there are."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judgement_truth import week_end

from pipeline.judgement.causes import minutes_by_cause
from pipeline.judgement.findings import FINDING_SCHEMA, never_responds, never_starts
from pipeline.judgement.shrinkage import rates_by_group, shrunk_rates
from pipeline.judgement.tables import JUDGED_SCHEMA, judged, not_expected
from pipeline.judgement.what_if import what_if

OUTCOMES = ["warmed", "part_warmed", "not_warmed", "low_charge_hold", "already_warm", "unknown"]
WHYS = [
    None, "no_evidence", "no_destination", "set_too_late", "vehicle_did_not_respond", "began_late",
    "destination_not_recognised", "vehicle_cannot_warm", "approach_too_short", "ended_early",
    "too_cold_for_the_time", "cut_off_low_charge", "'; drop table stops --",
]  # fmt: skip
NUMBER = st.one_of(st.none(), st.floats(-5, 60))


@st.composite
def tables(draw: st.DrawFn) -> pl.DataFrame:
    count = draw(st.integers(0, 40))
    pick = st.sampled_from
    rows = [
        {
            "stop_id": f"s{number}",
            "vehicle_id": draw(pick(["v1", "v2", "=cmd()"])),
            "driver_id": draw(pick([None, "d1", "d2", "é 😀"])),
            "site_id": draw(pick([None, "x", "y"])),
            "plug_in_at": week_end(draw(st.integers(0, 20))),
            "local_h": draw(pick([None, 0.0, 7.5, 23.9])),
            "ambient_degc": draw(NUMBER),
            "approach_min": draw(NUMBER),
            "outcome": draw(pick(OUTCOMES)),
            "why": draw(pick(WHYS)),
            "is_expected": draw(pick([None, True, True, True, False])),
            "expected_why_not": draw(pick([None, "low_charge", "costs_more"])),
            "can_warm": draw(pick([None, True, False])),
            "lost_cold_min": draw(NUMBER),
            "avoidable_min": draw(NUMBER),
            "missed_valued_min": draw(NUMBER),
            "missed_worth_cash": draw(NUMBER),
            "missed_worth_time": draw(NUMBER),
        }
        for number in range(count)
    ]
    return pl.DataFrame(rows, schema=JUDGED_SCHEMA)


@given(tables())
@settings(max_examples=25, deadline=None)
def test_every_table_holds_for_any_stops(stops: pl.DataFrame) -> None:
    causes = minutes_by_cause(stops)
    missed = stops.filter(
        pl.col("outcome").is_in(["part_warmed", "not_warmed", "low_charge_hold"])
        | (pl.col("avoidable_min") != 0).fill_null(False)
    )
    assert causes["stops_n"].sum() == missed.height
    assert causes["avoidable_min"].sum() == pytest.approx(stops["avoidable_min"].sum() or 0.0)
    # Each stop of a known driver is counted, needed nothing, or is listed with its reason.
    rows = judged(stops).filter(pl.col("driver_id").is_not_null())
    counted = rows.filter(pl.col("driver_why_not").is_null()).height
    needless = rows.filter(pl.col("driver_why_not") == "not_needed").height
    assert counted + needless + not_expected(stops).height == rows.height
    for found in (never_starts(stops, week_end(21)), never_responds(stops, week_end(21))):
        assert found.schema == FINDING_SCHEMA
        assert found.filter(pl.col("verdict") == "stands", pl.col("started_n") > 0).is_empty()
        assert (found["stop_ids"].list.len() == found["stops_n"]).all()
    rates = rates_by_group(stops).filter(pl.col("shrunk_rate").is_not_null())
    assert rates.filter(~pl.col("shrunk_rate").is_between(0, 1)).is_empty()
    gains = what_if(stops, resamples_n=20)
    assert (gains["saved_min"] >= 0).all()


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)), min_size=1, max_size=6),
)
@settings(max_examples=15, deadline=None)
def test_shrinking_mirrors_and_knows_no_order(pairs: list[tuple[int, int]]) -> None:
    hits = np.array([min(pair) for pair in pairs])
    trials = np.array([max(pair) for pair in pairs])
    got, mirror = shrunk_rates(hits, trials), shrunk_rates(trials - hits, trials)
    np.testing.assert_allclose(got.rate, 1 - mirror.rate, atol=1e-9)
    np.testing.assert_allclose(got.low, 1 - mirror.high, atol=1e-3)
    turned = shrunk_rates(hits[::-1], trials[::-1])
    np.testing.assert_allclose(got.rate, turned.rate[::-1], atol=1e-12)
    assert np.all((got.low <= got.rate) & (got.rate <= got.high))

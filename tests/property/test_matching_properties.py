"""Pairing sides up: one to one, best of all, blind to order, honest at the gate."""

from __future__ import annotations

import time
from itertools import combinations, permutations

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.matching import Matching, Rules, candidates, match_sides
from pipeline.matching import _ordered as ordered

RULES = Rules()
T0 = 1_768_348_800.0  # 14 January 2026, 00:00 UTC

rows = st.fixed_dictionaries(
    {
        "begins_min": st.integers(0, 240),
        "stay_min": st.integers(1, 90),
        "energy_kwh": st.none() | st.integers(1, 60).map(float),
        "place_id": st.none() | st.sampled_from(["north", "south"]),
        "party_id": st.none() | st.sampled_from(["a", "b"]),
        "reference_id": st.none() | st.sampled_from(["r1", "r2"]),
        "is_day_only": st.just(False),
    }
)


def side(of: list[dict[str, object]]) -> pl.DataFrame:
    frame = pl.DataFrame(
        of,
        schema={
            "begins_min": pl.Int64,
            "stay_min": pl.Int64,
            "energy_kwh": pl.Float64,
            "place_id": pl.String,
            "party_id": pl.String,
            "reference_id": pl.String,
            "is_day_only": pl.Boolean,
        },
    )
    begins = T0 + 60.0 * pl.col("begins_min")
    return frame.select(
        pl.exclude("begins_min", "stay_min"),
        begins_s=begins,
        ends_s=begins + 60.0 * pl.col("stay_min"),
    )


def sides(most: int) -> st.SearchStrategy[pl.DataFrame]:
    return st.lists(rows, max_size=most).map(side)


def gain(matching: Matching) -> float:
    """What the pairs save against leaving every row alone."""
    return float((RULES.gate - matching.pairs["match_value"]).sum())


def open_pairs(left: pl.DataFrame, right: pl.DataFrame) -> dict[tuple[int, int], float]:
    """Cost by rows, as given, of all pairs below the gate."""
    ones, others = ordered(left), ordered(right)
    pairs = candidates(ones, others, RULES)
    return {
        (ones["row_no"][int(i)], others["row_no"][int(j)]): float(cost)
        for i, j, cost in zip(pairs.left, pairs.right, pairs.cost, strict=True)
    }


@settings(deadline=None)
@given(sides(8), sides(8))
def test_one_to_one_and_within_the_gate(left: pl.DataFrame, right: pl.DataFrame) -> None:
    pairs = match_sides(left, right, RULES).pairs
    assert pairs["left_no"].is_unique().all() and pairs["right_no"].is_unique().all()
    assert (pairs["match_value"] < RULES.gate).all()
    for one, other in pairs.select("left_no", "right_no").rows():
        a, b = left.row(one, named=True), right.row(other, named=True)
        assert a["party_id"] in (None, b["party_id"]) or b["party_id"] is None
        assert a["begins_s"] - b["ends_s"] <= RULES.gap_s
        assert b["begins_s"] - a["ends_s"] <= RULES.gap_s


@settings(deadline=None)
@given(sides(8), sides(8), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(
    left: pl.DataFrame, right: pl.DataFrame, random: object
) -> None:
    def chosen(one: pl.DataFrame, other: pl.DataFrame) -> list[tuple[object, ...]]:
        pairs = match_sides(one, other, RULES).pairs
        made = [(*one.row(i), *other.row(j), round(cost, 9)) for i, j, cost in pairs.rows()]
        return sorted(made, key=repr)

    mixed = []
    for frame in (left, right):
        order = list(range(frame.height))
        random.shuffle(order)  # type: ignore[attr-defined]
        mixed.append(frame[order])
    assert chosen(left, right) == chosen(*mixed)


@settings(deadline=None)
@given(sides(8), sides(8))
def test_sides_can_be_swapped(left: pl.DataFrame, right: pl.DataFrame) -> None:
    assert gain(match_sides(left, right)) == pytest.approx(gain(match_sides(right, left)))


@settings(deadline=None)
@given(sides(8), sides(8))
def test_greedy_is_never_better(left: pl.DataFrame, right: pl.DataFrame) -> None:
    taken_left: set[int] = set()
    taken_right: set[int] = set()
    greedy = 0.0
    for (one, other), cost in sorted(open_pairs(left, right).items(), key=lambda item: item[1]):
        if one not in taken_left and other not in taken_right:
            taken_left.add(one)
            taken_right.add(other)
            greedy += RULES.gate - cost
    assert gain(match_sides(left, right)) >= greedy - 1e-9


@settings(deadline=None, max_examples=60)
@given(sides(4), sides(4))
def test_nothing_is_better(left: pl.DataFrame, right: pl.DataFrame) -> None:
    """Against every way there is to pair them up."""
    cost = open_pairs(left, right)
    best = 0.0
    for n in range(1, min(left.height, right.height) + 1):
        for some in combinations(range(left.height), n):
            for other in permutations(range(right.height), n):
                made = [cost.get(pair, np.inf) for pair in zip(some, other, strict=True)]
                best = max(best, float(sum(RULES.gate - c for c in made)))
    assert gain(match_sides(left, right)) == pytest.approx(best)


def row(begin: int, stay: int, kwh: float) -> dict[str, object]:
    return {
        "begins_min": begin, "stay_min": stay, "energy_kwh": kwh, "place_id": "north",
        "party_id": "a", "reference_id": None, "is_day_only": False,
    }  # fmt: skip


def test_greedy_is_sometimes_worse() -> None:
    """The cheapest pair first would leave two rows with nobody."""
    left = side([row(0, 30, 20.0), row(20, 30, 20.0)])
    right = side([row(12, 30, 20.0), row(45, 30, 20.0)])
    cost = open_pairs(left, right)
    assert min(cost, key=lambda pair: cost[pair]) == (1, 0)
    assert (0, 0) in cost and (1, 1) in cost
    assert match_sides(left, right).pairs.select("left_no", "right_no").rows() == [(0, 0), (1, 1)]


def test_one_good_pair_before_two_bad_ones() -> None:
    left = side([row(0, 30, 20.0), row(34, 30, 21.0)])
    right = side([row(28, 30, 21.0), row(66, 30, 21.0)])
    cost = open_pairs(left, right)
    assert (0, 0) in cost and (1, 1) in cost
    assert match_sides(left, right).pairs.select("left_no", "right_no").rows() == [(1, 0)]


def test_a_tie_is_decided_by_the_rows_not_by_their_order() -> None:
    left = side([row(10, 20, 20.0)])
    early, late = row(5, 20, 20.0), row(15, 20, 20.0)
    for right, chosen in (([early, late], 0), ([late, early], 1)):
        cost = open_pairs(left, side(right))
        assert cost[0, 0] == pytest.approx(cost[0, 1])
        assert match_sides(left, side(right)).pairs["right_no"].to_list() == [chosen]


def fleet_day(seed: int, sessions_n: int, places_n: int = 40) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Charges as vehicles saw them, and as chargers did: no vehicle, other order, small errors."""
    rng = np.random.default_rng(seed)
    place = rng.integers(places_n, size=sessions_n)
    # Each charger one charge after another, with pauses.
    begins = np.empty(sessions_n)
    stay = rng.uniform(900, 2700, sessions_n)
    for number in range(places_n):
        here = np.flatnonzero(place == number)
        pause = rng.exponential(3600, len(here)) + 240
        begins[here] = T0 + np.cumsum(pause + np.r_[0, stay[here][:-1]])
    kwh = stay / 3600 * rng.uniform(30, 80, sessions_n)
    left = pl.DataFrame(
        {
            "begins_s": begins,
            "ends_s": begins + stay,
            "energy_kwh": kwh,
            "place_id": [f"p{n}" for n in place],
            "party_id": [f"v{n}" for n in rng.integers(100, size=sessions_n)],
        }
    )
    right = pl.DataFrame(
        {
            "begins_s": begins + rng.normal(0, 10, sessions_n),
            "ends_s": begins + stay + rng.normal(0, 10, sessions_n),
            "energy_kwh": kwh * rng.normal(1, 0.02, sessions_n),
            "place_id": left["place_id"],
            "clock_id": left["place_id"],
        }
    )
    return left, right


@pytest.mark.parametrize("offset_min", [-7.0, -3.0, 0.0, 4.0, 7.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_clock_that_is_off_is_survived_and_told(offset_min: float, seed: int) -> None:
    left, right = fleet_day(seed, 1500)
    late = pl.col("place_id").is_in(["p1", "p2", "p3"]) * (60 * offset_min)
    right = right.with_columns(pl.col("begins_s") - late, pl.col("ends_s") - late)
    order = np.random.default_rng(seed).permutation(right.height)
    found = match_sides(left, right[order])
    is_right = order[found.pairs["right_no"].to_numpy()] == found.pairs["left_no"].to_numpy()
    assert is_right.mean() > 0.999 and found.pairs.height > 0.999 * left.height
    told = dict(found.clocks.select("clock_id", "clock_offset_s").rows())
    for number in range(1, 8):
        expected = 60 * offset_min if number <= 3 else 0.0
        assert told[f"p{number}"] == pytest.approx(expected, abs=10)


def test_a_day_without_a_clock_is_matched_by_energy() -> None:
    day = {"ends_s": T0 + 86_400, "begins_s": T0, "place_id": "north", "is_day_only": True}
    right = pl.DataFrame([{**day, "energy_kwh": 20.0}, {**day, "energy_kwh": 41.0}])
    left = pl.DataFrame(
        [
            {"begins_s": T0 + 3600 * hour, "ends_s": T0 + 3600 * (hour + 1), "energy_kwh": kwh,
             "place_id": "north"}
            for hour, kwh in ((8, 40.0), (15, 20.5), (24, 20.0))
        ]
    )  # fmt: skip
    found = match_sides(left, right).pairs
    assert found.select("left_no", "right_no").rows() == [(0, 1), (1, 0)]


def test_nothing_to_match() -> None:
    left, right = fleet_day(1, 5)
    for one, other in ((left[:0], right), (left, right[:0]), (left[:0], right[:0])):
        found = match_sides(one, other)
        assert found.pairs.is_empty() and found.clocks.is_empty()
    far = right.with_columns(pl.col("begins_s") + 1e7, pl.col("ends_s") + 1e7)
    assert match_sides(left, far).pairs.is_empty()


def test_ten_thousand_take_seconds() -> None:
    left, right = fleet_day(5, 10_000, places_n=100)
    began = time.perf_counter()
    found = match_sides(left, right)
    assert found.pairs.height > 9_950
    assert time.perf_counter() - began < 20  # a few here; the machine may be busy


def known_clock(right: pl.DataFrame) -> pl.DataFrame:
    return right.with_columns(clock_id=pl.lit("c"))


def slow_by(right: pl.DataFrame, offset_s: float) -> pl.DataFrame:
    """The same charges by a clock that is so much behind."""
    return right.with_columns(pl.col("begins_s") - offset_s, pl.col("ends_s") - offset_s)


@settings(deadline=None, max_examples=20, derandomize=True)
@given(st.lists(st.integers(10, 60), min_size=3, max_size=7), st.integers(-14, 14))
def test_what_a_known_clock_is_off_by_costs_nothing(stays: list[int], offset_min: int) -> None:
    """Pairs and costs are those of a clock that is right: the offset is taken off, not doubled."""
    left = side([row(180 * n, stay, float(stay)) for n, stay in enumerate(stays)])
    right = known_clock(left)
    straight = match_sides(left, right)
    found = match_sides(left, slow_by(right, 60.0 * offset_min))
    assert found.clocks.rows() == [("c", 60.0 * offset_min, len(stays))]
    assert found.pairs["right_no"].to_list() == list(range(len(stays)))
    assert found.pairs["match_value"].to_list() == pytest.approx(
        straight.pairs["match_value"].to_list(), abs=1e-9
    )


@pytest.mark.parametrize("behind_min", [10, -10])
def test_the_second_look_mends_a_pair_that_the_clock_misled(behind_min: int) -> None:
    """A charge whose log is lost lies where the wrong clock puts its neighbour."""
    clear = [row(180 * n, 30, 20.0) for n in range(1, 5)]
    there, lost = row(0, 8, 9.0), row(-behind_min - (2 if behind_min > 0 else -2), 8, 9.0)
    left = side([lost, there, *clear])
    right = slow_by(known_clock(side([there, *clear])), 60.0 * behind_min)
    # By the clock as it is, the log belongs to the other charge.
    cost = open_pairs(left, right)
    assert cost[0, 0] < cost[1, 0]
    found = match_sides(left, right)
    assert found.pairs.select("left_no", "right_no").rows() == [(n + 1, n) for n in range(5)]
    assert found.pairs["match_value"].max() == pytest.approx(RULES.reference_cost, abs=1e-9)


def test_only_the_clock_that_is_off_is_set_right() -> None:
    """Two chargers of one site, one of them 12 minutes ahead."""
    here = [row(240 * n, 30, 20.0) for n in range(4)]
    next_to_it = [row(240 * n + 120, 30, 20.0) for n in range(4)]
    right_clock = known_clock(side(here))
    wrong_clock = slow_by(side(next_to_it).with_columns(clock_id=pl.lit("d")), -720.0)
    found = match_sides(side([*here, *next_to_it]), pl.concat([right_clock, wrong_clock]))
    assert found.clocks.rows() == [("c", 0.0, 4), ("d", -720.0, 4)]
    assert found.pairs["match_value"].max() == pytest.approx(RULES.reference_cost, abs=1e-9)

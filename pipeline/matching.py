"""Which row of one side is which row of another: one to one, and best over all pairs.

The vehicle, the charger and the bill each tell of a charge in their own words and by their own
clock. A pair costs more the less its times overlap, the further its energies are apart, and where
places differ; beyond a gate two rows are not one charge. Of all ways to pair rows up the one with
the lowest sum is taken, a row left alone costing half the gate, so that an early greedy choice
cannot push a later row onto the wrong charge. Pure arithmetic.

References
----------
Linear assignment by `scipy.optimize.linear_sum_assignment` (Crouse, IEEE Trans. Aerospace and
Electronic Systems 52, 2016, as its documentation cites). The weights are common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAY_S = 86_400.0
MAX_DAYS = 31
"""A stay is looked for on no more days than this from its start."""

SIDE = {
    "begins_s": pl.Float64,
    "ends_s": pl.Float64,
    "energy_kwh": pl.Float64,
    "place_id": pl.String,
    "party_id": pl.String,
    "reference_id": pl.String,
    "clock_id": pl.String,
    "is_day_only": pl.Boolean,
}
"""Columns of a side, all but the first two perhaps null or absent: start and end [s since 1970];
energy at one point of measurement for both sides; place; whose charge it is, where a difference
rules a pair out; a number that both sides may print; whose clock it is; and whether the times are
only those of a day."""


@dataclass(frozen=True)
class Rules:
    """What makes a pair.

    Parameters
    ----------
    gate
        Cost from which two rows are not one charge.
    gap_s
        Times apart by more than this are not one charge; a clock may be that wrong.
    overlap_weight, begin_weight, gap_weight
        Cost of no overlap (of the shorter stay), of starts an hour apart, of the longest gap.
    energy_weight
        Cost of energies that differ by half of the larger, or more. Double where only the day is
        known.
    place_cost, reference_cost
        Cost of different places, and of no common number.
    unknown_cost
        Cost of an energy, place or party that one side does not tell.
    day_cost
        In place of the costs of time where only the day is known.
    clock_least_n
        Pairs from which a clock's offset is taken as known.
    """

    gate: float = 1.0
    gap_s: float = 900.0
    overlap_weight: float = 0.5
    begin_weight: float = 0.25
    gap_weight: float = 0.5
    energy_weight: float = 0.5
    place_cost: float = 0.4
    reference_cost: float = 0.1
    unknown_cost: float = 0.05
    day_cost: float = 0.3
    clock_least_n: int = 3


class Matching(NamedTuple):
    """Pairs, and how far clocks are off.

    ``pairs``: ``left_no``, ``right_no`` (rows of the two sides) and ``match_value`` (its cost),
    in the order of ``left_no``. ``clocks``: ``clock_id``, ``clock_offset_s`` (median of left less
    right start: what to add to the right side's instants) and ``pairs_n``, in order of the id.
    """

    pairs: pl.DataFrame
    clocks: pl.DataFrame


def match_sides(left: pl.DataFrame, right: pl.DataFrame, rules: Rules | None = None) -> Matching:
    """Pair two sides up.

    It is done twice: the clocks' offsets come from the first pairing and are taken off in the
    second. The result does not depend on the order of the rows, but for rows that are equal in
    every column.
    """
    rules = rules or Rules()
    ones, others = _ordered(left), _ordered(right)
    pairs = _best(ones, others, rules)
    offsets = _offsets(ones, others, pairs, rules)
    if offsets.height:
        shift = (
            others.select("clock_id")
            .join(offsets, on="clock_id", how="left", maintain_order="left")["clock_offset_s"]
            .fill_null(0.0)
        )
        shifted = others.with_columns(pl.col("begins_s") + shift, pl.col("ends_s") + shift)
        pairs = _best(ones, shifted, rules)
    return Matching(
        pl.DataFrame(
            {
                "left_no": ones["row_no"].gather(pairs.left),
                "right_no": others["row_no"].gather(pairs.right),
                "match_value": pairs.cost,
            },
            schema={"left_no": pl.Int64, "right_no": pl.Int64, "match_value": pl.Float64},
        ).sort("left_no"),
        _offsets(ones, others, pairs, rules),
    )


class Pairs(NamedTuple):
    """Pairs of row numbers with their costs, all (n,)."""

    left: IntArray
    right: IntArray
    cost: FloatArray


def candidates(left: pl.DataFrame, right: pl.DataFrame, rules: Rules) -> Pairs:
    """All pairs below the gate, in the order of the rows: same party, or same place and no two
    parties, on a common day."""
    ones, others = _by_day(left, rules), _by_day(right, rules)
    same_party = ones.drop_nulls("party_id").join(
        others.drop_nulls("party_id"), on=["day_no", "party_id"]
    )
    # Two known parties are one, which the join above finds, or rule the pair out.
    same_place = [
        some.drop_nulls("place_id").join(rest.drop_nulls("place_id"), on=["day_no", "place_id"])
        for some, rest in (
            (ones.filter(pl.col("party_id").is_null()), others),
            (
                ones.filter(pl.col("party_id").is_not_null()),
                others.filter(pl.col("party_id").is_null()),
            ),
        )
    ]
    found = (
        pl.concat([part.select("row", "row_right") for part in (same_party, *same_place)])
        .unique()
        .sort("row", "row_right")
    )
    rows, columns = found["row"].to_numpy(), found["row_right"].to_numpy()
    cost = _costs(left[rows], right[columns], rules)
    is_open = cost < rules.gate
    return Pairs(rows[is_open], columns[is_open], cost[is_open])


def _ordered(side: pl.DataFrame) -> pl.DataFrame:
    """All columns of a side, its rows in an order of their own, ``row_no`` as given."""
    whole = side.with_columns(
        pl.lit(None, kind).alias(name) for name, kind in SIDE.items() if name not in side.columns
    )
    typed = whole.select(pl.col(name).cast(kind) for name, kind in SIDE.items())
    numbers = pl.Series("row_no", np.arange(side.height), dtype=pl.Int64)
    return typed.with_columns(numbers).sort(*SIDE, "row_no", nulls_last=True)


def _by_day(side: pl.DataFrame, rules: Rules) -> pl.DataFrame:
    """Each row once per day of UTC that it touches, a gap more on both sides."""
    first = ((pl.col("begins_s") - rules.gap_s) / DAY_S).floor().cast(pl.Int64)
    last = ((pl.col("ends_s") + rules.gap_s) / DAY_S).floor().cast(pl.Int64)
    timed = side.select("place_id", "party_id", "begins_s", "ends_s")
    return (
        timed.with_columns(pl.Series("row", np.arange(side.height), dtype=pl.Int64))
        .filter(
            pl.col("begins_s").is_finite().fill_null(False),
            pl.col("ends_s").is_finite().fill_null(False),
        )
        .with_columns(
            day_no=pl.int_ranges(first, pl.min_horizontal(last, first + MAX_DAYS) + 1),
        )
        .explode("day_no", empty_as_null=False)
        .select("row", "place_id", "party_id", "day_no")
    )


def _costs(left: pl.DataFrame, right: pl.DataFrame, rules: Rules) -> FloatArray:
    """(n,) cost of each pair of rows; infinite where it is ruled out."""
    begins, ends, kwh = (_numbers(left, name) for name in ("begins_s", "ends_s", "energy_kwh"))
    begins_2, ends_2, kwh_2 = (
        _numbers(right, name) for name in ("begins_s", "ends_s", "energy_kwh")
    )
    overlap_s = np.minimum(ends, ends_2) - np.maximum(begins, begins_2)
    shorter_s = np.maximum(np.minimum(ends - begins, ends_2 - begins_2), 60.0)
    share = np.clip(overlap_s / shorter_s, 0.0, 1.0)
    gap_s = np.maximum(-overlap_s, 0.0)
    hours_apart = np.abs(begins - begins_2) / 3600
    is_day = _flags(left) | _flags(right)
    time = (
        rules.overlap_weight * (1 - share)
        + rules.begin_weight * np.minimum(hours_apart, 1.0)
        + rules.gap_weight * gap_s / rules.gap_s
    )
    time = np.where(gap_s > rules.gap_s, np.inf, time)
    # A charge over midnight belongs to the day of its greater part.
    time = np.where(is_day, np.where(share >= 0.5, rules.day_cost, np.inf), time)
    apart = np.abs(kwh - kwh_2) / np.maximum(np.maximum(kwh, kwh_2), 1.0)
    energy = rules.energy_weight * np.minimum(apart / 0.5, 1.0) * np.where(is_day, 2.0, 1.0)
    energy = np.where(np.isnan(energy), rules.unknown_cost, energy)
    place = _compared(left, right, "place_id", rules.unknown_cost, rules.place_cost)
    party = _compared(left, right, "party_id", rules.unknown_cost, np.inf)
    number = _compared(left, right, "reference_id", rules.reference_cost, rules.reference_cost)
    return time + energy + place + party + number


def _compared(
    left: pl.DataFrame, right: pl.DataFrame, name: str, unknown: float, different: float
) -> FloatArray:
    same = left[name] == right[name]
    frame = pl.DataFrame({"same": same})
    cost = pl.when(pl.col("same").is_null()).then(unknown).when("same").then(0.0)
    return frame.select(cost=cost.otherwise(different))["cost"].to_numpy()


def _numbers(side: pl.DataFrame, name: str) -> FloatArray:
    return side[name].fill_null(float("nan")).to_numpy()


def _flags(side: pl.DataFrame) -> NDArray[np.bool_]:
    return side["is_day_only"].fill_null(False).to_numpy()


def _best(left: pl.DataFrame, right: pl.DataFrame, rules: Rules) -> Pairs:
    """The pairs of the lowest sum, a pair that is not made costing the gate."""
    pairs = candidates(left, right, rules)
    if len(pairs.cost) == 0:
        return pairs
    chosen = assigned(pairs, rules.gate)
    return Pairs(pairs.left[chosen], pairs.right[chosen], pairs.cost[chosen])


def assigned(pairs: Pairs, gate: float) -> IntArray:
    """Which of some pairs are made, as rising positions in them.

    Rows that no chain of pairs connects are dealt with apart, so the work follows the largest
    crowd, not the number of rows.
    """
    left_n, right_n = int(pairs.left.max()) + 1, int(pairs.right.max()) + 1
    edges = coo_array(
        (np.ones(len(pairs.cost)), (pairs.left, pairs.right + left_n)),
        shape=(left_n + right_n, left_n + right_n),
    )
    _, label = connected_components(edges.tocsr(), directed=False)
    crowd = label[pairs.left]
    order = np.argsort(crowd, kind="stable")
    starts = np.flatnonzero(np.r_[True, np.diff(crowd[order]) != 0])
    ends = np.r_[starts[1:], len(order)]
    is_alone = ends - starts == 1
    chosen = [order[starts[is_alone]]]
    for start, end in zip(starts[~is_alone], ends[~is_alone], strict=True):
        members = order[start:end]
        rows, row = np.unique(pairs.left[members], return_inverse=True)
        columns, column = np.unique(pairs.right[members], return_inverse=True)
        worth = np.zeros((len(rows), len(columns)))
        worth[row, column] = pairs.cost[members] - gate
        position = np.full(worth.shape, -1, dtype=np.int64)
        position[row, column] = members
        made = position[linear_sum_assignment(worth)]
        chosen.append(made[made >= 0])
    return np.sort(np.concatenate(chosen))


def _offsets(left: pl.DataFrame, right: pl.DataFrame, pairs: Pairs, rules: Rules) -> pl.DataFrame:
    """Per clock the median of how much later the left side says that charges began."""
    made = pl.DataFrame(
        {
            "clock_id": right["clock_id"].gather(pairs.right),
            "later_s": left["begins_s"].gather(pairs.left) - right["begins_s"].gather(pairs.right),
            "is_day": pl.Series(_flags(left)[pairs.left] | _flags(right)[pairs.right]),
        }
    )
    return (
        made.filter(pl.col("clock_id").is_not_null(), ~pl.col("is_day"))
        .group_by("clock_id")
        .agg(
            clock_offset_s=pl.col("later_s").median(),
            pairs_n=pl.len().cast(pl.Int64),
        )
        .filter(pl.col("pairs_n") >= rules.clock_least_n)
        .sort("clock_id")
    )

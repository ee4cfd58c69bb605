"""Weighted order statistics of many groups at once, sorted once and weighed often.

Refits on resampled sessions change only the weights, so the sorting is kept.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

_NEARLY_NONE = 1e-12


@dataclass(frozen=True)
class Grouped:
    """Values of ``n_groups`` groups in order of group, value, and events before censored ones.

    A *censored* value says "at least this much"; an *event* is seen exactly.
    """

    values: Array
    groups: Ints
    is_censored: Flags
    order: Ints
    starts: Ints
    n_groups: int

    @classmethod
    def of(
        cls, values: Array, groups: Ints, n_groups: int, is_censored: Flags | None = None
    ) -> Grouped:
        """Sort once; `values` (n,) finite, `groups` (n,) in ``[0, n_groups)``."""
        censored = np.zeros(len(values), dtype=bool) if is_censored is None else is_censored
        order = np.lexsort((censored, values, groups))
        ordered = groups[order]
        starts = np.searchsorted(ordered, np.arange(n_groups + 1))
        return cls(values[order], ordered, censored[order], order, starts, n_groups)

    def where(self, mask: Flags) -> Grouped:
        """Those of the values given that `mask` (n,) picks, without sorting them again."""
        picked = mask[self.order]
        order = (np.cumsum(mask) - 1)[self.order[picked]]
        groups = self.groups[picked]
        starts = np.searchsorted(groups, np.arange(self.n_groups + 1))
        return Grouped(
            self.values[picked], groups, self.is_censored[picked], order, starts, self.n_groups
        )

    def quantile(self, weights: Array, q: float) -> Array:
        """Weighted quantile of each group (Kaplan and Meier 1958), NaN where it is not reached.

        Without censored values this is the lower weighted quantile: the smallest value at which
        the weight up to and including it reaches ``q`` of the whole. Where two neighbours share
        the middle exactly, their mean is taken, as in a common median.

        Parameters
        ----------
        weights
            Shape (n,), not negative, in the order in which the values were given.
        q
            In (0, 1).
        """
        weight = weights[self.order]
        before = np.concatenate([[0.0], np.cumsum(weight)])
        first = before[self.starts[:-1]]
        total = before[self.starts[1:]] - first
        at_risk = total[self.groups] - (before[:-1] - first[self.groups])
        with np.errstate(invalid="ignore", divide="ignore"):
            step = np.where(self.is_censored | (weight <= 0), 1.0, 1.0 - weight / at_risk)
        log_left = np.concatenate([[0.0], np.cumsum(np.log(np.maximum(step, _NEARLY_NONE)))])
        left = np.exp(log_left[1:] - log_left[self.starts[:-1]][self.groups])
        target = 1.0 - q
        return self._crossing(left, target, weight)

    def _crossing(self, left: Array, target: float, weight: Array) -> Array:
        """Per group the first value whose remaining share falls to `target`."""
        out = np.full(self.n_groups, np.nan)
        is_event = ~self.is_censored & (weight > 0)
        below = np.flatnonzero(is_event & (left <= target + 1e-9))
        groups, first = np.unique(self.groups[below], return_index=True)
        at = below[first]
        out[groups] = self.values[at]
        # A tie in the middle: the mean of this value and the next event of the group.
        tied = np.abs(left[at] - target) <= 1e-9
        for place in np.flatnonzero(tied):
            later = below[first[place] + 1 :]
            if len(later) and self.groups[later[0]] == groups[place]:
                out[groups[place]] = (self.values[at[place]] + self.values[later[0]]) / 2
        return out

    def sums(self, weights: Array) -> Array:
        """Weight of each group, censored or not."""
        out: Array = np.bincount(self.groups, weights[self.order], minlength=self.n_groups).astype(
            np.float64
        )
        return out

    def events(self, weights: Array) -> Array:
        """Weight of the values of each group that are seen exactly."""
        weight = np.where(self.is_censored, 0.0, weights[self.order])
        out: Array = np.bincount(self.groups, weight, minlength=self.n_groups).astype(np.float64)
        return out

    def greatest_censored(self, weights: Array) -> Array:
        """Greatest censored value of each group: the most that is known to be reached; NaN."""
        out = np.full(self.n_groups, np.nan)
        seen = np.flatnonzero((weights[self.order] > 0) & self.is_censored)
        out[self.groups[seen]] = self.values[seen]
        return out

    def greatest(self, weights: Array) -> Array:
        """Greatest value of weight above 0 in each group, censored or not; NaN where none."""
        out = np.full(self.n_groups, np.nan)
        seen = np.flatnonzero(weights[self.order] > 0)
        out[self.groups[seen]] = self.values[seen]
        return out

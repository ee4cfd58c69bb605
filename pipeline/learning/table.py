"""Session medians by cell: what curve and cold limit are fitted on.

One session may hold a hundred steps in one bin; it is still one witness. So each session has
one say per bin, its median, and a refit on resampled sessions only changes the weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.learning.steps import Array, ChargeSteps, Flags, Ints


@dataclass(frozen=True)
class Medians:
    """One row per session and bin: median power, charge and coldest cell of its steps there.

    ``is_censored`` where most of the steps stood at another limit, so that the power says "at
    least".
    """

    session: Ints
    bin: Ints
    power_kw: Array
    soc_pct: Array
    cell_temp_degc: Array
    is_censored: Flags

    def __len__(self) -> int:
        return len(self.session)


def session_medians(
    steps: ChargeSteps, bins: Ints, mask: Flags, is_censored: Flags | None = None
) -> Medians:
    """Medians of the steps picked by `mask`, by session and bin (`bins` has one per step)."""
    censored = np.zeros(len(steps), dtype=bool) if is_censored is None else is_censored
    frame = (
        pl.DataFrame(
            {
                "session": steps.stop[mask],
                "bin": bins[mask],
                "power_kw": steps.power_kw[mask],
                "soc_pct": steps.soc_pct[mask],
                "cell_temp_degc": steps.cell_temp_degc[mask],
                "censored": censored[mask],
            }
        )
        .group_by("session", "bin")
        .agg(
            pl.col("power_kw").median(),
            pl.col("soc_pct").mean(),
            pl.col("cell_temp_degc").mean(),
            pl.col("censored").mean() > 0.5,
        )
        .sort("session", "bin")
    )
    return Medians(
        session=frame["session"].to_numpy().astype(np.intp),
        bin=frame["bin"].to_numpy().astype(np.intp),
        power_kw=frame["power_kw"].to_numpy(),
        soc_pct=frame["soc_pct"].to_numpy(),
        cell_temp_degc=frame["cell_temp_degc"].to_numpy(),
        is_censored=frame["censored"].to_numpy().astype(bool),
    )

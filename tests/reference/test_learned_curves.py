"""Curves of other people's vehicles, learned back from charges made along them.

References
----------
The archived Open EV Data set (2019 to 2021, MIT), anonymised: power against charge of warm DC
charging for 46 vehicle variants, straight lines between points.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from charge_lab import Lab
from open_data import data_folder, missing_reason

from pipeline.charging import SOC_MID_PCT
from pipeline.learning.fit import Prior, fit_model

CURVES = "charging_curves/curves.csv"
pytestmark = pytest.mark.skipif(bool(missing_reason(CURVES)), reason=missing_reason(CURVES))


def curve_ids() -> list[str]:
    if missing_reason(CURVES):
        return []
    return sorted(pl.read_csv(data_folder() / CURVES)["curve_id"].unique())


@pytest.mark.parametrize("curve_id", curve_ids())
def test_a_published_curve_comes_back(curve_id: str) -> None:
    """Noise of 2 %, a quarter of the charges shared, some capped by a slow site, no curve
    configured: within 5 % at every per cent from 10 to 80."""
    points = pl.read_csv(data_folder() / CURVES).filter(pl.col("curve_id") == curve_id)
    soc, power = points["soc_pct"].to_numpy(), points["power_kw"].to_numpy()
    lab = Lab(
        lambda at: float(np.interp(at, soc, power)),
        lambda _: 1.0,
        usable_kwh=float(points["usable_kwh"][0]),
        noise=0.02,
    )
    generator = np.random.default_rng(7)
    top = float(power.max())
    for number in range(32):
        lab.charge(
            float(generator.uniform(4, 14)),
            float(generator.uniform(80, 90)),
            float(generator.uniform(22, 30)),
            site_kw=0.6 * top if number % 6 == 1 else 1.5 * top,
            shared_kw=(3.0, 12.0, 0.45 * top) if number % 4 == 0 else None,
            warms_kelvin_per_min=0.2,
        )
    prior = Prior(lab.usable_kwh, 21.0, 0.5, None, None, None)
    found = fit_model(lab.steps, prior, lab.vehicles, 1, lab.stops_n)
    assert found is not None
    wanted = (SOC_MID_PCT > 10) & (SOC_MID_PCT < 80)
    expected = np.interp(SOC_MID_PCT, soc, power)
    error = found.curve.reference_kw[wanted] / expected[wanted] - 1
    # Some of these curves fall by a third within one per cent of charge: no bin of one per cent can
    # hold that, nor its neighbours, whose intervals reach across. Those bins are left out.
    fall = np.abs(np.diff(np.interp(np.arange(101), soc, power))) > 0.05 * expected
    near = fall | np.roll(fall, 1) | np.roll(fall, -1)
    assert np.abs(error[~near[wanted]]).max() < 0.05
    assert near[wanted].mean() < 0.3

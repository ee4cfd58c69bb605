"""A vehicle's habits among spells that drivers, charge and roads cut short."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.learning.habits import learn_habits

CONFIGURED = {"heater_power_kw": 5.0, "warming_end_degc": 21.0, "warming_cutoff_soc_pct": 20.0}


def spells(n: int, **columns: object) -> pl.DataFrame:
    """`n` spells that the plug-in ended, with other columns as given."""
    plain = {
        "spell_min": 20.0,
        "before_plug_in_min": 0.0,
        "steady_heater_kw": 5.2,
        "cell_temp_end_degc": 15.0,
        "soc_end_pct": 40.0,
    }
    return pl.DataFrame({"i": range(n)}).select(
        pl.Series(name, np.broadcast_to(np.asarray(value, dtype=float), n))
        for name, value in (plain | columns).items()
    )


def habit(frame: pl.DataFrame, quantity: str) -> dict[str, Any]:
    rows = learn_habits(frame, CONFIGURED)
    assert [row["quantity"] for row in rows] == list(CONFIGURED)
    return next(row for row in rows if row["quantity"] == quantity)


def test_heater_power_is_the_median_of_steady_spells() -> None:
    frame = pl.concat([spells(6), spells(3, spell_min=1.0, steady_heater_kw=2.0)])
    found = habit(frame, "heater_power_kw")
    assert (found["learned"], found["spread"], found["seen_n"]) == (5.2, 0.0, 6)
    assert not found["is_different"]
    weak = habit(spells(6, steady_heater_kw=[3.0, 3.1, 3.2, 3.1, 3.1, 9.0]), "heater_power_kw")
    assert weak["learned"] == pytest.approx(3.1)
    assert weak["spread"] == pytest.approx(1.4826 * 0.05)
    assert weak["is_different"]


def test_too_few_is_null_with_a_reason() -> None:
    for row in learn_habits(spells(4), CONFIGURED):
        assert row["learned"] is None
        assert row["spread"] is None
        assert row["why_null"] == "too_few_spells"
        assert not row["is_different"]
    assert habit(spells(9, steady_heater_kw=np.nan), "heater_power_kw")["seen_n"] == 0


def test_the_end_is_where_the_vehicle_ends_and_not_the_driver() -> None:
    by_vehicle = spells(12, before_plug_in_min=6.0, cell_temp_end_degc=22.0)
    by_driver = spells(8, before_plug_in_min=9.0, cell_temp_end_degc=np.linspace(2, 19, 8))
    by_plug = spells(40, cell_temp_end_degc=25.0)
    found = habit(pl.concat([by_vehicle, by_driver, by_plug]), "warming_end_degc")
    assert (found["learned"], found["seen_n"]) == (22.0, 12)
    assert not found["is_different"]
    early = habit(spells(12, before_plug_in_min=6.0, cell_temp_end_degc=17.0), "warming_end_degc")
    assert early["is_different"]


def test_spells_that_low_charge_ended_do_not_tell_the_end() -> None:
    low = spells(30, before_plug_in_min=6.0, cell_temp_end_degc=12.0, soc_end_pct=20.0)
    assert habit(low, "warming_end_degc")["why_null"] == "too_few_spells"


def test_the_cut_off_is_where_spells_end_cold() -> None:
    cut = spells(7, before_plug_in_min=5.0, cell_temp_end_degc=10.0,
                 soc_end_pct=[25, 25.5, 25, 25, 25.5, 26, 25])  # fmt: skip
    by_driver = spells(9, before_plug_in_min=5.0, cell_temp_end_degc=9.0,
                       soc_end_pct=np.linspace(32, 70, 9))  # fmt: skip
    done = spells(9, before_plug_in_min=5.0, cell_temp_end_degc=22.0, soc_end_pct=27.0)
    found = habit(pl.concat([cut, by_driver, done]), "warming_cutoff_soc_pct")
    assert (found["learned"], found["seen_n"], found["is_different"]) == (25.0, 7, True)


def test_ends_that_lie_anywhere_are_no_habit() -> None:
    anywhere = spells(
        40,
        before_plug_in_min=5.0,
        cell_temp_end_degc=np.tile(np.linspace(0, 18, 20), 2),
        soc_end_pct=np.linspace(23, 98, 40),
    )
    for quantity in ("warming_end_degc", "warming_cutoff_soc_pct"):
        assert habit(anywhere, quantity)["why_null"] == "no_common_value"
        assert habit(anywhere, quantity)["learned"] is None


def test_a_vehicle_that_warms_below_it_has_no_cut_off_there() -> None:
    often = spells(
        20,
        before_plug_in_min=5.0,
        cell_temp_end_degc=9.0,
        soc_end_pct=[40.0] * 12 + [8.0, 10, 12, 14, 16, 18, 20, 21],
    )
    done = spells(30, before_plug_in_min=5.0, cell_temp_end_degc=22.0, soc_end_pct=50.0)
    found = habit(pl.concat([often, done]), "warming_cutoff_soc_pct")
    assert found["why_null"] == "no_common_value"

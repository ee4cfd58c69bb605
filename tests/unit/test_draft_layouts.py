"""Drafting on random layouts: how many columns are right, and that no wrong one is silent."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from layout_judge import Verdict, judge
from layouts import draw, true_rows

from pipeline.draft.make import draft_file

SEEDS = range(60)
LEAST_SHARE = 0.95


@pytest.fixture(scope="module")
def verdicts(tmp_path_factory: pytest.TempPathFactory) -> dict[int, list[Verdict]]:
    folder = tmp_path_factory.mktemp("layouts")
    found = {}
    for seed in SEEDS:
        path, truth = draw(seed, folder)
        found[seed] = judge(draft_file(path), truth)
        path.unlink()
    return found


def test_nearly_all_columns_are_right(verdicts: dict[int, list[Verdict]]) -> None:
    every = [verdict for found in verdicts.values() for verdict in found]
    assert len(every) > 800
    wrong = [(s, v) for s, found in verdicts.items() for v in found if not v.is_right]
    share = 1 - len(wrong) / len(every)
    print(f"columns right: {share:.2%} of {len(every)}")
    assert share >= LEAST_SHARE, wrong


def test_no_wrong_guess_is_silent(verdicts: dict[int, list[Verdict]]) -> None:
    silent = [
        (seed, verdict)
        for seed, found in verdicts.items()
        for verdict in found
        if not verdict.is_right and not verdict.is_unsure
    ]
    assert not silent


def test_most_of_what_is_right_is_not_doubted(verdicts: dict[int, list[Verdict]]) -> None:
    """Marking all as UNSURE would pass the test above and help nobody."""
    right = [v for found in verdicts.values() for v in found if v.is_right]
    doubted = [v for v in right if v.is_unsure and v.what != "zone"]
    assert len(doubted) < 0.15 * len(right)


def test_names_that_say_nothing_are_never_guessed_silently(tmp_path: Path) -> None:
    rows = true_rows().select(
        pl.from_epoch(pl.col("t_s").cast(pl.Int64)).dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("A1"),
        pl.col("soc_pct").alias("soc"),
        pl.col("pack_kw").alias("K7"),
        pl.col("cell_min_degc").alias("zz"),
    )
    path = tmp_path / "van-1.csv"
    rows.write_csv(path)
    draft = draft_file(path)
    assert set(draft.source.columns) == {"sampled_at", "soc_pct"}
    assert {"column:K7", "column:zz"} <= set(draft.unsure)
    assert draft.text.count("# UNSURE: not read:") == 2


@pytest.mark.parametrize("swapped", ["soc", "cell_temp_min"])
def test_a_name_that_the_data_contradict_is_unsure(tmp_path: Path, swapped: str) -> None:
    """A column named like one signal that holds the numbers of another (volts)."""
    stamp = pl.from_epoch(pl.col("t_s").cast(pl.Int64)).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    volt = 400.5 + pl.col("soc_pct")
    rows = true_rows().select(
        stamp.alias("time"),
        (volt if swapped == "soc" else pl.col("soc_pct")).alias("soc"),
        (volt if swapped != "soc" else pl.col("cell_min_degc")).alias("cell_temp_min"),
        pl.col("speed_kmh").alias("speed"),
    )
    path = tmp_path / "van-1.csv"
    rows.write_csv(path)
    draft = draft_file(path)
    mapped = {column.column for column in draft.source.columns.values()}
    assert swapped not in mapped
    assert "is named like" in draft.unsure[f"column:{swapped}"][0]


def test_several_vehicles_in_a_file_that_names_none_are_noticed(tmp_path: Path) -> None:
    stamp = pl.from_epoch(pl.col("t_s").cast(pl.Int64)).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    path = tmp_path / "van-1.csv"
    true_rows().select(stamp.alias("time"), pl.col("soc_pct").alias("soc")).write_csv(path)
    assert any("several vehicles" in doubt for doubt in draft_file(path).unsure["vehicle"])


def test_units_in_the_name_that_sizes_deny_are_unsure(tmp_path: Path) -> None:
    stamp = pl.from_epoch(pl.col("t_s").cast(pl.Int64)).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    one = true_rows().filter(pl.col("vehicle") == pl.col("vehicle").first())
    rows = one.select(
        stamp.alias("time"),
        pl.col("soc_pct").alias("soc"),
        (pl.col("pack_kw") * 1000).alias("pack_power_kw"),
        pl.col("speed_kmh").alias("speed"),
        (pl.col("odo_km") / 1.609344).alias("odometer_km"),
    )
    path = tmp_path / "van-1.csv"
    rows.write_csv(path)
    draft = draft_file(path)
    assert draft.source.columns["pack_power_kw"].unit == "W"
    assert any("its name says kW" in doubt for doubt in draft.unsure["pack_power_kw"])
    assert any("contradict" in doubt for doubt in draft.unsure["odometer_km"])

"""`check FILE` and `signals`: what a file can answer, and what to ask for."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from layouts import true_rows

from pipeline.cli import main
from pipeline.columns import SAMPLE_SIGNALS, SIGNALS_BY_KIND
from pipeline.data_request import WISHES, request_lines, request_rows
from pipeline.file_check import QUESTIONS, answers
from pipeline.source_config import ColumnMap, Source, VehicleKey
from pipeline.weekly import UNLOCKS

ALL = [signal.name for signal in SAMPLE_SIGNALS]


def source(kind: str, *signals: str) -> Source:
    needed = {
        "samples": ("sampled_at",),
        "sessions": ("plug_in_at", "plug_out_at"),
        "driver_spans": ("from_at", "to_at"),
        "nav_events": ("happened_at",),
    }[kind]
    columns = {name: ColumnMap(column=name) for name in (*needed, *signals)}
    return Source(
        kind=kind,  # type: ignore[arg-type]
        files=("x",),
        vehicle=VehicleKey(value="v"),
        columns=columns,
    )


def can(kind: str, *signals: str) -> list[str]:
    return [answer.can for answer in answers(source(kind, *signals))]


def test_a_full_export_answers_all_but_the_driver() -> None:
    assert can("samples", *ALL[1:]) == ["yes"] * 5 + ["no"]


@pytest.mark.parametrize(
    ("without", "question", "names"),
    [
        ("cell_temp_min_degc", 0, UNLOCKS["cell_temp"][0]),
        ("cell_temp_min_degc", 1, UNLOCKS["cell_temp"][0]),
        ("soc_pct", 2, UNLOCKS["soc"][0]),
    ],
)
def test_each_missing_signal_is_named(without: str, question: int, names: str) -> None:
    told = answers(source("samples", *(name for name in ALL[1:] if name != without)))
    assert told[question].can == "no"
    assert names in told[question].why


def test_without_a_heater_warming_is_told_by_its_rise_only() -> None:
    told = can("samples", "soc_pct", "pack_power_kw", "cell_temp_min_degc", "latitude_deg")
    assert told == ["yes", "partly", "yes", "yes", "no", "no"]


def test_current_and_voltage_are_power() -> None:
    assert can("samples", "soc_pct", "pack_current_a", "pack_voltage_v")[2] == "yes"
    assert can("samples", "soc_pct", "pack_current_a")[2] == "no"


def test_a_summary_of_charges_gives_an_upper_bound() -> None:
    told = can("sessions", "meter_energy_kwh", "soc_start_pct", "soc_end_pct")
    assert told == ["no", "no", "partly", "no", "no", "no"]
    assert can("sessions", "meter_energy_kwh")[2] == "no"


def test_a_rota_answers_who() -> None:
    assert can("driver_spans", "driver_id") == ["no"] * 5 + ["yes"]


def test_the_command_tells_all_questions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "van-1.csv"
    stamp = pl.from_epoch(pl.col("t_s").cast(pl.Int64)).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    true_rows().select(stamp.alias("time"), "soc_pct", "pack_kw", "speed_kmh").head(2000).write_csv(
        path
    )
    with pytest.raises(SystemExit) as left:
        main(["check", str(path)])
    out, _ = capsys.readouterr()
    assert left.value.code == 0
    assert all(question in out for question in QUESTIONS)
    assert "missing: coldest cell temperature" in out


def test_every_signal_of_the_program_is_asked_for() -> None:
    assert set(WISHES) == set(ALL)
    rows = request_rows()
    assert {(row["kind"], row["signal"]) for row in rows} == {
        (kind, name) for kind, signals in SIGNALS_BY_KIND.items() for name in signals
    }
    page = "\n".join(request_lines())
    assert all(name in page for name in ALL)
    assert all(row["least_interval_s"] >= row["better_interval_s"] for row in rows
               if row["least_interval_s"])  # fmt: skip


def test_the_page_fits_eighty_columns() -> None:
    lines = request_lines()
    assert max(map(len, lines)) <= 80
    assert len(lines) <= 66


def test_signals_as_csv(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "request.csv"
    with pytest.raises(SystemExit):
        main(["signals", "--csv", str(out)])
    assert "DATA REQUEST" in capsys.readouterr().out
    assert pl.read_csv(out).height == len(request_rows())

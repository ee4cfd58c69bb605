"""The commands `curves` and `leadtime` as a user meets them."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
from conftest import ROOT
from fitted import WEEK, put, put_fit, put_stop
from fleets import MODELS_TOML, drive_and_charge, drop, stops_of, write_fleet

from pipeline.cli import main
from pipeline.config import load_fleet
from pipeline.edition import warehouse_of
from pipeline.text_plot import WIDTH_N, text_plot


def call(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    """Exit status, standard output, standard error of one command."""
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return int(left.value.code or 0), out, err


def learned(folder: Path, models: str = MODELS_TOML, **fit: Any) -> str:
    """A fleet folder whose warehouse holds one fit and five stops."""
    write_fleet(folder, models=models)
    with warehouse_of(load_fleet(folder)) as con:
        put_fit(con, **fit)
        for quantity, told, seen in (
            ("heater_power_kw", 5.0, 5.6),
            ("warming_end_degc", 21.0, 22.0),
            ("warming_cutoff_soc_pct", 20.0, None),
        ):
            put(con, "fitted_habits", {
                "fit_week_id": WEEK, "model_id": "flat-60", "quantity": quantity,
                "learned_value": seen, "configured_value": told, "seen_n": 9 if seen else 2,
                "is_different": quantity == "heater_power_kw",
                "why_null": None if seen else "too_few_spells",
            })  # fmt: skip
        put(con, "fitted_vehicles", {"fit_week_id": WEEK, "vehicle_id": "v1",
                                     "curve_scale": 0.951, "sessions_n": 8})  # fmt: skip
        put(con, "fitted_sites", {"fit_week_id": WEEK, "site_id": "old", "power_kw": 49.6,
                                  "sessions_n": 3})  # fmt: skip
        for number in range(5):
            put_stop(con, number)
    return str(folder)


@pytest.mark.parametrize("command", ["curves", "leadtime"])
def test_before_the_first_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    status, out, err = call(capsys, command, str(write_fleet(tmp_path / "fleet")))
    assert (status, out) == (2, "")
    assert "CURVES-01" in err and "coldminutes run FLEET" in err


def test_curves_shows_all_that_was_learned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, _ = call(capsys, "curves", learned(tmp_path / "fleet"))
    assert status == 0
    lines = out.splitlines()
    for part in (
        "Flat 60, flat-60: learned up to 2026-W03",
        "a factor on the warm curve (learned)",
        "smaller pinball loss out of sample: factor 0.40 kW, ceiling 1.60 kW",
        "Full power from 21.0 °C",
        "500.0 ± 4.0 kJ/K",
        "0.0800 ± 0.0020 ohm",
        "15.00 ± 0.50 W/K",
        "differs: look at models.toml",
        "too few spells of warming seen",
    ):
        assert part in out
    # Five bins of 100 - 0.8 k: k = 50 to 54 has its mean at 52.
    row = next(line for line in lines if line.strip().startswith("50-55"))
    assert row.split() == ["50-55", "58.4", "53.4", "12", "learned"]
    cold = next(line for line in lines if line.strip().startswith("-3.0"))
    assert cold.split() == ["-3.0", "0.33", "9", "learned"]
    assert not any(line.strip().startswith("-9.0") for line in lines), "knots without data"
    assert next(line for line in lines if "v1" in line).split()[1:] == ["0.951", "8", "sessions"]
    assert next(line for line in lines if " old " in line).split()[1:3] == ["49.6", "kW"]
    plot = [line for line in lines if "|" in line or line.lstrip().startswith("+-")]
    assert len(plot) == 22
    assert max(map(len, plot)) <= 72


def test_a_configured_limit_and_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = learned(tmp_path / "a", cold_source="configured", ceiling_pinball_loss_kw=None)
    _, out, _ = call(capsys, "curves", fleet)
    assert "As configured: too few cold sessions" in out
    fleet = learned(tmp_path / "b", cold_form=None, heat_kj_per_kelvin=None,
                    thermal_why="no_usable_kwh")  # fmt: skip
    status, out, _ = call(capsys, "curves", fleet, "--plot", str(tmp_path / "b.svg"))
    assert status == 0
    assert "Cold limit: none known" in out
    assert "Thermal model: none (the model's usable_kwh is not configured)" in out


def test_curves_writes_figures_and_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fleet = learned(tmp_path / "fleet")
    table, picture = tmp_path / "out.csv", tmp_path / "out.svg"
    status, out, _ = call(capsys, "curves", fleet, "--csv", str(table), "--plot", str(picture))
    assert status == 0
    assert f"Wrote {table}" in out and f"Wrote {picture}" in out
    with table.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 100 + 21
    assert rows[52]["soc_pct"] == "52.5" and rows[52]["reference_kw"] == "58.4"
    assert {row["part"] for row in rows} == {"warm_curve", "cold_limit"}
    drawn = ElementTree.parse(picture).getroot()
    assert drawn.tag == "{http://www.w3.org/2000/svg}svg"
    assert any("Flat 60" in (node.text or "") for node in drawn.iter())


def test_curves_changes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fleet = learned(tmp_path / "fleet")

    def rows() -> list[Any]:
        with warehouse_of(load_fleet(Path(fleet))) as con:
            return [
                con.execute(f"select * from {table}").fetchall()
                for table in ("fitted_models", "fitted_curves", "stops", "stop_minutes")
            ]

    before = rows()
    call(capsys, "curves", fleet)
    call(capsys, "leadtime", fleet)
    assert rows() == before


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("curves", "--model", "none-such"), ("CURVES-02", "flat-60")),
        (("leadtime", "--model", "none-such"), ("CURVES-02", "flat-60")),
        (("curves", "--week", "2026-W09"), ("CURVES-01", WEEK)),
        (("leadtime", "--week", "2026-W60"), ("RUN-02",)),
        (("curves", "--csv", "/no/such/folder/a.csv"), ("CURVES-03", "/no/such/folder")),
        (("leadtime", "--csv", "/no/such/folder/a.csv"), ("CURVES-03", "/no/such/folder")),
    ],
)
def test_a_users_mistake_is_told(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    expected: tuple[str, ...],
) -> None:
    command, *options = arguments
    status, _, err = call(capsys, command, learned(tmp_path / "fleet"), *options)
    assert status == 2
    for part in expected:
        assert part in err


def test_leadtime_says_when_to_begin(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = tmp_path / "lead.csv"
    status, out, _ = call(
        capsys, "leadtime", learned(tmp_path / "fleet"), "--model", "flat-60", "--csv", str(table)
    )
    assert status == 0
    lines = out.splitlines()
    assert "before setting off, never while driving" in " ".join(lines[1:3])
    assert "local law come first" in " ".join(lines[1:3])
    site = next(line for line in lines if line.strip().startswith("Fast:"))
    assert "min before arrival; saves" in site and "(pack 6, outside -4 °C; 5 stops)" in site
    assert "at 150 kW" in out and "-15 °C" in out
    assert "* colder than any charge yet seen" in out
    assert "heating on the cable before departure" in out and "costs EUR" in out
    assert "the fleet's price" in out
    with table.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == 18
    begin = [row for row in rows if row["verdict"] == "begin"]
    assert begin and all(row["begin_min"] for row in begin)


def test_no_name_can_steer_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    models = MODELS_TOML.replace('"Flat 60"', r'"Flat\u001b[31m\nred"')
    fleet = learned(tmp_path / "fleet", models=models)
    with warehouse_of(load_fleet(Path(fleet))) as con:
        put_stop(con, 30, site_id="\x1b]0;x\x07\nbad")
    for command in ("curves", "leadtime"):
        status, out, _ = call(capsys, command, fleet)
        assert status == 0
        assert "\x1b" not in out and "\x07" not in out
        assert not any(line.startswith(("red", "bad")) for line in out.splitlines())


@pytest.mark.parametrize("models", [MODELS_TOML, ""])
def test_one_real_stop(tmp_path: Path, capsys: pytest.CaptureFixture[str], models: str) -> None:
    """One cold charge teaches no limit; without a model there is nothing to say, in words."""
    folder = write_fleet(
        tmp_path / "fleet", models=models, vehicles="" if not models else
        '[vehicles.v1]\nmodel = "flat-60"\n',
    )  # fmt: skip
    drop(folder, drive_and_charge())
    assert len(stops_of(folder)) == 1
    for command, part in (("curves", "Cold limit: none known"), ("leadtime", "no advice")):
        status, out, err = call(capsys, command, str(folder))
        assert status == (0 if models else 2)
        assert part in out if models else "models.toml" in err


@pytest.mark.parametrize("command", ["curves", "leadtime"])
def test_help_and_readme(capsys: pytest.CaptureFixture[str], command: str) -> None:
    status, out, _ = call(capsys, command, "--help")
    assert status == 0
    assert f"coldminutes {command} my_fleet" in out
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"`coldminutes {command} FLEET" in readme


def test_a_plot_keeps_its_frame() -> None:
    marks = [(".", [0.0, 50.0, 100.0], [0.0, 5.0, 10.0]), ("*", [0.0, 100.0], [0.0, 5.0])]
    lines = list(text_plot(marks, "kW", "SOC %", "key"))
    assert max(map(len, lines)) == WIDTH_N
    assert lines[1].rstrip().endswith(".") and "10" not in lines[10]
    assert lines[10].split("|")[1].startswith("*"), "the later mark covers the earlier"
    assert list(text_plot([("*", [], [])], "kW", "SOC %", "")) == []
    level = list(text_plot([("*", [3.0], [0.0])], "kW", "SOC %", ""))
    assert level[10].split("|")[1].startswith("*")

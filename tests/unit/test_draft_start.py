"""`start`: a fleet folder and a first report from the operator's own files, or nothing at all."""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path

import pytest
from simulate import FleetSpec, simulate

from pipeline.cli import main
from pipeline.config import load_fleet

TOLD = ("--zone", "Europe/Stockholm", "--currency", "EUR", "--price", "0.42", "--drivers", "off")


def call(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return int(left.value.code or 0), out, err


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two vans over four weeks, one file each and nothing else."""
    spec = FleetSpec(n_vehicles=2, weeks=4, seed=11, layout="tailgate_csv", defects=False)
    inbox = simulate(spec, tmp_path_factory.mktemp("exports")) / "inbox"
    for van in ("van-01", "van-02"):
        weeks = sorted(inbox.glob(f"tg_{van}_*.csv"))
        lines = weeks[0].read_text().splitlines(keepends=True)
        for later in weeks[1:]:
            lines += later.read_text().splitlines(keepends=True)[1:]
        for week in weeks:
            week.unlink()
        (inbox / f"tg_{van}_2026-01.csv").write_text("".join(lines))
    return inbox


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_one_plain_export_gives_a_report(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    export = next(exports.glob("tg_van-01*.csv"))
    folder = tmp_path / "fleet"
    status, out, _ = call(capsys, "start", str(folder), str(export), *TOLD, "--no-pdf")
    assert status == 0, out
    assert leftovers(tmp_path) == ["fleet"]
    summary = json.loads((folder / "reports" / "2026-W05" / "summary.json").read_text())
    assert summary["stops"] > 0
    assert summary["rated"] > 0
    assert str(folder / "reports" / "2026-W05" / "fleet.html") in out
    fleet = load_fleet(folder)
    assert list(fleet.vehicles) == ["van-01"]
    assert fleet.sites
    assert "usable_kwh" in next(iter(fleet.models.values())).model_fields_set
    # Whatever was not told is a comment, so that the report still calls it assumed.
    for model in fleet.models.values():
        assert model.model_fields_set == {"usable_kwh"}
    text = (folder / "models.toml").read_text()
    assert "# warm_threshold_degc = 21.0   # assumed" in text
    run, out, _ = call(capsys, "run", str(folder), "--no-pdf")
    assert (run, "0 taken in, 1 known already" in out) == (0, True)


def test_sites_are_where_the_simulator_put_them(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import polars as pl
    from sim_world import DC_SITES, KM_PER_DEG_LAT, KM_PER_DEG_LON, ORIGIN_LAT, ORIGIN_LON

    files = [str(path) for path in exports.glob("tg_*.csv")]
    folder = tmp_path / "fleet"
    call(capsys, "start", str(folder), *files, *TOLD, "--no-pdf")
    truth = pl.read_csv(exports.parent / "truth" / "stops.csv").filter(pl.col("mode") == "dc")
    visited = set(truth["site_id"])
    places = {
        site.site_id: (
            ORIGIN_LAT + site.y_km / KM_PER_DEG_LAT,
            ORIGIN_LON + site.x_km / KM_PER_DEG_LON,
        )
        for site in DC_SITES
        if site.site_id in visited
    }
    found = load_fleet(folder).sites
    assert len(found) == len(places)
    for latitude, longitude in places.values():
        near = [
            site
            for site in found.values()
            if site.latitude_deg is not None
            and site.longitude_deg is not None
            and abs(site.latitude_deg - latitude) < 0.002
            and abs(site.longitude_deg - longitude) < 0.004
        ]
        assert len(near) == 1


def test_missing_options_are_named_and_nothing_is_made(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    export = next(exports.glob("tg_*.csv"))
    status, _, err = call(capsys, "start", str(tmp_path / "f"), str(export), "--zone", "UTC")
    assert status == 2
    assert "--currency, --price, --drivers" in err
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize(
    ("option", "value"),
    [("--zone", "Nowhere"), ("--currency", "euro"), ("--drivers", "names"), ("--price", "nan")],
)
def test_options_that_cannot_be(
    exports: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    option: str,
    value: str,
) -> None:
    told = list(TOLD)
    told[told.index(option) + 1] = value
    export = next(exports.glob("tg_*.csv"))
    status, _, err = call(capsys, "start", str(tmp_path / "f"), str(export), *told, "--no-pdf")
    assert (status, option in err) == (2, True)
    assert leftovers(tmp_path) == []


def test_a_folder_with_something_in_it_is_refused(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "f").mkdir()
    (tmp_path / "f" / "mine.txt").write_text("mine")
    export = next(exports.glob("tg_*.csv"))
    status, _, err = call(capsys, "start", str(tmp_path / "f"), str(export), *TOLD, "--no-pdf")
    assert (status, "not empty" in err) == (2, True)
    assert leftovers(tmp_path / "f") == ["mine.txt"]


def test_nothing_is_left_when_it_fails_late(
    exports: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from pipeline.problems import ColdMinutesError, Problem
    from pipeline.start import begin

    def broken(*_: object, **__: object) -> None:
        raise ColdMinutesError([Problem("RUN-01", "stop", "here", "no")], exit_code=3)

    monkeypatch.setattr(begin, "make_edition", broken)
    export = next(exports.glob("tg_*.csv"))
    status, _, _ = call(capsys, "start", str(tmp_path / "f"), str(export), *TOLD, "--no-pdf")
    assert status == 3
    assert leftovers(tmp_path) == []


def test_files_that_are_no_export_are_left_out_aloud(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    notes = tmp_path / "weather.csv"
    notes.write_text("time,temperature\n2026-01-12T06:00:00Z,3\n2026-01-12T07:00:00Z,4\n")
    export = next(exports.glob("tg_*.csv"))
    folder = tmp_path / "f"
    status, _, err = call(capsys, "start", str(folder), str(export), str(notes), *TOLD, "--no-pdf")
    assert status == 1
    assert "weather.csv: this is not a vehicle's export" in err
    assert leftovers(folder / "inbox") == [export.name]
    status, _, err = call(capsys, "start", str(tmp_path / "g"), str(notes), *TOLD, "--no-pdf")
    assert (status, "START-03" in err) == (3, True)
    assert not (tmp_path / "g").exists()


def test_names_with_quotes_and_brackets_survive(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    export = tmp_path / "van \"7\" [x] #1 = 'a'.csv"
    shutil.copy(next(exports.glob("tg_van-01*.csv")), export)
    folder = tmp_path / "fleet"
    status, out, err = call(
        capsys, "start", str(folder), str(export), *TOLD, "--no-pdf", "--operator", 'A "B" \\ C'
    )
    assert status == 0, out + err
    for path in folder.rglob("*.toml"):
        tomllib.loads(path.read_text(encoding="utf-8"))
    assert load_fleet(folder).settings.operator == 'A "B" \\ C'


def test_two_files_of_one_name_are_refused(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    export = next(exports.glob("tg_*.csv"))
    (tmp_path / "other").mkdir()
    other = tmp_path / "other" / export.name
    shutil.copy(export, other)
    status, _, err = call(
        capsys, "start", str(tmp_path / "f"), str(export), str(other), *TOLD, "--no-pdf"
    )
    assert (status, "2 files have this name" in err) == (2, True)

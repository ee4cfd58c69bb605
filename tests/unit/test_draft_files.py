"""Drafting odd and hostile files: no name and no cell may break the TOML or the terminal."""

from __future__ import annotations

import io
import tomllib
import zipfile
from pathlib import Path

import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.cli import main
from pipeline.draft.make import draft_file
from pipeline.draft.write import comment, toml_key, toml_string
from pipeline.file_names import files_pattern, vehicle_in_name
from pipeline.problems import ColdMinutesError
from pipeline.source_config import Source

ROWS = "\n".join(
    f"2026-01-12T06:{m:02d}:00Z,{50 - m / 10:.1f},{-8.5 - m % 3},{30 + m % 7}" for m in range(60)
)


def call(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(list(arguments))
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    return int(left.value.code or 0), out, err


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"])))
@settings(max_examples=300, deadline=None)
def test_any_text_comes_back_from_toml(text: str) -> None:
    read = tomllib.loads(f"{toml_key(text)} = {toml_string(text)}\n")
    assert read == {text: text}


@given(st.text(max_size=200))
@settings(max_examples=300, deadline=None)
def test_no_comment_leaves_its_line(text: str) -> None:
    lines = comment(text, "UNSURE:")
    assert all(line.startswith("#") and line.isprintable() for line in lines)
    assert tomllib.loads("\n".join(lines)) == {}


@pytest.mark.parametrize(
    "name",
    [
        'soc "pct"', "soc\\n[columns]", "=HYPERLINK(soc)", "soc'''", "soc\u202epct", "soc # x",
        "soc\x1b[31m", "soc\u2028pct", "soc\x07",
    ],
)  # fmt: skip
def test_hostile_names_round_trip(tmp_path: Path, name: str) -> None:
    quoted = '"' + name.replace('"', '""') + '"'
    path = tmp_path / "van-1.csv"
    path.write_text(f'time,{quoted},pack_kw,"spe""ed"\n{ROWS}\n', encoding="utf-8")
    draft = draft_file(path)
    assert tomllib.loads(draft.text)["columns"]["soc_pct"]["column"] == name
    assert "\x1b" not in draft.text
    assert "\x07" not in draft.text


def test_hostile_cells_stay_in_their_quotes(tmp_path: Path) -> None:
    words = ('ja""]\n[x', "DC fast\x1b[2J")
    body = "".join(f'2026-01-12T06:{m:02d}:00Z,{50 + m},"{words[m % 2]}"\n' for m in range(40))
    path = tmp_path / "van-1.csv"
    path.write_text("time,soc,charge_mode\n" + body)
    draft = draft_file(path)
    read = tomllib.loads(draft.text)
    assert Source.model_validate(read) == draft.source
    assert set(read) <= {"kind", "files", "vehicle", "time", "columns", "csv"}


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.csv", b""),
        ("blank.csv", b"\n\n\n"),
        ("zeros.csv", b"\0" * 4000),
        ("one.csv", b"time\n"),
        ("numbers.csv", b"1,2,3\n4,5,6\n7,8,9\n"),
        ("long.csv", b"x" * 3_000_000),
        ("wide.csv", b",".join(b"c%d" % i for i in range(100_000)) + b"\n1\n"),
        ("quote.csv", b'time,soc\n"2026-01-12T06:00:00Z,50\n'),
        ("fake.xlsx", b"PK\x03\x04 nothing"),
        ("fake.parquet", b"PAR1 nothing PAR1"),
        ("fake.csv.gz", b"\x1f\x8b nothing"),
        ("fake.zip", b"PK nothing"),
        ("mixed.csv", b"time,soc\n2026-01-12T06:00:00Z,\xff\xfe\n"),
        ("notes.docx", b"text"),
    ],
)
def test_what_is_no_export_is_refused_in_words(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ColdMinutesError) as refused:
        draft_file(path)
    assert refused.value.exit_code == 3
    assert refused.value.problems[0].remedy


def test_a_measurement_file_is_refused_with_the_way_to_map_it(tmp_path: Path) -> None:
    path = tmp_path / "van-1.mf4"
    path.write_bytes(b"MDF     4.10    " + bytes(100))
    with pytest.raises(ColdMinutesError, match="'mdf_time'"):
        draft_file(path)


def test_an_archive_is_drafted_from_its_largest_member(tmp_path: Path) -> None:
    path = tmp_path / "box_2026-W03.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("van-1_2026-W03.csv", f"time,soc,pack_kw,speed\n{ROWS}\n")
        archive.writestr("readme.pdf", b"%PDF")
    draft = draft_file(path)
    assert draft.source.members == ("*.csv",)
    assert draft.source.files == ("box_*-W*.zip",)
    assert draft.source.vehicle.file_name is not None


def test_a_header_below_a_title_is_found(tmp_path: Path) -> None:
    path = tmp_path / "van-1.csv"
    title = "Export of the fleet\nmade;on;Monday\n\n"
    body = "\n".join(
        f"12.01.2026 06:{m:02d}:00;{50 - m / 10:.1f};{-8.5 - m % 3};{30 + m}".replace(".5;", ",5;")
        for m in range(60)
    )
    path.write_text(f"{title}Zeit;Ladezustand;Batterieleistung;Tempo\n{body}\n", encoding="cp1252")
    draft = draft_file(path)
    assert draft.source.csv.skip_rows == 3
    assert draft.source.csv.delimiter == ";"
    assert draft.needs_zone
    assert "# UNSURE: in which time zone" in draft.text


def test_days_and_months_that_cannot_be_told_apart_are_unsure(tmp_path: Path) -> None:
    path = tmp_path / "van-1.csv"
    body = "\n".join(f"03/04/2026 06:{m:02d}:00,{50 - m / 10:.1f},{m}" for m in range(50))
    path.write_text(f"time,soc,speed\n{body}\n")
    draft = draft_file(path, "Europe/Stockholm")
    assert any("which is the day" in doubt for doubt in draft.unsure["time"])


def test_days_and_months_are_told_apart_by_how_near_they_lie(tmp_path: Path) -> None:
    path = tmp_path / "van-1.csv"
    body = "\n".join(f"{d:02d}/01/2026 06:00:00,{50 - d},{d}" for d in range(1, 13))
    path.write_text(f"time,soc,speed\n{body}\n")
    draft = draft_file(path, "Europe/Stockholm")
    assert draft.source.time.format == "%d/%m/%Y %H:%M:%S"
    assert "time" not in draft.unsure


@pytest.mark.parametrize(
    ("day", "clock"),
    [("2026-01-12", "06:{m:02d}:00"), ("12.01.2026", "06:{m:02d}"), ("01/12/2026", "6:{m:02d} AM")],
)
def test_a_date_and_a_time_in_two_columns_are_refused_by_name(
    tmp_path: Path, day: str, clock: str
) -> None:
    """Drafted, every row of a day would be one instant."""
    path = tmp_path / "van-1.csv"
    body = "".join(f"{day};{clock.format(m=m)};{50 - m / 10:.1f};{m}\n" for m in range(50))
    path.write_text("Datum;Uhrzeit;soc;speed\n" + body)
    with pytest.raises(ColdMinutesError) as refused:
        draft_file(path)
    (problem,) = refused.value.problems
    assert problem.code == "DRAFT-02"
    assert "two columns, 'Datum' and 'Uhrzeit'" in problem.message
    assert "2026-01-12 06:05:00" in problem.remedy


def test_a_time_of_day_beside_whole_stamps_is_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "van-1.csv"
    body = "".join(
        f"2026-01-12T06:{m:02d}:00Z,06:{m:02d},{50 - m / 10:.1f},{m}\n" for m in range(50)
    )
    path.write_text("stamp,clock,soc,speed\n" + body)
    assert draft_file(path).source.columns["sampled_at"].column == "stamp"


@pytest.mark.parametrize(
    ("name", "lasted"), [("Duration (min)", "35"), ("Ladedauer", "0:35:00"), ("duree", "PT35M")]
)
def test_a_start_and_a_duration_are_refused_by_name(tmp_path: Path, name: str, lasted: str) -> None:
    path = tmp_path / "charges.csv"
    body = "".join(f"2026-01-{d:02d}T07:00:00Z,{lasted},20.5,van-1\n" for d in range(1, 29))
    path.write_text(f"Start,{name},Energy (kWh),vehicle\n{body}")
    with pytest.raises(ColdMinutesError) as refused:
        draft_file(path)
    assert f"a start, 'Start', and a duration, {name!r}" in refused.value.problems[0].message


def test_a_duration_beside_an_end_is_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "charges.csv"
    body = "".join(
        f"2026-01-{d:02d}T07:00:00Z,2026-01-{d:02d}T07:35:00Z,35,20.5,van-1\n" for d in range(1, 29)
    )
    path.write_text(f"Start,End,Duration,Energy (kWh),vehicle\n{body}")
    assert draft_file(path).source.kind == "sessions"


@pytest.mark.parametrize("rows_n", [1, 2, 20, 40, 41, 42])
def test_a_short_file_is_drafted(tmp_path: Path, rows_n: int) -> None:
    path = tmp_path / "van-1.csv"
    rows = "\n".join(ROWS.split("\n")[:rows_n])
    path.write_text(f"time,soc,pack_kw,speed\n{rows}\n")
    assert "pack_power_kw" in draft_file(path).source.columns


def test_charges_that_overlap_are_not_one_vehicle(tmp_path: Path) -> None:
    rows = "".join(
        f"2026-01-{d:02d}T0{p}:00:00Z,2026-01-{d:02d}T0{p + 2}:00:00Z,plug {p},20\n"
        for d in range(1, 29)
        for p in (1, 2)
    )
    path = tmp_path / "charges.csv"
    path.write_text("start,end,outlet,energy_kwh\n" + rows)
    draft = draft_file(path)
    assert draft.source.vehicle.column == "outlet"
    assert any("overlap" in doubt for doubt in draft.unsure["vehicle"])


def test_a_workbook_with_a_sheet_of_notes(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    book.add_worksheet("Notes").write_row(0, 0, ["Read", "me"])
    sheet = book.add_worksheet("Log")
    sheet.write_row(0, 0, ["Fleet export"])
    sheet.write_row(2, 0, ["time", "soc", "pack_kw", "speed"])
    for at, line in enumerate(ROWS.split("\n")):
        stamp, *numbers = line.split(",")
        sheet.write_row(3 + at, 0, [stamp, *map(float, numbers)])
    book.close()
    path = tmp_path / "van-1.xlsx"
    path.write_bytes(buffer.getvalue())
    draft = draft_file(path)
    assert (draft.source.sheet, draft.source.csv.skip_rows) == ("Log", 2)
    assert draft.source.columns["soc_pct"].column == "soc"


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("tg_van-01_2026-W03.csv.gz", "van-01"),
        ("2026-01-05_AB123.csv", "AB123"),
        ("export_2026-01-05.csv", None),
        ("log data.csv", None),
    ],
)
def test_the_vehicle_in_a_file_name(name: str, found: str | None) -> None:
    got = vehicle_in_name(name)
    assert (got.found if got else None) == found


def test_pattern_of_a_file_name() -> None:
    assert files_pattern("tg_van-01_2026-W03.csv.gz") == "tg_van-*_*-W*.csv.gz"
    assert files_pattern("a[1].csv") == "a[[]*[]].csv"


def test_the_command_says_what_is_unsure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "van-1.csv"
    path.write_text(f"time,soc,pack_kw,speed,mystery\n{ROWS.replace('Z,', ',')}\n")
    lines = [line + ",1.5" for line in ROWS.replace("Z,", ",").split("\n")]
    path.write_text("time,soc,pack_kw,speed,mystery\n" + "\n".join(lines) + "\n")
    out = tmp_path / "logger.toml"
    status, _, err = call(capsys, "draft", str(path), "--out", str(out))
    assert status == 1
    assert "time.zone" in err
    assert "column:mystery" in err
    assert tomllib.loads(out.read_text())["kind"] == "samples"
    status, _, err = call(capsys, "draft", str(path), "--out", str(out))
    assert (status, "DRAFT-03" in err) == (2, True)
    status, _, err = call(capsys, "draft", str(path), "--zone", "Mars/Base")
    assert (status, "IANA" in err) == (2, True)
    status, shown, _ = call(capsys, "draft", str(path), "--zone", "Europe/Stockholm")
    assert 'zone = "Europe/Stockholm"' in shown

"""Words of a person taken out of files of every kind, and nothing else touched."""

from __future__ import annotations

import gzip
import io
import tomllib
import zipfile
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest
import xlsxwriter
from fleets import FLEET_TOML, ROSTER_TOML, write_fleet

from pipeline.config import load_fleet
from pipeline.people.files import driver_without
from pipeline.people.rewrite import Remover
from pipeline.people.traces import _holds
from pipeline.people.words import pattern, person
from pipeline.source_config import Source

SOURCE = Source.model_validate(tomllib.loads(ROSTER_TOML))
DRIVERS = """
[drivers.7]
name = "Åsa Öst"
aliases = ["v1", "o'neil & co"]

[drivers.8]
name = "Åsa Östman"
"""


@pytest.fixture(scope="module")
def remover(tmp_path_factory: pytest.TempPathFactory) -> Remover:
    folder = write_fleet(tmp_path_factory.mktemp("w") / "fleet", FLEET_TOML, drivers=DRIVERS)
    return Remover(person(load_fleet(folder), "åsa öst"))


def made(remover: Remover, name: str, content: bytes, source: Source | None = SOURCE) -> bytes:
    found = remover.content(name, content, lambda _: source)
    assert found is not None
    return found


def test_short_words_numbers_and_names_of_things_are_not_taken_for_the_person(
    remover: Remover,
) -> None:
    assert remover.person.driver_id == "7"
    assert set(remover.person.words) == {"7", "Åsa Öst", "v1", "o'neil & co"}
    codes = {code for label in remover.person.labels for code in label.split()}
    assert set(remover.person.distinct) - codes == {"Åsa Öst", "o'neil & co"}


def test_a_roster_loses_the_driver_and_keeps_everything_else(remover: Remover) -> None:
    text = (
        "vehicle,from,to,driver,note\r\n"
        "v1,2026-01-07,7,7,7 of ÅSA ÖST\r\n"
        "v1,a,b, V1 ,\r\n"
        'v1,a,b,8,"Åsa Östman, 7"\r\n'
    )
    wanted = (
        "vehicle,from,to,driver,note\r\n"
        "v1,2026-01-07,7,forgotten,7 of forgotten\r\n"
        "v1,a,b,forgotten,\r\n"
        'v1,a,b,8,"Åsa Östman, 7"\r\n'
    )
    for encoding in ("utf-8", "utf-8-sig", "utf-16"):
        got = made(remover, "r.csv", text.encode(encoding))
        assert got.decode(encoding) == wanted
    latin = SOURCE.model_copy(update={"csv": SOURCE.csv.model_copy(update={"encoding": "latin-1"})})
    assert made(remover, "r.csv", text.encode("latin-1"), latin) == wanted.encode("latin-1")
    packed = made(remover, "r.csv.gz", gzip.compress(text.encode()))
    assert gzip.decompress(packed) == wanted.encode()


def test_other_exports_keep_their_bytes(remover: Remover) -> None:
    rows = b"vehicle,time,soc\nv1,7,7\n"
    assert made(remover, "log.csv", rows, None) == rows
    assert made(remover, "log.csv.gz", packed := gzip.compress(rows), None) == packed
    broken = b"\x1f\x8b not gzip"
    assert made(remover, "log.csv.gz", broken, None) == broken


def test_json_by_key_and_by_word(remover: Remover) -> None:
    text = '[{"driver": "7", "km": "7", "who": "\\u00c5sa \\u00d6st"}, {"driver": "8"}]'
    got = made(remover, "r.json", text.encode())
    assert got == b'[{"driver": "forgotten", "km": "7", "who": "forgotten"}, {"driver": "8"}]'


def test_zstd_and_zip(remover: Remover) -> None:
    out = pa.BufferOutputStream()
    with pa.CompressedOutputStream(out, "zstd") as stream:
        stream.write("driver\nÅsa Öst\n".encode())
    got = made(remover, "r.csv.zst", out.getvalue().to_pybytes())
    with pa.input_stream(io.BytesIO(got), compression="zstd") as stream:
        assert bytes(stream.read()) == b"driver\nforgotten\n"
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w") as new:
        new.writestr("Åsa Öst/a.csv", "driver\n7\n")
        new.writestr("b.csv", "driver\n8\n")
        new.writestr("c.bin", "Åsa Öst".encode())
    with zipfile.ZipFile(io.BytesIO(made(remover, "r.zip", archive.getvalue()))) as got_zip:
        contents = {name: got_zip.read(name) for name in got_zip.namelist()}
    # A member that cannot be rewritten is left out.
    assert contents == {"forgotten/a.csv": b"driver\nforgotten\n", "b.csv": b"driver\n8\n"}


def test_parquet_words_and_numbers(remover: Remover) -> None:
    frame = pl.DataFrame(
        {
            "driver": [7, 8],
            "km": [7, 7],
            "note": pl.Series(["Åsa Öst", None], dtype=pl.Categorical),
        }
    )
    out = io.BytesIO()
    frame.write_parquet(out)
    got = pl.read_parquet(io.BytesIO(made(remover, "r.parquet", out.getvalue())))
    assert got["driver"].to_list() == [None, 8]
    assert got["km"].to_list() == [7, 7]
    assert got["note"].to_list() == ["forgotten", None]


def test_what_cannot_be_rewritten_comes_back_as_none(remover: Remover) -> None:
    held = "Åsa Öst".encode("utf-16-le")
    assert remover.content("r.xls", b"\xd0\xcf" + held, lambda _: SOURCE) is None
    assert remover.content("r.xls", b"\xd0\xcf nobody", lambda _: SOURCE) is not None
    book = io.BytesIO()
    with xlsxwriter.Workbook(book, {"in_memory": True}) as workbook:
        workbook.add_worksheet().write_row(0, 0, ["driver", 7])
    # 7 is a number like any other in a workbook: the file goes rather than the wrong cells.
    assert remover.content("r.xlsx", book.getvalue(), lambda _: SOURCE) is None


def test_bombs_and_broken_tables_end_in_no_traceback(
    remover: Remover, monkeypatch: pytest.MonkeyPatch
) -> None:
    wide = b'driver\n"' + b"x" * 200_000 + '"\nÅsa Öst\n'.encode()
    assert remover.content("r.csv", wide, lambda _: SOURCE) is None, "csv reads no such field"
    monkeypatch.setattr("pipeline.people.unpacked.MOST_BYTES", 1000)
    bomb = gzip.compress(b"driver\n" + b"0" * 5000)
    assert made(remover, "r.csv.gz", bomb) == bomb
    archive = io.BytesIO()
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as new:
        new.writestr("a.csv", "0" * 5000)
    assert made(remover, "r.zip", archive.getvalue()) == archive.getvalue()
    assert _holds(remover, "r.csv.gz", bomb), "named for somebody to look at"


def test_html_and_xml_spellings() -> None:
    found = pattern(("o'neil & co",))
    for text in ("o'neil & co", "O&#39;Neil &amp; Co", "o'neil &amp; co", "o&#x27;neil &amp; co"):
        assert found.sub("-", f"x {text}, y") == "x -, y"
    assert pattern(()).sub("-", "anything at all") == "anything at all"


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("[drivers.a]\nname = 'A'\n[drivers.b] # Bo\nname = 'Bo Sand'\n", "[drivers.a]"),
        ("[drivers]\na = { name = 'A' }\nb = { name = 'Bo Sand' }\n", "[drivers.a]"),
        ("drivers.b.name = 'Bo Sand'\ndrivers.a.name = 'A'\n", "[drivers.a]"),
        (
            "# kept, Bo Sand\n[drivers.\"b\"]\nname = 'Bo Sand'\n\n[drivers.a]\nname = 'A'\n",
            "# kept",
        ),
    ],
)
def test_drivers_toml_loses_the_entry_however_it_is_written(
    tmp_path: Path, text: str, left: str
) -> None:
    folder = write_fleet(tmp_path / "fleet", FLEET_TOML, drivers=text)
    fleet = load_fleet(folder)
    driver_without(fleet, Remover(person(fleet, "Bo Sand")))
    made_text = (folder / "drivers.toml").read_text()
    assert "Bo" not in made_text and left in made_text
    assert load_fleet(folder).drivers == {"a": fleet.drivers["a"]}

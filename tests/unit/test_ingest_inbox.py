"""Which files of the inbox are looked at, under which name, and by which source."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.ingest.inbox import list_inbox, matching_sources, member_fits, safe_name
from pipeline.source_config import Source
from tests.small_fleet import drop, opened, row, take_in, text, write_fleet


def source(*files: str, members: tuple[str, ...] = ("*",)) -> Source:
    return Source.model_validate(
        {
            "kind": "samples",
            "files": files,
            "members": members,
            "vehicle": {"value": "a"},
            "columns": {"sampled_at": {"column": "t"}},
        }
    )


@pytest.mark.parametrize(
    ("name", "pattern", "fits"),
    [
        ("VAN_1.CSV", "van_*.csv", True),
        ("van_1.csv", "VAN_*.CSV", True),
        ("depot/van_1.csv", "van_*.csv", True),
        ("depot/van_1.csv", "depot/*.csv", True),
        ("other/van_1.csv", "depot/*.csv", False),
        ("van_1.csv.gz", "van_*.csv", False),
    ],
)
def test_patterns(name: str, pattern: str, fits: bool) -> None:
    assert matching_sources(name, {"s": source(pattern)}) == (["s"] if fits else [])


def test_all_sources_that_fit_are_named_in_order() -> None:
    sources = {"b": source("*.csv"), "a": source("van*"), "c": source("x*")}
    assert matching_sources("van.csv", sources) == ["a", "b"]


def test_members_fit_by_whole_or_bare_name() -> None:
    assert member_fits("deep/Van_1.csv", source("*", members=("van_*",)))
    assert not member_fits("deep/readme.txt", source("*", members=("van_*", "*.csv")))


def test_listing_is_sorted_and_stays_inside(tmp_path: Path) -> None:
    for name in ("b.csv", "a/z.csv", "a/.hidden/x.csv", ".git/x.csv", "c.csv.PART", "d.tmp"):
        drop(tmp_path, name, "x")
    (tmp_path / "inbox" / "alias.csv").symlink_to(tmp_path / "inbox" / "b.csv")
    files, problems = list_inbox(tmp_path / "inbox")
    assert [file.name for file in files] == ["a/z.csv", "alias.csv", "b.csv"]
    assert problems == []


def test_safe_names_are_printable_and_keep_what_is_fine() -> None:
    assert safe_name("Åre/van 1.csv") == "Åre/van 1.csv"
    assert safe_name("a\nb\u202ec") == "a\\u000ab\\u202ec"


def test_an_inbox_that_is_itself_a_link_is_fine(tmp_path: Path) -> None:
    folder = write_fleet(tmp_path / "fleet")
    (folder / "inbox").rmdir()
    (tmp_path / "elsewhere").mkdir()
    (folder / "inbox").symlink_to(tmp_path / "elsewhere")
    drop(folder, "van_a.csv", text(row(0)))
    with opened(folder) as (con, fleet):
        assert take_in(con, fleet).rows_used_n == 1

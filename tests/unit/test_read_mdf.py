"""Measurement files: ASAM MDF 4, written by `asammdf` (an outside check) and read back by us."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.ingest import mdf_worker, read_mdf
from pipeline.ingest.mdf_worker import HOLD_S, UnusableError, merge, table
from pipeline.problems import ColdMinutesError
from pipeline.source_config import ColumnMap, Source, TimeFormat, VehicleKey
from tests.small_fleet import write_fleet

needs_library = pytest.mark.skipif(
    importlib.util.find_spec("asammdf") is None,
    reason="the extra 'mdf' is not installed",
)
START = datetime(2026, 1, 12, 6, 0, 0, 250_000, tzinfo=UTC)
GB = 1e9


def source(zone: str = "UTC", **columns: str) -> Source:
    mapped = {"sampled_at": "mdf_time", **columns}
    return Source(
        kind="samples",
        files=("*.mf4",),
        vehicle=VehicleKey(value="v1"),
        time=TimeFormat(zone=zone),
        columns={name: ColumnMap(column=column) for name, column in mapped.items()},
    )


class Recording:
    """A measurement in the making."""

    def __init__(self, path: Path) -> None:
        from asammdf import MDF

        self.path = path
        self.file = MDF(version="4.10")
        self.file.header.start_time = START

    def group(self, seconds: Any, title: str = "", **channels: Any) -> None:
        """A channel group of one rate."""
        from asammdf import Signal

        signals = [
            Signal(np.asarray(samples), np.asarray(seconds, dtype=float), name=name,
                   encoding="utf-8" if np.asarray(samples).dtype.kind == "S" else None)
            for name, samples in channels.items()
        ]  # fmt: skip
        self.file.append(signals, acq_name=title)

    def save(self, compression: int = 0) -> Path:
        self.file.save(self.path, overwrite=True, compression=compression)
        self.file.close()
        return self.path


@pytest.fixture
def recording(tmp_path: Path) -> Iterator[Recording]:
    yield Recording(tmp_path / "van-1.mf4")


def rows(path: Path, *columns: str, zone: str = "UTC", max_bytes: float = GB) -> pl.DataFrame:
    """What the worker makes of a file, in this process."""
    temp = path.parent / "temp"
    return table(path, ["mdf_time", *columns], zone, temp, max_bytes)


def read(path: Path, of: Source, rows_n: int = 1000, max_gb: float = 1.0) -> pl.DataFrame:
    """What the reader yields, from its process."""
    temp = path.parent / "temp"
    parts = list(read_mdf.batches(path, path.name, "logger", of, temp, max_gb, rows_n))
    assert list(temp.iterdir()) == [], "something was left behind"
    assert all(part.height <= rows_n for part in parts)
    return pl.concat(parts)


@needs_library
def test_arrays_written_by_the_library_come_back(recording: Recording) -> None:
    """Outside check: asammdf writes, we read; values, instants and row numbers are the arrays'."""
    rng = np.random.default_rng(4)
    seconds = np.cumsum(rng.uniform(0.5, 2.0, 2500))
    soc, power = rng.uniform(0, 100, 2500), rng.normal(0, 50, 2500).astype(np.float32)
    plugged = (rng.random(2500) < 0.3).astype(np.uint8)
    recording.group(seconds, SOC=soc, Power=power, Plug=plugged)
    got = read(
        recording.save(compression=2),
        source(soc_pct="SOC", pack_power_kw="Power", is_connected="Plug"),
    )
    assert got.columns == ["file_row", "cell:mdf_time", "cell:SOC", "cell:Power", "cell:Plug"]
    assert got["file_row"].to_list() == list(range(1, 2501))
    np.testing.assert_array_equal(got["cell:SOC"].to_numpy(), soc)
    np.testing.assert_array_equal(got["cell:Power"].to_numpy(), power.astype(np.float64))
    np.testing.assert_array_equal(got["cell:Plug"].to_numpy(), plugged)
    stamps = got["cell:mdf_time"].str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_zone="UTC")
    expected = [START + timedelta(microseconds=round(second * 1e6)) for second in seconds]
    assert stamps.to_list() == expected


@needs_library
def test_rows_come_out_as_the_mapping_wants_them(recording: Recording) -> None:
    """From the reader's cells to samples of ours."""
    from pipeline.config import load_fleet
    from pipeline.ingest.mapping import Mapper

    recording.group([0.0, 1.0], SOC=[40.0, 41.0], Mode=np.array([b"DC", b"none"]))
    of = source(soc_pct="SOC", charge_mode="Mode")
    got = rows(recording.save(), "SOC", "Mode")
    got = got.select(pl.all().name.prefix("cell:")).with_row_index("file_row", 1)
    folder = write_fleet(recording.path.parent / "fleet")
    fleet = load_fleet(folder).model_copy(update={"sources": {"logger": of}})
    now = datetime(2026, 2, 1, tzinfo=UTC)
    mapped = Mapper(fleet, "logger", "van-1.mf4", "van-1.mf4", ".mf4", now, True).map(got)
    assert mapped.quarantine.is_empty()
    assert mapped.rows["sampled_at"].to_list() == [START, START + timedelta(seconds=1)]
    assert mapped.rows["soc_pct"].to_list() == [40.0, 41.0]
    assert mapped.rows["charge_mode"].to_list() == ["dc", None]


@needs_library
def test_groups_of_different_rates_share_an_axis(recording: Recording) -> None:
    recording.group([0.0, 1.0, 2.0], Power=[10.0, 11.0, 12.0])
    recording.group([0.5, 100.0], SOC=[40.0, 41.0])
    got = rows(recording.save(), "Power", "SOC")
    seconds = [0.0, 0.5, 1.0, 2.0, 100.0]
    assert got["mdf_time"].to_list() == [
        f"{START + timedelta(seconds=s):%Y-%m-%dT%H:%M:%S.%f}Z" for s in seconds
    ]
    assert got["Power"].to_list() == [10.0, 10.0, 11.0, 12.0, None]
    assert got["SOC"].to_list() == [None, 40.0, 40.0, 40.0, 41.0]


def test_a_value_is_held_for_a_minute_and_no_longer() -> None:
    assert HOLD_S == 60
    axis = [0, 59_999_999, 60_000_000, 60_000_001]
    held = pl.DataFrame({"at_us": [0], "a": [7.0]})
    got = merge([held, pl.DataFrame({"at_us": axis, "b": [1.0, 2.0, 3.0, 4.0]})])
    assert got["at_us"].to_list() == axis
    assert got["a"].to_list() == [7.0, 7.0, 7.0, None]


def test_no_value_is_held_backwards_and_the_later_of_two_counts() -> None:
    one = pl.DataFrame({"at_us": [5, 10, 10, 3], "a": [1.0, 2.0, 3.0, 0.0]})
    got = merge([one, pl.DataFrame({"at_us": [0, None], "b": [9.0, 8.0]})])
    assert got["at_us"].to_list() == [0, 3, 5, 10, None]
    assert got["a"].to_list() == [None, 0.0, 1.0, 3.0, None]
    assert got["b"].to_list() == [9.0, 9.0, 9.0, 9.0, 8.0], "a row without an instant is kept"


@needs_library
def test_a_start_in_local_time_is_of_the_zone_told(recording: Recording) -> None:
    """Over the autumn night: seconds go on, whatever the clock on the wall does."""
    recording.file.header.start_time = datetime(2025, 10, 26, 0, 30)
    recording.group([0.0, 7200.0, 10_800.0], SOC=[1.0, 2.0, 3.0])
    got = rows(recording.save(), "SOC", zone="Europe/Stockholm")
    assert [stamp[:16] for stamp in got["mdf_time"]] == [
        "2025-10-25T22:30", "2025-10-26T00:30", "2025-10-26T01:30",
    ]  # fmt: skip


@needs_library
def test_a_start_with_an_offset_is_an_instant(recording: Recording) -> None:
    recording.file.header.start_time = datetime(
        2026, 1, 12, 7, 0, tzinfo=timezone(timedelta(hours=5))
    )
    recording.group([0.0], SOC=[1.0])
    got = rows(recording.save(), "SOC", zone="Europe/Stockholm")
    assert got["mdf_time"].to_list() == ["2026-01-12T02:00:00.000000Z"]


@needs_library
def test_conversions_of_the_file_are_applied_and_invalid_values_are_none(
    recording: Recording,
) -> None:
    from asammdf import Signal

    seconds = np.array([0.0, 1.0, 2.0])
    raw = np.array([40, 41, 255], dtype=np.uint8)
    words = {"val_0": 0, "text_0": b"AC", "val_1": 1, "text_1": b"DC", "default_addr": b"none"}
    recording.file.append(
        [
            Signal(raw, seconds, name="Cell", conversion={"a": 1.0, "b": -40.0}),
            Signal(np.array([0, 1, 5], dtype=np.uint8), seconds, name="Mode", conversion=words),
            Signal(
                np.array([1.0, 2.0, 3.0]),
                seconds,
                name="SOC",
                invalidation_bits=np.array([False, True, False]),
            ),
        ]
    )
    got = rows(recording.save(), "Cell", "Mode", "SOC")
    assert got["Cell"].to_list() == [0.0, 1.0, 215.0]
    assert got["Mode"].to_list() == ["AC", "DC", "none"]
    assert got["SOC"].to_list() == [1.0, None, 3.0]


@needs_library
@pytest.mark.parametrize("is_nested", [False, True])
def test_formulas_of_a_file_are_never_worked_out(
    recording: Recording, monkeypatch: pytest.MonkeyPatch, is_nested: bool
) -> None:
    from asammdf import Signal
    from asammdf.blocks import v4_blocks
    from asammdf.blocks.conversion_utils import from_dict

    def worked_out(*_: object, **__: object) -> None:
        raise AssertionError("a formula was worked out")

    formula: dict[str, Any] = {"formula": "X1 * 2"}
    if is_nested:
        formula = {
            "lower_0": 0.0, "upper_0": 100.0, "text_0": from_dict(formula), "default_addr": b"none"
        }  # fmt: skip
    seconds = np.array([0.0, 1.0])
    recording.file.append(
        [
            Signal(np.array([1.0, 2.0]), seconds, name="Twice", conversion=formula),
            Signal(np.array([1.0, 2.0]), seconds, name="SOC"),
        ]
    )
    path = recording.save()
    monkeypatch.setattr(v4_blocks, "evaluate", worked_out)
    with pytest.raises(UnusableError, match="formula") as refused:
        rows(path, "Twice")
    assert refused.value.kind == "columns"
    assert rows(path, "SOC")["SOC"].to_list() == [1.0, 2.0], "the others are not lost"


@needs_library
def test_attachments_are_not_opened(recording: Recording, monkeypatch: pytest.MonkeyPatch) -> None:
    from asammdf.blocks.v4_blocks import AttachmentBlock

    def opened(*_: object, **__: object) -> None:
        raise AssertionError("an attachment was opened")

    recording.group([0.0, 1.0], SOC=[1.0, 2.0])
    recording.file.attach(b"import os", file_name="../../run_me.py", embedded=True)
    path = recording.save()
    monkeypatch.setattr(AttachmentBlock, "extract", opened)
    assert rows(path, "SOC").height == 2
    assert {p.name for p in path.parent.iterdir()} == {"van-1.mf4", "temp"}


@needs_library
def test_the_mapping_that_does_not_fit_is_told_what_there_is(recording: Recording) -> None:
    recording.group([0.0, 1.0], SOC=[1.0, 2.0], Power=[1.0, 2.0])
    with pytest.raises(ColdMinutesError) as refused:
        read(recording.save(), source(soc_pct="Charge"))
    (problem,) = refused.value.problems
    assert problem.code == "INGEST-04"
    assert "lacks the channel 'Charge'; it has 'mdf_time', 'Power', 'SOC'" in problem.message
    assert "sources/logger.toml" in problem.remedy


@needs_library
def test_a_channel_of_several_groups_is_named_with_its_group(recording: Recording) -> None:
    recording.group([0.0, 1.0], title="fast", SOC=[1.0, 2.0])
    recording.group([0.0, 1.0], title="slow", SOC=[3.0, 4.0])
    recording.group([0.0, 1.0], SOC=[5.0, 6.0])
    path = recording.save()
    with pytest.raises(UnusableError, match="name one of 'fast/SOC', 'slow/SOC', '2/SOC'"):
        rows(path, "SOC")
    assert rows(path, "slow/SOC")["slow/SOC"].to_list() == [3.0, 4.0]
    assert rows(path, "2/SOC")["2/SOC"].to_list() == [5.0, 6.0]


@needs_library
def test_a_channel_over_distance_has_no_instants(recording: Recording) -> None:
    from asammdf import Signal

    recording.file.append(
        [Signal(np.array([1.0, 2.0]), np.array([0.0, 1.0]), name="SOC", master_metadata=("way", 3))]
    )
    with pytest.raises(UnusableError, match="not recorded over time"):
        rows(recording.save(), "SOC")


@needs_library
def test_tables_in_a_channel_are_refused(recording: Recording) -> None:
    cells = np.zeros(2, dtype=[("Cells", "<f8", (4,))])  # as the library wants arrays
    recording.group([0.0, 1.0], Cells=cells, SOC=[1.0, 2.0])
    with pytest.raises(UnusableError, match="plain values"):
        rows(recording.save(), "Cells")


@needs_library
def test_more_than_the_limit_is_refused_before_it_is_read(
    recording: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    recording.group(np.arange(1000.0), SOC=np.ones(1000))
    path = recording.save()
    assert rows(path, "SOC", max_bytes=16_000).height == 1000

    def read_anyway(*_: object) -> None:
        raise AssertionError("it was read")

    monkeypatch.setattr(mdf_worker, "_group", read_anyway)
    with pytest.raises(UnusableError) as refused:
        rows(path, "SOC", max_bytes=15_999)
    assert refused.value.kind == "large"


DAMAGED = """
import json, runpy, sys
from pathlib import Path
table = runpy.run_path(sys.argv[2])["table"]
folder, found = Path(sys.argv[1]), {}
for path in sorted(folder.glob("*.mf4")):
    try:
        frame = table(path, ["mdf_time", "SOC"], "UTC", folder / "temp", 1e7)
        found[path.name] = frame.height
    except Exception as error:
        found[path.name] = type(error).__name__
(folder / "found.json").write_text(json.dumps(found))
"""


@needs_library
def test_damaged_files_end_in_words(recording: Recording, tmp_path: Path) -> None:
    """Cut at places all over the file, or bytes changed: an error or plain rows, and no crash.

    All in one process of their own, because what the library leaves half-made complains later.
    """
    recording.group(np.arange(200.0), SOC=np.linspace(20, 80, 200), Power=np.full(200, 50.0))
    whole = recording.save().read_bytes()
    rng = np.random.default_rng(7)
    folder = tmp_path / "damaged"
    folder.mkdir()
    for trial in range(40):
        content = bytearray(whole)
        if trial % 2:
            del content[int(rng.integers(64, len(content))) :]
        else:
            at = int(rng.integers(64, min(2000, len(content))))
            content[at : at + 8] = rng.bytes(8)
        (folder / f"{trial}.mf4").write_bytes(content)
    paths = os.pathsep.join(filter(None, sys.path))
    done = subprocess.run(
        [sys.executable, "-c", DAMAGED, str(folder), mdf_worker.__file__],
        env={**os.environ, "PYTHONPATH": paths}, timeout=60, capture_output=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads((folder / "found.json").read_text()).values()
    assert sum(isinstance(end, str) for end in found) > 10, "most damage must be seen"
    assert all(end <= 400 for end in found if isinstance(end, int))


@needs_library
def test_a_truncated_file_is_refused_as_such(recording: Recording) -> None:
    recording.group(np.arange(5000.0), SOC=np.ones(5000))
    path = recording.save()
    whole = path.read_bytes()
    path.write_bytes(whole[: int(0.9 * len(whole))])
    with pytest.raises(ColdMinutesError) as refused:
        read(path, source(soc_pct="SOC"))
    assert refused.value.problems[0].code == "INGEST-02"


@needs_library
def test_blocks_in_a_circle_come_to_an_end(
    recording: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such a file would be followed for ever; nothing but the end of patience stops it."""
    recording.group([0.0, 1.0], SOC=[1.0, 2.0])
    path = recording.save()
    content = bytearray(path.read_bytes())
    # DGBLOCK: id, reserved, length, number of links; its first link is the next DGBLOCK.
    at = content.index(b"##DG")
    content[at + 24 : at + 32] = at.to_bytes(8, "little")
    path.write_bytes(content)
    monkeypatch.setattr(read_mdf, "PATIENCE_S", 1)
    monkeypatch.setattr(read_mdf, "MEMORY_BYTES", 2_000_000_000)
    with pytest.raises(ColdMinutesError) as refused:
        read(path, source(soc_pct="SOC"))
    assert refused.value.problems[0].code in ("INGEST-02", "INGEST-08")


def test_without_the_library_the_extra_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "van-1.mf4"
    path.write_bytes(b"MDF     4.10    " + bytes(200))
    monkeypatch.setattr(read_mdf, "LIBRARY", "no_such_library_at_all")
    with pytest.raises(ColdMinutesError) as refused:
        read(path, source(soc_pct="SOC"))
    (problem,) = refused.value.problems
    assert (problem.code, refused.value.exit_code) == ("MDF-01", 3)
    assert "needs the extra: pip install coldminutes[mdf]" in problem.message


@pytest.mark.parametrize(
    ("head", "says"),
    [
        (b"PK\x03\x04" + bytes(100), "does not begin as one"),
        (b"MDF     4.10", "does not begin as one"),
        (b"MDF     3.30    " + bytes(100), "version '3.30'"),
    ],
)
def test_what_is_no_mdf_4_is_refused_without_opening_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, head: bytes, says: str
) -> None:
    path = tmp_path / "van-1.mf4"
    path.write_bytes(head)
    monkeypatch.setattr(read_mdf, "LIBRARY", "json")  # there, and never asked
    with pytest.raises(ColdMinutesError) as refused:
        list(read_mdf.batches(path, path.name, "x", source(soc_pct="SOC"), tmp_path / "t", 1.0))
    assert refused.value.problems[0].code == "INGEST-02"
    assert says in refused.value.problems[0].message
    assert not (tmp_path / "t").exists()


def test_an_empty_file_yields_nothing(tmp_path: Path) -> None:
    path = tmp_path / "van-1.mf4"
    path.write_bytes(b"")
    assert list(read_mdf.batches(path, path.name, "x", source(), tmp_path, 1.0)) == []

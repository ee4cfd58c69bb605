"""A run shared out over workers ends in the tables of a run on one machine."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from fleets import MONDAY, NOW, SAMPLES_TOML, drive_and_charge, drop, nav, write_fleet

from pipeline.config import load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.ingest import IngestReport
from pipeline.problems import ColdMinutesError
from pipeline.scale.cluster import cluster_of
from pipeline.scale.independent import KEPT, Claims, dependent_parts
from pipeline.scale.storage import Storage, partition, run_storage
from pipeline.scale.worker import IntakeJob, take_in_part
from pipeline.scale_config import Scale
from tests.scaled import assert_same_tables, shared_out, without_cluster

BY_NAME = SAMPLES_TOML.replace("log_*.csv", "tg_*.csv").replace(
    'column = "vehicle"', "file_name = 'tg_(v\\d+)_'", 1
)
SUNDAY_NIGHT = datetime(2026, 1, 18, 22, 50, tzinfo=UTC)  # ten minutes before Monday in Stockholm


def filled(folder: Path) -> Path:
    """Five vehicles over two weeks, with all that pieces of work cannot settle on their own."""
    write_fleet(folder)
    (folder / "sources" / "tg.toml").write_text(BY_NAME, encoding="utf-8")
    for vehicle in ("v1", "v2"):
        for number, start in enumerate((MONDAY, SUNDAY_NIGHT), 1):
            drop(folder, charge(vehicle, start), f"tg_{vehicle}_{number}.csv")
    for vehicle in ("v3", "v4", "v5"):
        drop(folder, charge(vehicle, MONDAY), f"log_{vehicle}.csv")
    # The same time of v3 again, with one value that contradicts and a minute that is new.
    again = charge("v3", MONDAY).tail(12)
    again = again.with_columns(
        soc=pl.when(pl.int_range(pl.len()) == 4).then(pl.col("soc") + 3).otherwise("soc")
    )
    drop(folder, again, "log_v3_again.csv")
    drop(folder, charge("v4", MONDAY), "log_v4_copy.csv")
    broken = charge("v2", MONDAY + timedelta(days=1)).cast({"soc": pl.String})
    broken = broken.with_columns(
        soc=pl.when(pl.int_range(pl.len()) == 7).then(pl.lit("x")).otherwise("soc")
    )
    drop(folder, broken, "tg_v2_3.csv")
    (folder / "inbox" / "tg_v1_4.csv").write_text("nothing,of,use\n1,2,3\n", encoding="utf-8")
    (folder / "inbox" / "tg_nobody.csv").write_text("vehicle,time\n", encoding="utf-8")
    (folder / "inbox" / "unknown.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    nav(folder, (MONDAY + timedelta(minutes=70), "set", True), vehicle="v1")
    return folder


def charge(vehicle: str, start: datetime) -> pl.DataFrame:
    return drive_and_charge(
        plug_in=start, vehicle=vehicle, interval_s=30, heater=(-30, 0), cell_arrival_degc=15
    )


def computed(folder: Path, now: datetime = NOW) -> tuple[IngestReport, list[str]]:
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        return take_in(con, fleet, now), compute(con, fleet)


@pytest.fixture(scope="module")
def alone(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The fleet before any run."""
    return filled(tmp_path_factory.mktemp("alone") / "fleet")


def in_two_runs(folder: Path) -> list[tuple[IngestReport, list[str]]]:
    """Take the fleet in, some of its files only with a second run."""
    later = ["tg_v1_2.csv", "log_v3_again.csv", "log_v4.csv", "tg_v2_3.csv", "log_v5.csv"]
    for name in later:
        (folder / "inbox" / name).rename(folder / name)
    first = computed(folder)
    for name in later:
        (folder / name).rename(folder / "inbox" / name)
    return [first, computed(folder)]


def test_shared_out_runs_end_in_the_same_tables_and_the_same_report(
    alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second run needs samples that no piece of it brought: they are copied out first."""
    cluster = without_cluster(monkeypatch)
    # A charge straddles Monday: each week then needs samples of a week that is not its own.
    monkeypatch.setattr("pipeline.scale.computing.WEEKS_N", 1)
    one, many = tmp_path / "one", tmp_path / "many"
    shutil.copytree(alone, one)
    shared_out(alone, many)
    expected, found = in_two_runs(one), in_two_runs(many)
    assert_same_tables(one, many)
    assert found == expected
    assert [weeks for _, weeks in found] == [["2026-W03", "2026-W04"]] * 2
    told = [sorted(file.name for file in job.files) for job in cluster.jobs if is_intake(job)]
    assert told == [
        ["tg_v1_1.csv", "tg_v1_4.csv", "tg_v2_1.csv", "tg_v2_2.csv"],
        ["log_v3.csv"],
        ["log_v4_copy.csv"],
        # The second run tries the broken one again, as a run on one machine does.
        ["tg_v1_2.csv", "tg_v1_4.csv", "tg_v2_3.csv"],
        ["log_v3_again.csv"],
        ["log_v4.csv"],
        ["log_v5.csv"],
    ]
    assert sum(not is_intake(job) for job in cluster.jobs) == 3 + 3
    assert not [path for path in (tmp_path / "shared").rglob("*") if path.is_file()]


def is_intake(job: object) -> bool:
    return isinstance(job, IntakeJob)


def test_a_look_in_memory_is_not_shared_out(
    alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    cluster = without_cluster(monkeypatch)
    fleet = load_fleet(shared_out(alone, tmp_path / "many"))
    with warehouse_of(fleet, in_memory=True) as con:
        take_in(con, fleet, NOW)
    assert cluster.jobs == []
    assert not (tmp_path / "shared").exists()


def test_a_broken_off_run_leaves_nothing_to_the_next(alone: Path, tmp_path: Path) -> None:
    fleet = load_fleet(shared_out(alone, tmp_path / "many"))
    left = run_storage(fleet)
    left.write("samples", pl.DataFrame({"a": [1]}))
    other = Storage(f"{tmp_path}/shared/coldminutes-of-another-fleet/run-1")
    other.write("samples", pl.DataFrame({"a": [1]}))
    run_storage(fleet)
    assert list((tmp_path / "shared").rglob("samples/*.parquet")) != []
    assert not Path(left.url).exists()
    assert Path(other.url).exists()


def test_an_object_store_keeps_what_a_folder_keeps() -> None:
    """fsspec's own store in memory stands for any object store."""
    storage = Storage("memory://bucket/fleet/run-1")
    frame = pl.DataFrame({"at": [datetime(2026, 1, 1, tzinfo=UTC)], "kw": [1.5]})
    first, second = (storage.write("samples/vehicle=a", frame) for _ in range(2))
    assert first != second
    assert storage.read(first).equals(frame)
    assert [run.url for run in Storage("memory://bucket/fleet").runs()] == [storage.url]
    storage.remove()
    assert list(Storage("memory://bucket/fleet").runs()) == []


@pytest.mark.parametrize("name", ["../../etc", "a/b", "a\x00b", "ä" * 300, "..", "a=b?c#d"])
def test_hostile_names_stay_inside_their_partition(name: str) -> None:
    place = partition(name, "2026-W03")
    assert place.count("/") == 2
    assert len(place.split("/")[1]) < 100
    assert "\x00" not in place
    assert "?" not in place


def test_storage_that_cannot_be_written_stops_before_anything_is_taken_in(
    alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    without_cluster(monkeypatch)
    many = shared_out(alone, tmp_path / "many")
    (tmp_path / "shared").write_text("a file, not a folder", encoding="utf-8")
    with pytest.raises(ColdMinutesError, match="SCALE-02") as error:
        computed(many)
    assert error.value.exit_code == 4
    fleet = load_fleet(many)
    with warehouse_of(fleet) as con:
        assert con.execute("select count(*) from files").fetchall() == [(0,)]


def test_a_run_that_fails_on_the_way_leaves_nothing_on_the_storage(
    alone: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Samples say where vehicles drove: they must not lie about where nobody looks for them."""
    without_cluster(monkeypatch)
    many = shared_out(alone, tmp_path / "many")

    def failing(*_arguments: object) -> None:
        assert list((tmp_path / "shared").rglob("*.parquet")) != []
        raise KeyboardInterrupt

    monkeypatch.setattr("pipeline.scale.intake._merge", failing)
    with pytest.raises(KeyboardInterrupt):
        computed(many)
    assert not list((tmp_path / "shared").rglob("*.parquet"))


def test_a_worker_without_the_fleets_folder_says_so(tmp_path: Path) -> None:
    job = IntakeJob(tmp_path / "nowhere", (), {}, NOW, Storage(str(tmp_path)))
    with pytest.raises(ColdMinutesError, match="SCALE-04"):
        take_in_part(job)


def test_without_the_extra_the_message_names_it(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "prefect_dask.task_runners", None)
    monkeypatch.setitem(sys.modules, "prefect_dask", None)
    with (
        pytest.raises(ColdMinutesError, match=r"SCALE-01.*\n.*coldminutes\[scale\]"),
        cluster_of(Scale(storage="x")),
    ):
        pass


@pytest.mark.parametrize("scheduler", ["", "localhost", "tcp://host", "http://h:1", "tcp://a b:1"])
def test_scheduler_is_local_or_an_address(scheduler: str) -> None:
    with pytest.raises(ValueError, match="expected 'local', or an address"):
        Scale(scheduler=scheduler, storage="x")


def test_storage_holds_no_password() -> None:
    with pytest.raises(ValueError, match="secrets come from the environment"):
        Scale(storage="s3://key:secret@bucket/folder")


HOUR = timedelta(hours=1)


def claims(
    *spans: tuple[int, str, float, float],
    contents: list[tuple[int, str]] | None = None,
    judged: list[tuple[int, str]] | None = None,
) -> Claims:
    return Claims(
        pl.DataFrame(
            [(part, v, MONDAY + a * HOUR, MONDAY + b * HOUR) for part, v, a, b in spans],
            schema=["part_no", "vehicle_id", "first_at", "last_at"],
            orient="row",
        ),
        pl.DataFrame(
            [(part, sha, "log") for part, sha in contents or []],
            schema={"part_no": pl.Int64, "content_sha256": pl.String, "source_id": pl.String},
            orient="row",
        ),
        pl.DataFrame(judged or [], schema={"part_no": pl.Int64, "rule": pl.String}, orient="row"),
    )


@pytest.mark.parametrize(
    ("told", "dependent"),
    [
        (claims((0, "a", 0, 1), (1, "a", 1.5, 2)), set()),
        (claims((0, "a", 0, 1), (1, "a", 1, 2)), {0, 1}),  # they meet in one instant
        (claims((0, "a", 0, 1), (1, "b", 0, 1)), set()),
        (claims((0, "a", 0, 9), (0, "a", 1, 2), (1, "a", 8, 10)), {0, 1}),  # under a long one
        (claims((0, "a", 0, 2), (0, "a", 1, 3)), set()),  # a piece settles its own
        (claims((KEPT, "a", 0, 1), (0, "a", 0.5, 2), (1, "a", 3, 4)), {0}),
        (claims((0, "a", 0, 1), (1, "b", 0, 1), contents=[(0, "x"), (1, "x")]), {0, 1}),
        (claims((0, "a", 0, 1), contents=[(0, "x"), (0, "x")]), set()),
        (claims((0, "a", 0, 1), contents=[(KEPT, "x"), (0, "x")]), {0}),
        (claims((0, "a", 0, 1), (1, "a", 2, 3), judged=[(0, "clock_jump")]), {0}),
        (claims((0, "a", 0, 1), (1, "b", 2, 3), judged=[(0, "clock_jump")]), set()),
        (claims((0, "a", 0, 1), (1, "a", 2, 3), judged=[(0, "not_a_number")]), set()),
    ],
)
def test_what_a_piece_of_work_may_settle_alone(told: Claims, dependent: set[int]) -> None:
    assert dependent_parts(told) == dependent

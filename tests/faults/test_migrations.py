"""A warehouse of every schema there ever was comes up to date, and loses nothing on the way.

The warehouses are made by the schema files themselves, which are frozen once they are released, so
that each is what a program of its time would have left.
"""

from __future__ import annotations

import math
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import fleets
import pytest

from pipeline.backup.store import listed, read_manifest
from pipeline.config import Limits, load_fleet
from pipeline.edition import compute, take_in, warehouse_of
from pipeline.health.facts import warehouse_facts
from pipeline.health.status import status_of
from pipeline.method import METHOD_VERSION, parameters
from pipeline.minutes import minutes
from pipeline.problems import ColdMinutesError
from pipeline.resources import folder as resource_folder
from pipeline.warehouse import newest_schema, open_warehouse
from pipeline.weekly import weekly

SCRIPTS = sorted((resource_folder("sql") / "schema").glob("*.sql"))
VERSIONS = [int(script.name[:4]) for script in SCRIPTS]
IN_CI = {1, 2, 9}
WEEK = "2026-W03"
NOW = datetime(2026, 2, 3, tzinfo=UTC)
FILLED = {
    "VARCHAR": "'word {n}'", "BIGINT": "{n}", "INTEGER": "{n}", "DOUBLE": "{n}.5",
    "BOOLEAN": "{n} % 2 = 0", "DATE": "date '2026-01-01' + {n}", "JSON": "'[]'",
    "TIMESTAMP WITH TIME ZONE": "timestamptz '2026-01-05 00:00:00+00' + to_hours({n})",
}  # fmt: skip
"""One value per type of column, other in each of two rows."""


def made_by(path: Path, version: int) -> duckdb.DuckDBPyConnection:
    """An empty warehouse of a schema, made as `open_warehouse` of its time did."""
    con = duckdb.connect(str(path))
    con.execute("set TimeZone = 'UTC'")
    con.execute(
        "create table if not exists schema_versions (version integer primary key, name varchar)"
    )
    for script in SCRIPTS:
        number = int(script.name[:4])
        if number <= version:
            con.execute(script.read_text(encoding="utf-8"))
            row = {"v": number, "n": script.stem}
            con.execute("insert into schema_versions values ($v, $n)", row)
    return con


def columns_of(con: duckdb.DuckDBPyConnection) -> dict[str, list[tuple[str, str]]]:
    found: dict[str, list[tuple[str, str]]] = {}
    for table, column, kind in con.execute(
        "select c.table_name, column_name, data_type from duckdb_columns() as c "
        "inner join duckdb_tables() as t on c.table_oid = t.table_oid "
        "where not c.internal and not t.temporary and c.table_name <> 'schema_versions' "
        "order by c.table_name, column_index"
    ).fetchall():
        found.setdefault(table, []).append((column, kind))
    return found


def contents(con: duckdb.DuckDBPyConnection, tables: dict[str, list[tuple[str, str]]]) -> Any:
    return {
        table: con.execute(
            f"select {', '.join(name for name, _ in columns)} from {table} order by all"
        ).fetchall()
        for table, columns in tables.items()
    }


@pytest.mark.parametrize(
    "version", [pytest.param(v, marks=() if v in IN_CI else pytest.mark.long) for v in VERSIONS]
)
def test_rows_of_every_table_survive(tmp_path: Path, version: int) -> None:
    path = tmp_path / "warehouse.duckdb"
    con = made_by(path, version)
    before = columns_of(con)
    for table, columns in before.items():
        for n in (1, 2):
            values = ", ".join(FILLED[kind].format(n=n) for _, kind in columns)
            con.execute(f"insert into {table} values ({values})")
    held = contents(con, before)
    con.close()
    assert all(len(rows) == 2 for rows in held.values())
    con = open_warehouse(path, Limits(threads=1))
    now = columns_of(con)
    gone = {
        (table, column)
        for table, columns in before.items()
        for column, _ in columns
        if column not in dict(now[table])
    }
    # 0003 moved these out of the facts, to be computed again; nothing else was ever dropped.
    assert {table for table, _ in gone} <= {"stops"}
    assert len(gone) == (8 if version == 2 else 0)
    kept = {
        table: [each for each in columns if (table, each[0]) not in gone]
        for table, columns in before.items()
    }
    assert contents(con, kept) == contents_without(held, before, gone)
    newest = con.execute("select max(version) from schema_versions").fetchall()
    assert newest == [(newest_schema(),)]
    # Sequences go on behind what they gave.
    assert con.execute("select nextval('file_ids')").fetchall() == [(1,)]
    con.close()


def contents_without(held: Any, before: Any, gone: set[tuple[str, str]]) -> Any:
    places = {
        table: [n for n, (column, _) in enumerate(columns) if (table, column) not in gone]
        for table, columns in before.items()
    }
    return {
        table: sorted((tuple(row[n] for n in places[table]) for row in rows), key=str)
        for table, rows in held.items()
    }


@pytest.fixture(scope="module")
def computed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet of this version: one charge."""
    folder = fleets.write_fleet(tmp_path_factory.mktemp("migrations") / "fleet")
    fleets.drop(folder, fleets.drive_and_charge(interval_s=30))
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        take_in(con, fleet, fleets.NOW)
        compute(con, fleet)
        minutes(con, fleet, WEEK)
    return folder


def as_of(folder: Path, version: int) -> None:
    """Take the fleet's warehouse back to a schema, with what a program of then had taken in."""
    path = folder / ".coldminutes" / "warehouse.duckdb"
    path.rename(path.with_suffix(".new"))
    con = made_by(path, version)
    con.execute(f"attach '{path.with_suffix('.new')}' as newer (read_only)")
    for table in ("files", "file_spans", "samples", "inbox_files", "source_mappings"):
        names = ", ".join(
            name
            for (name,) in con.execute(
                "select column_name from duckdb_columns() where table_name = $t "
                "and database_name = 'warehouse'", {"t": table},
            ).fetchall()
        )  # fmt: skip
        con.execute(f"insert into {table} ({names}) select {names} from newer.{table}")
    con.execute("insert into computed_with values ('1.0', 'before')" if version > 1 else "select 1")
    con.close()
    path.with_suffix(".new").unlink()


@pytest.mark.parametrize(
    "version", [2, *(pytest.param(v, marks=pytest.mark.long) for v in VERSIONS[2:-1])]
)
def test_an_old_warehouse_is_saved_and_gives_the_stops_of_a_new_one(
    computed: Path, tmp_path: Path, version: int, caplog: pytest.LogCaptureFixture
) -> None:
    folder = shutil.copytree(computed, tmp_path / "fleet")
    fleet = load_fleet(folder)
    with warehouse_of(fleet) as con:
        expected = con.sql("select * from judged_stops").pl().to_dicts()
    as_of(folder, version)
    # Status looks and changes nothing, so it makes no backup either.
    assert status_of(fleet, NOW).facts["schema_no"] == version
    with warehouse_of(fleet) as con:
        assert compute(con, fleet) == [WEEK]
        minutes(con, fleet, WEEK)
        got = con.sql("select * from judged_stops").pl().to_dicts()
        weekly(con, fleet, WEEK, parameters(fleet))
        assert con.execute("select stops_n from weekly_fleet where is_edition").fetchall() == [(1,)]
        assert warehouse_facts(con, NOW)["schema_no"] == newest_schema()
    assert len(got) == len(expected) == 1
    for name, value in expected[0].items():
        same = got[0][name] == value or (
            isinstance(value, float) and math.isclose(got[0][name], value, rel_tol=1e-9)
        )
        assert same, name
    (kept,) = listed(folder / ".coldminutes" / "backups")
    manifest = read_manifest(kept.path)
    assert (manifest.schema_no, manifest.method_version) == (version, "1.0")
    assert manifest.upgrade_to == (newest_schema(), METHOD_VERSION)
    assert f"from schema {version}, method 1.0 to schema {newest_schema()}" in caplog.text


def test_a_newer_warehouse_is_refused_untouched_and_without_a_backup(
    computed: Path, tmp_path: Path
) -> None:
    folder = shutil.copytree(computed, tmp_path / "fleet")
    path = folder / ".coldminutes" / "warehouse.duckdb"
    with duckdb.connect(str(path)) as con:
        con.execute("insert into schema_versions values (9999, '9999_later')")
    before = path.read_bytes()
    with pytest.raises(ColdMinutesError) as caught, warehouse_of(load_fleet(folder)):
        pass
    (problem,) = caught.value.problems
    assert problem.code == "WAREHOUSE-02" and caught.value.exit_code == 5
    assert f"has schema 9999, this program knows schemas up to {newest_schema()}" in problem.message
    assert "Install the newer coldminutes" in problem.remedy
    assert path.read_bytes() == before
    assert listed(folder / ".coldminutes" / "backups") == []

"""One generic runner: ``tests/sql/<table>/<case>/`` holds the input tables and ``expect.csv``.

Each input table is a CSV of its own name; its columns are typed by the product's schema where it
has them, else guessed. The rows of ``expect.csv`` must come out, in its columns, in any order.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.config import FleetSettings, Limits
from pipeline.method import CONSTANTS
from pipeline.resources import folder
from pipeline.warehouse import build, open_warehouse

HERE = Path(__file__).parent
PARAMS = {"zone": "Europe/Stockholm", "scope_week_id": "2026-W13"}
CASES = sorted(path.parent for path in HERE.glob("*/*/expect.csv"))


def load(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    """One input table; a leading empty file means an empty table of that name."""
    # The product's own connection can read no file, so another one does.
    with duckdb.connect() as reader:
        rows = reader.read_csv(str(path), header=True, null_padding=True).to_arrow_table()
    con.register("case_rows", rows)
    con.execute(f'create or replace temp table "{path.stem}" as select * from case_rows')
    con.unregister("case_rows")
    assert rows.column_names


@pytest.mark.parametrize("case", CASES, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_case(case: Path) -> None:
    table = case.parent.name
    name = next(f"{path.parent.name}/{table}" for path in folder("sql").glob(f"*/{table}.sql"))
    con = open_warehouse(None, Limits())
    for path in sorted(case.glob("*.csv")):
        if path.stem != "expect":
            load(con, path)
    settings = FleetSettings(operator="T", time_zone=str(PARAMS["zone"]))
    build(con, name, CONSTANTS | settings.model_dump() | PARAMS)
    expected = pl.read_csv(case / "expect.csv", infer_schema=False).fill_null("")
    columns = ", ".join(f'"{column}"' for column in expected.columns)
    got = con.sql(f"select {columns} from {table}").pl()
    text = got.select(
        pl.col(column).round(6).cast(pl.String)
        if got[column].dtype.is_float()
        else pl.col(column).dt.strftime("%Y-%m-%d %H:%M:%S")
        if got[column].dtype.is_temporal()
        else pl.col(column).cast(pl.String)
        for column in got.columns
    ).fill_null("")
    assert sorted(text.rows()) == sorted(expected.rows())


def test_there_are_cases() -> None:
    assert len(CASES) >= 6

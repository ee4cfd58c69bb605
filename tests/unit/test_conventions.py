"""The laws of the contributors' guide that a machine can hold the tree to."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import duckdb
import pytest
from conftest import ROOT

from pipeline.columns import SIGNALS_BY_KIND
from pipeline.config import Limits
from pipeline.resources import folder
from pipeline.units import CONVERSIONS
from pipeline.warehouse import open_warehouse

UNITS = re.findall(
    r"_\w+",
    "_kwh _kw _min _s _degc _kelvin _km _kmh _pct _rate _n _a _v _deg _m _bytes _id _row _cost "
    "_ns _rate_low _rate_high _no _bin _a2s _ohm _h _kj_per_kelvin _w_per_kelvin _per_kwh "
    "_per_hour _cash _time _fees _scale _value _habit",
)
SQL_FILES = sorted(folder("sql").rglob("*.sql"))
SELECTS = [path for path in SQL_FILES if path.parent.name != "schema"]


def test_every_numeric_column_carries_its_unit() -> None:
    con = open_warehouse(None, Limits())
    columns = con.execute(
        "select table_name, column_name, data_type from duckdb_columns() "
        "where not internal and table_name != 'schema_versions'"
    ).fetchall()
    bare = [
        f"{table}.{column}"
        for table, column, data_type in columns
        if data_type in ("DOUBLE", "INTEGER", "BIGINT", "FLOAT")
        and not any(column.endswith(unit) for unit in UNITS)
    ]
    assert bare == []
    flags = [f"{t}.{c}" for t, c, d in columns if d == "BOOLEAN" and not re.match("is_|has_", c)]
    assert flags == []
    instants = [f"{t}.{c}" for t, c, d in columns if "TIMESTAMP" in d and not c.endswith("_at")]
    assert instants == []


@pytest.mark.parametrize("path", SELECTS, ids=lambda path: path.stem)
def test_a_statement_says_what_it_is_and_is_one(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    head = "\n".join(line for line in text.splitlines() if line.startswith("--"))
    assert text.startswith("--"), "the first lines say what a row is"
    assert len(duckdb.extract_statements(text)) == 1
    named = set(re.findall(r"\$(\w+)", text))
    if "one parameter per column" not in head:
        undeclared = {name for name in named if name not in head}
        assert not undeclared, f"parameters not named in the head: {undeclared}"


@pytest.mark.parametrize("path", SELECTS, ids=lambda path: path.stem)
def test_a_select_is_named_after_its_table(path: Path) -> None:
    head = path.read_text(encoding="utf-8").splitlines()[0]
    if head.startswith(f"-- {path.stem}"):
        assert ":" in head
    else:
        assert not re.match(r"-- \w+:", head), f"{path} speaks of another table"


def test_signals_use_known_units() -> None:
    for signals in SIGNALS_BY_KIND.values():
        for signal in signals.values():
            if signal.value_type == "number":
                assert signal.unit in CONVERSIONS, signal.name
                assert signal.low is not None and signal.high is not None
                assert signal.low < signal.high
            else:
                assert signal.unit is None, signal.name


def test_no_sql_is_built_from_values() -> None:
    """f-strings into execute() may hold our own table names only, each marked for the linter."""
    offenders = []
    for path in (ROOT / "pipeline").rglob("*.py"):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if re.search(r"(execute|sql)\(\s*f\"", line) and "noqa: S608" not in line:
                offenders.append(f"{path.name}:{number}")
    assert offenders == []


def test_top_level_is_the_design_card() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if tracked.returncode:
        pytest.skip("not a checkout")
    top = {name.split("/")[0] for name in tracked.stdout.split() if not name.startswith(".")}
    assert top <= {
        "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "pipeline", "sql",
        "report_templates", "tests", "sample_fleet",
    }  # fmt: skip


def test_modules_stay_small() -> None:
    long = [
        f"{path.name} {lines}"
        for path in (ROOT / "pipeline").rglob("*.py")
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 450
        and path.name != "config.py"
    ]
    assert long == []

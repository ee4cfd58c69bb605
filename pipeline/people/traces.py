"""Where words of a person are left: every file of the fleet folder, opened as far as it can be."""

from __future__ import annotations

import io
import zipfile
import zlib
from pathlib import PurePosixPath

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.config import Fleet
from pipeline.people.rewrite import Remover
from pipeline.people.unpacked import TooLargeError, gunzipped, member, unzstd
from pipeline.people.words import Person

_ZIPS = frozenset({".zip", ".xlsx", ".xlsm", ".xlsb", ".ods"})


def traces(con: duckdb.DuckDBPyConnection, fleet: Fleet, who: Person) -> list[str]:
    """Files (relative to the fleet folder) and tables that hold a word that means only the person.

    Looks into names, bytes, gzip, zip, workbooks and Parquet; PDF is looked at by name only. What
    unpacks to more than is looked into is named as well.
    """
    sure = Remover(Person(who.driver_id, who.distinct, (), who.distinct))
    if not who.distinct:
        return []
    found = []
    for path in sorted(fleet.folder.rglob("*")):
        shown = path.relative_to(fleet.folder).as_posix()
        is_named = sure.in_text(path.name) != path.name
        is_warehouse = path.parent == fleet.state and path.name.startswith("warehouse.duckdb")
        if is_named or (
            path.is_file()
            and not path.is_symlink()
            and not is_warehouse
            and _holds(sure, path.name, path.read_bytes())
        ):
            found.append(shown)
    return found + [f"warehouse, {table}.{column}" for table, column in held_in(con, sure)]


def held_in(con: duckdb.DuckDBPyConnection, remover: Remover) -> list[tuple[str, str]]:
    """Text columns of the warehouse of which some value holds the person."""
    return [
        (table, column)
        for table, column in text_columns(con)
        if any(remover.in_text(value) != value for value in suspects(con, table, column, remover))
    ]


def text_columns(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str]]:
    """Every text column of every stored table, as the catalogue has them."""
    return [
        (table, column)
        for table, column in con.execute(
            "select c.table_name, c.column_name from duckdb_columns() as c "
            "inner join duckdb_tables() as t on c.table_oid = t.table_oid "
            "and c.database_name = t.database_name "
            "where c.database_name = current_database() and not c.internal "
            "and c.data_type = 'VARCHAR' and not t.temporary order by all"
        ).fetchall()
    ]


def suspects(
    con: duckdb.DuckDBPyConnection, table: str, column: str, remover: Remover
) -> list[str]:
    """Distinct values of a column that hold a word of the person, whatever stands around it."""
    name = f'"{column}"'
    # Table and column are of our own catalogue; the words are bound.
    sql = (
        f'select distinct {name} from "{table}" where exists ('  # noqa: S608
        f"select 1 from unnest($words) as w(word) where contains(lower({name}), word))"
    )
    return [row[0] for row in con.execute(sql, {"words": remover.lower_words()}).fetchall()]


def _holds(remover: Remover, name: str, content: bytes) -> bool:
    suffix = PurePosixPath(name.lower()).suffix
    if remover.is_sure(content):
        return True
    try:
        if suffix == ".gz":
            return remover.is_sure(gunzipped(content))
        if suffix == ".zst":
            return remover.is_sure(unzstd(content))
        if suffix in _ZIPS:
            with zipfile.ZipFile(io.BytesIO(content)) as archive:
                return any(
                    remover.in_text(info.filename) != info.filename
                    or _holds(remover, info.filename, member(archive, info))
                    for info in archive.infolist()
                )
        if suffix in (".parquet", ".pq"):
            table = pq.read_table(io.BytesIO(content))
            return remover.is_sure(str(table.to_pydict()).encode())
    except TooLargeError:
        return True  # nobody has looked into it
    except (OSError, EOFError, ValueError, zlib.error, zipfile.BadZipFile, pa.ArrowException,
            RuntimeError, NotImplementedError):  # fmt: skip
        pass
    return False

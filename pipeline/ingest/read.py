"""From one plain file to batches of cells, whatever its format.

Every batch has ``file_row`` (as a person would count it in an editor or spreadsheet), perhaps
``is_wrong_cell_count``, and the wanted columns under their own names with the prefix `CELL`, so
that no export can collide with a name of ours.
"""

from __future__ import annotations

import unicodedata
import zipfile
from collections.abc import Iterator
from pathlib import Path

import fastexcel
import polars as pl

from pipeline.columns import REQUIRED_BY_KIND
from pipeline.ingest.read_json import JSON_SUFFIXES, json_batches
from pipeline.ingest.read_mdf import MDF_SUFFIXES
from pipeline.ingest.read_mdf import batches as mdf_batches
from pipeline.ingest.read_text import as_utf8, read_header, text_batches
from pipeline.ingest.refusals import refusal, too_large, unreadable
from pipeline.problems import Problem
from pipeline.source_config import Source

CELL = "cell:"
WORKBOOKS = frozenset([".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"])
PARQUETS = frozenset({".parquet", ".pq"})
BATCH_ROWS_N = 125_000


def wanted_columns(source: Source) -> list[str]:
    """Columns of the export that the mapping names, each once, in order."""
    named = [mapped.column for mapped in source.columns.values()]
    named += [mapped.time_column for mapped in source.columns.values()]
    named += [source.vehicle.column, *(source.vehicle.card or ())]
    return list(dict.fromkeys(column for column in named if column is not None))


def batches(
    path: Path,
    name: str,
    source_id: str,
    source: Source,
    temp: Path,
    max_gb: float,
    rows_n: int = BATCH_ROWS_N,
) -> Iterator[pl.DataFrame]:
    """Cells of one file in file order, at most about `rows_n` rows at a time.

    An empty file yields nothing.

    Raises
    ------
    ColdMinutesError
        Where the file as a whole cannot be read: damaged, binary, wrong encoding, a mapped
        column missing or there twice.
    """
    suffix = path.suffix.lower()
    try:
        if suffix in WORKBOOKS:
            yield from _workbook(path, name, source_id, source, max_gb)
        elif suffix in PARQUETS:
            yield from _parquet(path, name, source_id, source, rows_n)
        elif suffix in MDF_SUFFIXES:
            yield from mdf_batches(path, name, source_id, source, temp, max_gb, rows_n)
        elif suffix in JSON_SUFFIXES:
            yield from _json(path, name, source_id, source, temp, rows_n)
        else:
            if suffix == ".tsv" and "delimiter" not in source.csv.model_fields_set:
                tabs = source.csv.model_copy(update={"delimiter": "\t"})
                source = source.model_copy(update={"csv": tabs})
            yield from _text(path, name, source_id, source, temp, rows_n)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        first = (str(error).splitlines() or [type(error).__name__])[0]
        raise unreadable(name, f"cannot be read ({first[:200]})") from error


def empty_problem(name: str) -> Problem:
    """Finding for a file without a single row; it does no harm."""
    return Problem(
        "INGEST-05",
        "note",
        f"inbox/{name}",
        "holds no rows",
        "If the vehicle was in use, export it again. Nothing else is needed.",
    )


def _text(
    path: Path, name: str, source_id: str, source: Source, temp: Path, rows_n: int
) -> Iterator[pl.DataFrame]:
    text, is_copy = as_utf8(path, name, source.csv, temp)
    try:
        header = read_header(text, name, source.csv)
        if header is None:
            return
        found = _checked(header.names, name, source_id, source)
        cells = text_batches(text, name, source.csv, header, list(found.values()), rows_n)
        for batch in cells:
            yield batch.select(
                "file_row",
                "is_wrong_cell_count",
                **{CELL + column: pl.col(as_found) for column, as_found in found.items()},
            )
    finally:
        if is_copy:
            text.unlink(missing_ok=True)


def _json(
    path: Path, name: str, source_id: str, source: Source, temp: Path, rows_n: int
) -> Iterator[pl.DataFrame]:
    """Cells by dotted name. A key may be absent from a record, but no needed one from all."""
    columns = wanted_columns(source)
    needed = {source.columns[signal].column for signal in REQUIRED_BY_KIND[source.kind]}
    needed |= {source.vehicle.column, *(source.vehicle.card or ())[:1]}
    is_first = True
    for batch in json_batches(path, name, source_id, source, columns, temp, rows_n):
        missing = [c for c in columns if c in needed and batch[c].null_count() == batch.height]
        if is_first and missing:
            raise refusal(
                "INGEST-04",
                name,
                f"has no value under {_listed(missing)} in its first {batch.height} records",
                f"Mend [columns] or the key records in sources/{source_id}.toml: a dotted name "
                f"such as 'position.lat' leads into an object.",
            )
        is_first = False
        yield batch.select("file_row", **{CELL + column: pl.col(column) for column in columns})


def _workbook(
    path: Path, name: str, source_id: str, source: Source, max_gb: float
) -> Iterator[pl.DataFrame]:
    if path.stat().st_size == 0:
        return
    refuse_swollen(path, name, max_gb)
    try:
        sheets = fastexcel.read_excel(path).sheet_names
        sheet = source.sheet if source.sheet is not None else sheets[0]
        if sheet not in sheets:
            raise refusal(
                "INGEST-04",
                name,
                f"has no sheet '{sheet}'; it has {_listed(sheets)}",
                f"Mend the key sheet in sources/{source_id}.toml.",
            )
        cells = pl.read_excel(
            path,
            sheet_name=sheet,
            has_header=False,
            infer_schema_length=0,
            drop_empty_rows=False,
            drop_empty_cols=False,
            raise_if_empty=False,
            read_options={"skip_rows": 0},  # otherwise blank rows on top are dropped
        )
    except fastexcel.FastExcelError as error:
        first = str(error).splitlines()[0]
        raise unreadable(name, f"is not a whole workbook ({first[:200]})") from error
    skip = source.csv.skip_rows
    if cells.height <= skip or cells.width == 0:
        return
    names = [str(cell or "").strip() for cell in cells.row(skip)]
    found = _checked(names, name, source_id, source)
    body = cells.with_row_index("row").slice(skip + 1)
    body = body.filter(~pl.all_horizontal(pl.exclude("row").is_null()))
    yield body.select(
        file_row=pl.col("row").cast(pl.Int64) + 1,
        **{
            CELL + column: pl.col(cells.columns[names.index(as_found)])
            for column, as_found in found.items()
        },
    )


def _parquet(
    path: Path, name: str, source_id: str, source: Source, rows_n: int
) -> Iterator[pl.DataFrame]:
    if path.stat().st_size == 0:
        return
    lazy = pl.scan_parquet(path, row_index_name="row:", glob=False)
    schema = lazy.collect_schema()
    found = _checked([c for c in schema.names() if c != "row:"], name, source_id, source)
    for as_found in found.values():
        if schema[as_found].is_nested() or schema[as_found] in (pl.Binary, pl.Object, pl.Unknown):
            raise refusal(
                "INGEST-04",
                name,
                f"column {as_found} holds {schema[as_found]}, not plain values",
                "Export it as numbers, text or times.",
            )
    chosen = lazy.select(
        file_row=pl.col("row:").cast(pl.Int64) + 1,
        **{CELL + column: pl.col(as_found) for column, as_found in found.items()},
    )
    yield from chosen.collect_batches(chunk_size=rows_n)


def _checked(names: list[str], name: str, source_id: str, source: Source) -> dict[str, str]:
    """Column as mapped -> column as found, equal but for the form of Unicode.

    Raises
    ------
    ColdMinutesError
        INGEST-04, with what is missing and what there is.
    """
    by_normal: dict[str, list[str]] = {}
    for found in names:
        by_normal.setdefault(unicodedata.normalize("NFC", found), []).append(found)
    wanted = {c: unicodedata.normalize("NFC", c.strip()) for c in wanted_columns(source)}
    missing = [column for column, normal in wanted.items() if normal not in by_normal]
    if missing:
        raise refusal(
            "INGEST-04",
            name,
            f"lacks the column {_listed(missing)}; it has {_listed(names)}",
            f"Mend [columns], delimiter, quote or skip_rows in sources/{source_id}.toml, or export "
            f"the column.",
        )
    twice = [column for column, normal in wanted.items() if len(by_normal[normal]) > 1]
    if twice:
        raise refusal(
            "INGEST-04",
            name,
            f"has the column {_listed(twice)} more than once, so it is not clear which to read",
            "Rename one of them in the export.",
        )
    return {column: by_normal[normal][0] for column, normal in wanted.items()}


def refuse_swollen(path: Path, name: str, max_gb: float) -> None:
    """A workbook is a zip: refuse one that unpacks to more than the limit."""
    try:
        with zipfile.ZipFile(path) as archive:
            unpacked_bytes = sum(info.file_size for info in archive.infolist())
            stored_bytes = sum(info.compress_size for info in archive.infolist())
    except (zipfile.BadZipFile, ValueError):
        return  # not every workbook format is a zip; a damaged one fails when it is read
    if unpacked_bytes > max_gb * 1e9 or (
        unpacked_bytes > 50e6 and unpacked_bytes > 200 * max(stored_bytes, 1)
    ):
        raise too_large(name, max_gb)


def _listed(names: list[str]) -> str:
    shown = ", ".join(repr(name)[:80] for name in names[:60])
    return f"{shown} and {len(names) - 60} more" if len(names) > 60 else shown or "(none)"

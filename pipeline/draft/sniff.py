"""An unknown file opened: encoding, delimiter, header, decimal sign; its cells as ingest sees them.

Nothing is believed of the file's name but its ending. At most `HEAD_BYTES` of a text and
`ROWS_N` rows are looked at.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePosixPath

import fastexcel
import polars as pl

from pipeline.draft.cut import LINES_N, cut_of, decimal_of, encoding_of, header_row, lines_of
from pipeline.draft.records import cells_of, shape_of, told
from pipeline.draft.refusals import not_readable
from pipeline.ingest.inbox import EXPORT_SUFFIXES, InboxFile, safe_name
from pipeline.ingest.mdf_worker import TIME_COLUMN
from pipeline.ingest.read import PARQUETS, WORKBOOKS, refuse_swollen
from pipeline.ingest.read_json import JSON_SUFFIXES, LINE_SUFFIXES
from pipeline.ingest.read_mdf import MDF_SUFFIXES
from pipeline.ingest.read_text import as_utf8, read_header, text_batches
from pipeline.ingest.unpack import Plain, hashed, is_zip, readable, zip_members
from pipeline.problems import ColdMinutesError
from pipeline.source_config import CsvFormat

HEAD_BYTES = 64_000_000
ROWS_N = 200_000
COLUMNS_N = 500
MAX_GB = 8.0
PACKED = frozenset({".gz", ".zst"})


@dataclass(frozen=True)
class Table:
    """One table of cells, with how it was cut out of its file.

    Parameters
    ----------
    name
        Of the file, without folders.
    member
        Of the file inside a zip; None elsewhere.
    sheet
        Of a workbook; None elsewhere.
    layout
        How the text is cut; for a workbook, ``skip_rows`` only.
    records
        Of JSON: the list that holds the records; None where there is none.
    cells
        Text, or typed values from Parquet. Columns that are there twice or have no name are
        left out and named in `left_out`.
    evidence, doubts
        Why the layout is taken for this, and what is not certain.
    """

    name: str
    member: str | None
    sheet: str | None
    layout: CsvFormat
    cells: pl.DataFrame
    header: tuple[str, ...]
    left_out: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    is_text: bool = False
    records: str | None = None
    others: tuple[str, ...] = field(default=())


@dataclass(frozen=True)
class _Reach:
    """Where to unpack, and how much to look at."""

    temp: Path
    head_bytes: int
    rows_n: int


@contextmanager
def opened(path: Path, head_bytes: int = HEAD_BYTES, rows_n: int = ROWS_N) -> Iterator[Table]:
    """The table in a file; what was unpacked for it is gone afterwards.

    At most `head_bytes` of a text and `rows_n` rows are read.

    Raises
    ------
    ColdMinutesError
        DRAFT-01, when there is no table to be read in it.
    """
    shown = safe_name(path.name)
    if not path.is_file():
        raise not_readable(shown, "there is no such file")
    stat = path.stat()
    file = InboxFile(path, shown, stat.st_size, stat.st_mtime_ns)
    if file.size_bytes == 0:
        raise not_readable(shown, "the file is empty")
    suffix = Path(shown.lower().removesuffix(".gz").removesuffix(".zst")).suffix
    if suffix in MDF_SUFFIXES:
        raise not_readable(
            shown,
            "measurement files are read, but not drafted: name channels as columns, and "
            f"{TIME_COLUMN!r} as that of the instant",
        )
    if suffix not in EXPORT_SUFFIXES - PACKED:
        raise not_readable(shown, f"files that end in {suffix or 'nothing'!r} are not read")
    with tempfile.TemporaryDirectory(prefix="coldminutes-") as folder:
        reach = _Reach(Path(folder), head_bytes, rows_n)
        if is_zip(file):
            yield _from_zip(file, reach)
        else:
            yield _table(readable(hashed(file), reach.temp, MAX_GB), shown, None, reach)


def _from_zip(file: InboxFile, reach: _Reach) -> Table:
    """The largest table of the first few in an archive."""

    def wanted(name: str) -> bool:
        return PurePosixPath(name).suffix.lower() in EXPORT_SUFFIXES - PACKED - MDF_SUFFIXES - {
            ".zip"
        }

    found: list[Plain] = []
    for member in zip_members(file, reach.temp, MAX_GB, wanted):
        if isinstance(member, ColdMinutesError):
            raise member
        found.append(member)
        if len(found) == 5:
            break
    if not found:
        raise not_readable(file.name, "the archive holds no file that could be an export")
    found.sort(key=lambda plain: -plain.size_bytes)
    names = [plain.name.removeprefix(f"{file.name}/") for plain in found]
    table = _table(found[0], file.name, names[0], reach)
    others = [name for name in names[1:] if _is_json(name) == _is_json(names[0])]
    return replace(table, others=tuple(sorted(others)))


def _is_json(name: str) -> bool:
    return PurePosixPath(name).suffix.lower() in JSON_SUFFIXES


def _table(plain: Plain, name: str, member: str | None, reach: _Reach) -> Table:
    suffix = plain.path.suffix.lower()
    shown = name if member is None else f"{name}/{member}"
    try:
        if suffix in PARQUETS:
            return _parquet(plain.path, name, member, reach)
        if suffix in WORKBOOKS:
            return _workbook(plain.path, shown, name, member, reach)
        if suffix in JSON_SUFFIXES:
            return _json(plain.path, shown, name, member, reach)
        return _text(plain.path, shown, name, member, reach)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError) as error:
        first = (str(error).splitlines() or [type(error).__name__])[0]
        raise not_readable(shown, f"it cannot be read ({first[:160]})") from error


def _parquet(path: Path, name: str, member: str | None, reach: _Reach) -> Table:
    lazy = pl.scan_parquet(path, glob=False)
    schema = lazy.collect_schema()
    plain = [
        column
        for column, kind in schema.items()
        if not kind.is_nested() and kind not in (pl.Binary, pl.Object, pl.Unknown)
    ]
    cells = lazy.select(plain).head(reach.rows_n).collect()
    left_out = tuple(column for column in schema if column not in plain)
    return Table(name, member, None, CsvFormat(), cells, tuple(schema.names()), left_out)


def _workbook(path: Path, shown: str, name: str, member: str | None, reach: _Reach) -> Table:
    refuse_swollen(path, shown, MAX_GB)
    try:
        sheets = fastexcel.read_excel(path).sheet_names
        read = {
            sheet: pl.read_excel(
                path,
                sheet_name=sheet,
                has_header=False,
                infer_schema_length=0,
                drop_empty_rows=False,
                drop_empty_cols=False,
                raise_if_empty=False,
                read_options={"skip_rows": 0},
            )
            for sheet in sheets[:20]
        }
    except fastexcel.FastExcelError as error:
        raise not_readable(shown, f"it is no whole workbook ({str(error)[:120]})") from error
    sheet = max(read, key=lambda key: read[key].height * read[key].width)
    cells = read[sheet].head(max(reach.rows_n, LINES_N))
    rows = [[str(cell or "").strip() for cell in row] for row in cells.head(LINES_N).rows()]
    skip = header_row(rows)
    if skip is None or cells.height < skip + 2:
        raise not_readable(shown, "no row of column names with values below it was found")
    names = rows[skip]
    body = cells.slice(skip + 1).filter(~pl.all_horizontal(pl.all().is_null()))
    kept, left_out = _usable(names)
    frame = body.select(**{column: pl.col(cells.columns[i]) for column, i in kept.items()})
    evidence = [f"sheet {sheet!r} is the largest of {len(sheets)}"] if len(sheets) > 1 else []
    layout = CsvFormat(skip_rows=skip)
    return Table(name, member, sheet, layout, frame, tuple(names), tuple(left_out), tuple(evidence))


def _text(path: Path, shown: str, name: str, member: str | None, reach: _Reach) -> Table:
    with path.open("rb") as stream:
        head = stream.read(reach.head_bytes + 1)
    evidence: list[str] = []
    doubts: list[str] = []
    if len(head) > reach.head_bytes:
        cut = head.rfind(b"\n", 0, reach.head_bytes)
        head = head[: cut + 1 if cut > 0 else reach.head_bytes]
        evidence.append(f"only the first {reach.head_bytes / 1e6:g} MB were looked at")
        path = reach.temp / "head.csv"
        path.write_bytes(head)
    encoding, why = encoding_of(head)
    evidence += why
    lines = lines_of(head, encoding)
    delimiter, skip, unsure = cut_of(lines)
    if skip is None:
        raise not_readable(shown, "no row of column names with values below it was found")
    doubts += unsure
    layout = CsvFormat(delimiter=delimiter, encoding=encoding, skip_rows=skip)
    if skip:
        evidence.append(f"the column names stand in line {skip + 1}")
    text, _ = as_utf8(path, shown, layout, reach.temp)
    header = read_header(text, shown, layout)
    if header is None:
        raise not_readable(shown, "the file is empty")
    kept, left_out = _usable(header.names)
    parts: list[pl.DataFrame] = []
    rows_n = 0
    for batch in text_batches(text, shown, layout, header, list(kept), reach.rows_n):
        parts.append(batch.filter(~pl.col("is_wrong_cell_count").fill_null(False)))
        rows_n += batch.height
        if rows_n >= reach.rows_n:
            break
    if not parts:
        raise not_readable(shown, "there are column names but no rows")
    cells = pl.concat(parts).drop("file_row", "is_wrong_cell_count").head(reach.rows_n)
    decimal, why, unsure = decimal_of(cells, delimiter)
    return Table(
        name,
        member,
        None,
        layout.model_copy(update={"decimal": decimal}),
        cells,
        tuple(header.names),
        tuple(left_out),
        (*evidence, *why),
        (*doubts, *unsure),
        is_text=True,
    )


def _json(path: Path, shown: str, name: str, member: str | None, reach: _Reach) -> Table:
    with path.open("rb") as stream:
        head = stream.read(reach.head_bytes + 1)
    evidence: list[str] = []
    if len(head) > reach.head_bytes and path.suffix.lower() in LINE_SUFFIXES:
        cut = head.rfind(b"\n", 0, reach.head_bytes)
        head = head[: cut + 1 if cut > 0 else reach.head_bytes]
        evidence.append(f"only the first {reach.head_bytes / 1e6:g} MB were looked at")
        path = reach.temp / f"head{path.suffix.lower()}"
        path.write_bytes(head)
    encoding, why = encoding_of(head)
    layout = CsvFormat(encoding=encoding)
    try:
        shape = shape_of(path, shown, layout, reach.temp)
        if shape is None or not shape.columns:
            raise not_readable(shown, "it holds no record of plain values")
        columns = shape.columns[:COLUMNS_N]
        cells = cells_of(
            path, shown, layout, replace(shape, columns=columns), reach.temp, reach.rows_n
        )
    except ColdMinutesError as error:
        raise not_readable(shown, told(error)) from error
    decimal, more, unsure = decimal_of(cells, delimiter="")
    return Table(
        name,
        member,
        None,
        layout.model_copy(update={"decimal": decimal}),
        cells,
        columns,
        (*shape.left_out, *shape.columns[COLUMNS_N:]),
        (*evidence, *why, *shape.evidence, *more),
        (*shape.doubts, *unsure),
        records=shape.records,
    )


def _usable(names: list[str]) -> tuple[dict[str, int], list[str]]:
    """Columns with a name of their own -> position; and those that cannot be mapped."""
    counts = Counter(names)
    kept = {name: i for i, name in enumerate(names) if name and counts[name] == 1}
    if len(kept) > COLUMNS_N:
        kept = dict(list(kept.items())[:COLUMNS_N])
    return kept, sorted({name for name in names if name not in kept and name})

"""Text exports: encoding, header, cells as strings, and rows with the wrong number of cells."""

from __future__ import annotations

import codecs
import csv
import io
import mmap
import os
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.disk import disk_full, is_disk_full
from pipeline.ingest.refusals import refusal, unreadable
from pipeline.source_config import CsvFormat

CHUNK_BYTES = 1 << 20
HEAD_BYTES = 1 << 16
MAX_HEADER_BYTES = 1 << 20
UTF8_NAMES = frozenset({"utf-8", "utf-8-sig", "ascii"})
MAGIC = {
    b"PK\x03\x04": "a zip archive or workbook",
    b"\x1f\x8b": "gzip data",
    b"PAR1": "a Parquet file",
    b"%PDF": "a PDF",
    b"\xd0\xcf\x11\xe0": "an old workbook",
}


@dataclass(frozen=True)
class Header:
    """First row of a text export.

    Parameters
    ----------
    names
        Column names, in order, spaces at their ends removed.
    lines_n
        Lines of the file up to and with the header.
    end_of_line
        The character that ends a line.
    """

    names: list[str]
    lines_n: int
    end_of_line: str


def as_utf8(path: Path, name: str, layout: CsvFormat, temp: Path) -> tuple[Path, bool]:
    """A path to the same text in UTF-8, and whether it is a temporary copy.

    Raises
    ------
    ColdMinutesError
        Content that is no text, an unknown encoding, or bytes the encoding does not have.
    """
    try:
        encoding = codecs.lookup(layout.encoding).name
    except LookupError as error:
        raise refusal(
            "INGEST-09",
            name,
            f"its source names the encoding '{layout.encoding}', which does not exist",
            "Write one such as encoding = 'cp1252' under [csv] of the source.",
        ) from error
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    if encoding in UTF8_NAMES:
        _refuse_binary(head, name)
        return path, False
    for magic, what in MAGIC.items():
        if head.startswith(magic):
            raise unreadable(name, f"is not text but {what}")
    copy = transcode(path, name, encoding, temp)
    with copy.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    if b"\0" in head:
        copy.unlink(missing_ok=True)
        _refuse_binary(head, name)
    return copy, True


def transcode(path: Path, name: str, encoding: str, temp: Path | None) -> Path:
    """Copy a text into a temporary UTF-8 file; with no `temp`, only look whether it decodes.

    Raises
    ------
    ColdMinutesError
        At the first bytes that the encoding does not have, with their offset and row.
    """
    decoder = codecs.getincrementaldecoder(encoding)()
    offset = 0
    rows_n = 1
    made = Path(os.devnull)
    if temp is not None:
        temp.mkdir(parents=True, exist_ok=True)
        handle, text_path = tempfile.mkstemp(suffix=".csv", dir=temp)
        os.close(handle)
        made = Path(text_path)
    try:
        with path.open("rb") as stream, made.open("w", encoding="utf-8", newline="") as out:
            while True:
                chunk = stream.read(CHUNK_BYTES)
                # What an earlier chunk left undecoded is part of what the decoder sees next.
                kept_n = len(decoder.getstate()[0])
                text = decoder.decode(chunk, final=not chunk)
                out.write(text)
                offset += len(chunk)
                rows_n += text.count("\n")
                if not chunk:
                    return made
    except OSError as error:
        if temp is not None:
            made.unlink(missing_ok=True)
        if is_disk_full(error):
            raise disk_full(error) from error
        raise
    except UnicodeDecodeError as error:
        if temp is not None:
            made.unlink(missing_ok=True)
        rows_n += error.object[: error.start].count(b"\n")
        at = offset - kept_n + error.start
        raise refusal(
            "INGEST-09",
            name,
            f"is not {encoding} text: byte {error.object[error.start]:#04x} at offset {at}, "
            f"row {rows_n}, cannot be decoded",
            "Name the right one under [csv] of the source, such as encoding = 'cp1252'.",
        ) from error


def read_header(path: Path, name: str, layout: CsvFormat) -> Header | None:
    """The header of a UTF-8 text; None where the file holds nothing but blank space."""
    with path.open("rb") as stream:
        raw = stream.read(HEAD_BYTES)
        if not raw.strip(b" \t\r\n\xef\xbb\xbf"):
            return None
        # A line that long is no header, but the cut must not fall into one that is just wide.
        raw += stream.read(MAX_HEADER_BYTES)
    text = raw.decode("utf-8", "replace").removeprefix("\ufeff")
    end_of_line = "\r" if "\r" in text and "\n" not in text else "\n"
    lines = io.StringIO(text.replace("\r", "\n") if end_of_line == "\r" else text)
    for _ in range(layout.skip_rows):
        lines.readline()
    reader = csv.reader(lines, delimiter=layout.delimiter, quotechar=layout.quote)
    try:
        names = next(reader, [])
    except csv.Error as error:
        raise unreadable(name, f"its header cannot be cut into cells ({error})") from error
    cleaned = [cell.strip() for cell in names]
    return Header(cleaned, layout.skip_rows + reader.line_num, end_of_line)


def text_batches(
    path: Path, name: str, layout: CsvFormat, header: Header, wanted: list[str], rows_n: int
) -> Iterator[pl.DataFrame]:
    """Cells of the wanted columns as strings, in file order, `rows_n` rows at a time.

    Blank lines are passed over. A row with too many or too few cells carries
    ``is_wrong_cell_count``.

    Yields
    ------
    pl.DataFrame
        Columns ``file_row``, ``is_wrong_cell_count`` and the wanted ones.

    Raises
    ------
    ColdMinutesError
        Where a quote is never closed, or bytes are not UTF-8.
    """
    columns_n = len(header.names)
    last = f"c{columns_n - 1}"
    # Two columns more than the header has: whatever lands there is one cell too many.
    schema = {f"c{i}": pl.String for i in range(columns_n)} | {"x1": pl.String, "x2": pl.String}
    positions = {column: f"c{header.names.index(column)}" for column in wanted}
    needed = sorted({*positions.values(), last})
    lazy = (
        pl.scan_csv(
            path,
            has_header=False,
            skip_lines=header.lines_n,
            schema=schema,
            separator=layout.delimiter,
            quote_char=layout.quote,
            eol_char=header.end_of_line,
            empty_string_is_null=False,
            truncate_ragged_lines=True,
            missing_columns="insert",
            extra_columns="ignore",
            row_index_name="row",
            glob=False,
        )
        # One empty cell after the last comes from a delimiter at the end of the line.
        .with_columns(is_wrong_cell_count=(pl.col("x1") != "") | (pl.col("x2") != ""))
        .select("row", "is_wrong_cell_count", *needed)
    )
    odd_lines: pl.DataFrame | None = None
    try:
        for batch in lazy.collect_batches(chunk_size=rows_n):
            if (batch[last] == "").any():
                if odd_lines is None:
                    odd_lines = _odd_lines(path, layout, header)
                batch = _with_odd_lines(batch, odd_lines, needed, columns_n == 1)
            yield batch.select(
                file_row=pl.col("row").cast(pl.Int64) + header.lines_n + 1,
                is_wrong_cell_count="is_wrong_cell_count",
                **{column: pl.col(position) for column, position in positions.items()},
            )
    except pl.exceptions.ComputeError as error:
        if "utf-8" in str(error).lower():
            transcode(path, name, "utf-8", None)
        first = str(error).splitlines()[0]
        raise unreadable(
            name,
            f"cannot be cut into cells; a quote {layout.quote} that is never closed is the usual "
            f"cause ({first[:120]})",
        ) from error


def _odd_lines(path: Path, layout: CsvFormat, header: Header) -> pl.DataFrame:
    """Lines after the header with fewer cells than it has.

    The reader fills what is missing with empty cells and so cannot tell. This second look at
    the lines is taken only where a last cell is empty.

    Returns
    -------
    pl.DataFrame
        ``row`` (0 is the line after the header) and ``is_blank``. Empty where lines and rows do
        not correspond, because a quoted cell holds a line break.
    """
    none = pl.DataFrame(schema={"row": pl.UInt32, "is_blank": pl.Boolean})
    if header.end_of_line != "\n":
        return none
    line = pl.col("line")
    quote = layout.quote
    lines = pl.scan_lines(path, name="line", row_index_name="row", glob=False).slice(header.lines_n)
    # Two quotes are an empty cell, or one sign in a quoted cell: neither holds a delimiter.
    bare = line.str.replace_all(quote * 2, "", literal=True)
    if not _holds(path, quote):
        bare = line
    elif lines.select(bare.str.contains(quote, literal=True).any()).collect().item():
        is_open = line.str.count_matches(quote, literal=True) % 2 == 1
        if lines.select(is_open.any()).collect().item():
            return none
        bare = line.str.replace_all(
            f"{re.escape(quote)}[^{re.escape(quote)}]*{re.escape(quote)}", ""
        )
    delimiters = bare.str.count_matches(layout.delimiter, literal=True)
    return (
        lines.filter(delimiters < len(header.names) - 1)
        .select(
            row=(pl.col("row") - header.lines_n).cast(pl.UInt32),
            is_blank=line.str.strip_chars() == "",
        )
        .collect()
    )


def _holds(path: Path, text: str) -> bool:
    """Does a file hold this text anywhere?"""
    with path.open("rb") as stream, mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as whole:
        return whole.find(text.encode()) >= 0


def _with_odd_lines(
    batch: pl.DataFrame, odd_lines: pl.DataFrame, cells: list[str], is_one_column: bool
) -> pl.DataFrame:
    if odd_lines.height == 0 and not is_one_column:
        return batch
    is_empty = pl.all_horizontal(pl.col(cells).str.strip_chars() == "")
    return (
        batch.join(odd_lines, on="row", how="left", maintain_order="left")
        # With one column only, a blank line has as many cells as it should.
        .filter(~(pl.col("is_blank").fill_null(is_one_column) & is_empty))
        .with_columns(pl.col("is_wrong_cell_count") | pl.col("is_blank").is_not_null())
        .drop("is_blank")
    )


def _refuse_binary(head: bytes, name: str) -> None:
    for magic, what in MAGIC.items():
        if head.startswith(magic):
            raise unreadable(name, f"is not text but {what}")
    if b"\0" in head:
        raise unreadable(
            name,
            f"is not text: byte 0 at offset {head.index(0)}; if it is UTF-16, its source needs "
            f"encoding = 'utf-16'",
        )

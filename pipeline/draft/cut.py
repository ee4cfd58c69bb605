"""How an unknown text is cut into cells: encoding, delimiter, row of the names, decimal sign."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter

import polars as pl

LINES_N = 60
DELIMITERS = (";", "\t", ",", "|")
_NUMBER = re.compile(r"^\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*$")


def encoding_of(head: bytes) -> tuple[str, list[str]]:
    for mark, encoding in ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if head.startswith(mark):
            return encoding, ["the file begins with the mark of UTF-16"]
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError as error:
        byte = head[error.start]
        try:
            head.decode("cp1252")
        except UnicodeDecodeError:
            return "iso-8859-1", [f"byte {byte:#04x} is not UTF-8, and others are not cp1252"]
        return "cp1252", [f"byte {byte:#04x} at {error.start} is not UTF-8"]
    return "utf-8", []


def lines_of(head: bytes, encoding: str) -> list[str]:
    text = head[: 1 << 18].decode(encoding, "replace").removeprefix("\ufeff")
    return io.StringIO(text.replace("\r\n", "\n").replace("\r", "\n")).read().split("\n")[:LINES_N]


def cut_of(lines: list[str]) -> tuple[str, int | None, list[str]]:
    """Delimiter, and the row of the names."""
    found: list[tuple[float, str, int]] = []
    for delimiter in DELIMITERS:
        try:
            rows = [next(csv.reader([line], delimiter=delimiter), []) for line in lines]
        except csv.Error:
            continue
        if len(lines) == LINES_N or not rows[-1]:
            rows = rows[:-1]
        rows = [[cell.strip() for cell in row] for row in rows]
        skip = header_row(rows)
        if skip is None:
            continue
        width = len(rows[skip])
        full = [len(row) for row in rows[skip:] if row]
        steady = sum(n == width for n in full) / len(full)
        found.append((steady * min(width, 60), delimiter, skip))
    if not found:
        return ",", None, []
    best = max(found)
    others = [d for score, d, _ in found if d != best[1] and score > 0.9 * best[0]]
    doubts = [f"{other!r} cuts the lines as well as {best[1]!r}" for other in others]
    return best[1], best[2], doubts if best[0] > 1 else []


def header_row(rows: list[list[str]]) -> int | None:
    """The row of the column names: the first as wide as the table, unlike what is below it."""
    filled = [sum(bool(cell) for cell in row) for row in rows]
    if not filled or max(filled) == 0:
        return None
    usual = Counter(len(row) for row in rows if row).most_common(1)[0][0]
    for i, row in enumerate(rows):
        below = [other for other in rows[i + 1 :] if any(other)]
        if len(row) < usual or not below or filled[i] < max(1, 0.5 * max(filled)):
            continue
        if sum(bool(_NUMBER.match(cell)) for cell in row) > 0.3 * len(row):
            continue
        return i
    return None


def decimal_of(cells: pl.DataFrame, delimiter: str) -> tuple[str, list[str], list[str]]:
    head = cells.head(20_000).select(pl.all().str.strip_chars())
    commas = head.select(pl.all().str.contains(r"^[+-]?\d+,\d+$").sum()).row(0)
    points = head.select(pl.all().str.contains(r"^[+-]?\d+\.\d+$").sum()).row(0)
    comma_n, point_n = sum(commas), sum(points)
    if delimiter == "," and comma_n == 0:
        return ".", [], []
    if comma_n > point_n:
        unsure = [f"{point_n} cells use a point all the same"] if point_n else []
        return ",", [f"{comma_n} cells such as 12,5 against {point_n} such as 12.5"], unsure
    unsure = [f"{comma_n} cells use a comma all the same"] if comma_n else []
    return ".", [], unsure

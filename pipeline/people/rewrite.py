"""Takes a person's words out of a file's content, whatever it is packed in.

Text, JSON, workbooks of XML, Parquet, and these in gzip, zstd or zip are rewritten, everything
else about them left as it was. What cannot be rewritten and holds such a word comes back as None.
"""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import PurePosixPath

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.people.unpacked import gunzipped, gzipped, member, unzstd, zstd_packed
from pipeline.people.words import FORGOTTEN, Person, pattern, spellings
from pipeline.source_config import Source

_TEXT = frozenset({".csv", ".tsv", ".txt", ".log", ".json", ".jsonl", ".ndjson", ".toml", ".html"})
_XML_BOOKS = frozenset({".xlsx", ".xlsm", ".ods"})
_PARQUET = frozenset({".parquet", ".pq"})
_JSON = frozenset({".json", ".jsonl", ".ndjson"})
SourceOf = Callable[[str], Source | None]


@dataclass
class Remover:
    """Knows a person and rewrites contents without them.

    Parameters
    ----------
    person
        Who goes.
    members
        Of the last zip: each member's name and its content after rewriting.
    """

    person: Person
    members: dict[str, bytes] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._pattern = pattern(self.person.distinct)
        self._lower = {word.lower() for word in self.person.words}
        self._needles = _needles(self.person)

    def in_text(self, text: str) -> str:
        """The text without the words that mean only the person."""
        return self._pattern.sub(FORGOTTEN, text)

    def is_person(self, cell: str) -> bool:
        """Is the whole cell a spelling of the person?"""
        return cell.strip().lower() in self._lower

    def in_json_keys(self, text: str, keys: set[str]) -> str:
        """JSON text without the person as the value of some keys, however short the word is."""
        if not keys:
            return text
        either = "|".join(re.escape(json.dumps(key)) for key in sorted(keys))
        words = "|".join(re.escape(word) for word in spellings(self.person.words))
        found = re.compile(rf'((?:{either})\s*:\s*)"\s*(?:{words})\s*"', re.IGNORECASE)
        return found.sub(rf'\1"{FORGOTTEN}"', text)

    def may_hold(self, content: bytes) -> bool:
        """Is any spelling of the person among the bytes, in the usual encodings?"""
        lowered = content.lower()
        return any(needle in lowered for needle in self._needles)

    def is_sure(self, content: bytes) -> bool:
        """Do the bytes hold a word that means only the person, standing by itself?"""
        if not self.may_hold(content):
            return False
        texts = (content.decode(each, "ignore") for each in ("utf-8", "latin-1", "utf-16-le"))
        return any(self._pattern.search(text) for text in texts)

    def lower_words(self) -> list[str]:
        """All spellings in lower case, to be looked for in tables."""
        words = spellings((*self.person.words, *self.person.distinct))
        return sorted({word.lower() for word in words})

    def content(self, name: str, content: bytes, source_of: SourceOf) -> bytes | None:
        """The content of a file without the person; None where that cannot be done.

        Parameters
        ----------
        name
            As the inbox shows it; the suffixes say what it is.
        source_of
            The source that reads a file or member of this name.
        """
        suffix = PurePosixPath(name.lower()).suffix
        try:
            if suffix == ".gz":
                return self._packed(name, content, source_of, gunzipped, gzipped)
            if suffix == ".zst":
                return self._packed(name, content, source_of, unzstd, zstd_packed)
            if suffix == ".zip":
                return self._zip(name, content, source_of)
            source = source_of(name)
            if suffix in _XML_BOOKS:
                return self._book(content, source)
            if suffix in _PARQUET:
                return self._parquet(content, source)
        except (OSError, EOFError, ValueError, zlib.error, zipfile.BadZipFile, pa.ArrowException,
                RuntimeError, NotImplementedError):  # fmt: skip
            return None if self.may_hold(content) else content
        if not self.may_hold(content):
            return content
        try:
            return self._text(content, suffix, source) if suffix in _TEXT else None
        except (csv.Error, UnicodeError):
            return None

    def _packed(
        self,
        name: str,
        content: bytes,
        source_of: SourceOf,
        unpack: Callable[[bytes], bytes],
        pack: Callable[[bytes], bytes],
    ) -> bytes | None:
        plain = unpack(content)
        inner = name.rsplit(".", 1)[0]
        inner = inner if PurePosixPath(inner).suffix else inner + ".csv"
        made = self.content(inner, plain, lambda _: source_of(name))
        return content if made == plain else None if made is None else pack(made)

    def _zip(self, name: str, content: bytes, source_of: SourceOf) -> bytes | None:
        """Members rewritten; one that cannot be is left out of the archive."""
        self.members = {}
        is_changed = False
        out = io.BytesIO()
        with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
            for info in old.infolist():
                inside = f"{name}/{info.filename}"
                plain = b"" if info.is_dir() else member(old, info)
                made = plain if info.is_dir() else self.content(inside, plain, source_of)
                renamed = self.in_text(info.filename)
                is_changed |= made != plain or renamed != info.filename
                if made is not None:
                    self.members[info.filename] = made
                    info.filename = renamed
                    # A comment or an extra field may name somebody, and no reader wants them.
                    info.comment, info.extra = b"", b""
                    new.writestr(info, made, compress_type=info.compress_type)
        return out.getvalue() if is_changed else content

    def _text(self, content: bytes, suffix: str, source: Source | None) -> bytes | None:
        encoding = _encoding(content, source)
        text = content.decode(encoding)
        column = _driver_column(source)
        if column is not None and suffix in _JSON:
            text = self.in_json_keys(text, {column, column.rsplit(".", 1)[-1]})
        elif column is not None and source is not None:
            text = self.in_csv(text, {column}, source.csv.delimiter, source.csv.quote,
                               source.csv.skip_rows)  # fmt: skip
        return self.in_text(text).encode(encoding)

    def in_csv(
        self,
        text: str,
        columns: set[str],
        delimiter: str = ",",
        quote: str = '"',
        skip_rows: int = 0,
    ) -> str:
        """CSV text without the person in some columns; quotes are set anew where needed."""
        lines = text.splitlines(keepends=True)
        head, body = lines[:skip_rows], lines[skip_rows:]
        reader = csv.reader(body, delimiter=delimiter, quotechar=quote)
        header = next(reader, [])
        places = [n for n, cell in enumerate(header) if cell.strip("\ufeff ") in columns]
        if not places:
            return text
        rows = list(reader)
        for row in rows:
            for place in places:
                cell = row[place] if place < len(row) else ""
                if self.is_person(cell):
                    row[place] = FORGOTTEN
        end = "\r\n" if "\r\n" in text else "\n"
        made = io.StringIO()
        writer = csv.writer(made, delimiter=delimiter, quotechar=quote, lineterminator=end)
        writer.writerows([header, *rows])
        return "".join(head) + made.getvalue()

    def _book(self, content: bytes, source: Source | None) -> bytes | None:
        is_changed = False
        out = io.BytesIO()
        alone = [] if _driver_column(source) is None else self._alone()
        with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(out, "w") as new:
            for info in old.infolist():
                plain = member(old, info)
                made = plain
                if info.filename.lower().endswith((".xml", ".rels")):
                    text = self.in_text(plain.decode("utf-8"))
                    if any(_is_number_of_cell(text, word) for word in alone):
                        return None  # which of the cells mean the driver, nobody can say
                    for word in alone:
                        text = re.sub(
                            rf"(>\s*){re.escape(word)}(\s*<)",
                            rf"\1{FORGOTTEN}\2",
                            text,
                            flags=re.IGNORECASE,
                        )
                    made = text.encode()
                elif self.may_hold(plain):
                    return None
                is_changed |= made != plain
                new.writestr(info, made, compress_type=info.compress_type)
        return out.getvalue() if is_changed else content

    def _parquet(self, content: bytes, source: Source | None) -> bytes:
        table = pq.read_table(io.BytesIO(content))
        column = _driver_column(source)
        is_changed = False
        for place, name in enumerate(table.column_names):
            values = pl.Series(table.column(name))
            cells = values.cast(pl.String, strict=False) if values.dtype != pl.Binary else values
            if cells.dtype != pl.String:
                continue
            known = cells.unique().drop_nulls()
            changed = {
                cell: new for cell in known if (new := self._cell(cell, name == column)) != cell
            }
            if not changed:
                continue
            is_changed = True
            if values.dtype in (pl.String, pl.Categorical, pl.Enum):
                new_cells = cells.replace(list(changed), list(changed.values()))
            else:  # a number that is a driver
                new_cells = values.set(cells.is_in(list(changed)).fill_null(False), None)
            kind = table.schema.field(place).type
            kind = kind.value_type if pa.types.is_dictionary(kind) else kind
            table = table.set_column(place, name, new_cells.to_arrow().cast(kind))
        if not is_changed:
            return content
        table = table.replace_schema_metadata(None)  # statistics and notes of the writer
        out = io.BytesIO()
        pq.write_table(table, out)
        return out.getvalue()

    def _cell(self, cell: str, is_driver: bool) -> str:
        return FORGOTTEN if is_driver and self.is_person(cell) else self.in_text(cell)

    def _alone(self) -> list[str]:
        """Spellings taken out only where they are the whole cell."""
        return [word for word in self.person.words if word not in self.person.distinct]


def _is_number_of_cell(xml: str, word: str) -> bool:
    """Is the word the value of a cell that is no text? (Texts are numbered: those do not count.)"""
    number = rf"{re.escape(word)}(?:\.0)?"
    cell = rf'<c\b(?![^>]*\bt="s")[^>]*>(?:<f\b.*?</f>)?<v>{number}</v>|office:value="{number}"'
    return word.isdecimal() and re.search(cell, xml) is not None


def _driver_column(source: Source | None) -> str | None:
    mapped = source.columns.get("driver_id") if source else None
    return mapped.column if mapped else None


def _encoding(content: bytes, source: Source | None) -> str:
    """One that gives the same bytes back: the source's, by the mark, UTF-8, else Latin-1."""
    marked = content.startswith((b"\xff\xfe", b"\xfe\xff"))
    wanted = [source.csv.encoding] if source else []
    for encoding in [*(["utf-16"] if marked else []), *wanted, "utf-8", "latin-1"]:
        try:
            if content.decode(encoding).encode(encoding) == content:
                return encoding
        except (UnicodeError, LookupError):
            continue
    return "latin-1"


def _needles(person: Person) -> set[bytes]:
    found: set[bytes] = set()
    for word in spellings((*person.words, *person.distinct)):
        for cased in (word, word.lower(), word.upper(), word.title()):
            for encoding in ("utf-8", "latin-1", "utf-16-le", "utf-16-be"):
                found.add(cased.encode(encoding, "ignore").lower())
    return found - {b""}

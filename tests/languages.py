"""The catalogues of the documents: what the source says, and what each language has for it.

``.venv/bin/python tests/languages.py`` brings every catalogue up to date with the source: new
messages are added empty, messages that the source no longer has fall out, and nothing that is
translated changes. Two runs write equal bytes.
"""

from __future__ import annotations

import ast
import io
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po
from jinja2.ext import babel_extract

ROOT = Path(__file__).resolve().parent.parent
TEMPLATES = ROOT / "report_templates"
CATALOGUES = TEMPLATES / "languages"
TRANSLATED = ("de", "fr", "nb", "es")

KEYWORDS: dict[str, Any] = {
    "_": None,
    "N_": None,
    "ngettext": (1, 2),
    "NN_": (1, 2),
    "pgettext": ((1, "c"), 2),
}
_HEAD = "# Words of the documents; written by tests/languages.py.\n"

Key = tuple[str | None, str | tuple[str, str]]
"""Context and text of a message; of one with a count both English forms."""


def sources() -> Iterator[Path]:
    """Every file whose words a document prints."""
    yield from sorted((ROOT / "pipeline").rglob("*.py"))
    yield from sorted(TEMPLATES.rglob("*.j2"))


def python_calls(
    fileobj: BinaryIO, keywords: Any, comment_tags: Any, options: Any
) -> Iterator[tuple[int, str, tuple[str | None, ...], list[str]]]:
    """Calls of the keywords in Python, as Babel's extraction wants them.

    Babel's own reader goes by tokens: it takes ``_(WORDS[row["why"]])`` for a message ``why``, and
    passes over calls in f-strings.
    """
    for node in ast.walk(ast.parse(fileobj.read())):
        if (
            isinstance(node, ast.Call)
            and isinstance(node.func, ast.Name)
            and node.func.id in keywords
        ):
            words = [_constant(each) for each in node.args]
            if words and words[0] is not None:
                yield node.lineno, node.func.id, tuple(words), []


def _constant(node: ast.expr) -> str | None:
    is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
    return node.value if is_text else None  # type: ignore[attr-defined]


def messages_of(path: Path) -> Iterator[Key]:
    """Messages of one file, as they stand in it."""
    method = babel_extract if path.suffix == ".j2" else python_calls
    # The loader's own settings, or a template that is fine there would not be read here.
    options = {"trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}
    with path.open("rb") as stream:
        for _line, found, _comments, context in extract(
            method, stream, KEYWORDS, (), options if path.suffix == ".j2" else {}
        ):
            text = tuple(found) if isinstance(found, list | tuple) else found
            yield context, text  # type: ignore[misc]


def template() -> Catalog:
    """All messages of the source, each with the names of the files that print it."""
    catalogue = Catalog(charset="utf-8")
    for path in sources():
        for context, text in messages_of(path):
            catalogue.add(text, context=context, auto_comments=[path.name])
    return catalogue


def read(code: str) -> Catalog:
    """The catalogue of one language; an empty one where there is no file yet."""
    path = CATALOGUES / f"{code}.po"
    if not path.exists():
        return Catalog(locale=code, charset="utf-8")
    with path.open("rb") as stream:
        return read_po(stream, locale=code)


def updated(code: str, source: Catalog) -> bytes:
    """The catalogue of one language, brought up to date, as it stands in its file.

    No guess is taken over from a message that looks alike: it would look translated.
    """
    before = read(code)
    after = Catalog(locale=code, charset="utf-8")
    for message in source:
        if message.id:
            old = before.get(message.id, message.context)
            kept = old.string if old is not None and "fuzzy" not in old.flags else None
            if isinstance(message.id, tuple) != isinstance(kept, tuple):
                kept = None
            after.add(
                message.id,
                kept or _empty(message, after),
                context=message.context,
                auto_comments=sorted(set(message.auto_comments)),
            )
    for message in after:
        # Babel takes ``5 % i`` for a format of its own.
        message.flags.discard("python-format")
        message.flags.discard("python-brace-format")
    written = io.BytesIO()
    write_po(written, after, omit_header=True, sort_output=True, width=98)
    head = (
        f'{_HEAD}msgid ""\nmsgstr ""\n"Language: {code}\\n"\n"MIME-Version: 1.0\\n"\n'
        '"Content-Type: text/plain; charset=utf-8\\n"\n'
        f'"Content-Transfer-Encoding: 8bit\\n"\n"Plural-Forms: {after.plural_forms}\\n"\n\n'
    )
    return head.encode() + written.getvalue().strip() + b"\n"


def _empty(message: Message, catalogue: Catalog) -> str | tuple[str, ...]:
    return ("",) * catalogue.num_plurals if isinstance(message.id, tuple) else ""


def main() -> int:
    """Write the catalogues; says how many messages are still without words."""
    source = template()
    CATALOGUES.mkdir(exist_ok=True)
    total = sum(1 for message in source if message.id)
    for code in TRANSLATED:
        (CATALOGUES / f"{code}.po").write_bytes(updated(code, source))
        lacking = sum(1 for message in read(code) if message.id and not has_words(message))
        sys.stdout.write(f"{code}: {total} messages, {lacking} without words\n")
    return 0


def has_words(message: Message) -> bool:
    """Whether each form is translated."""
    said = message.string
    return all(said) if isinstance(said, tuple | list) else bool(said)


if __name__ == "__main__":
    raise SystemExit(main())

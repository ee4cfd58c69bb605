"""One item of the queue as the mail that carries it, in the fleet's language."""

from __future__ import annotations

import duckdb

from pipeline.config import Fleet
from pipeline.deliver.letter import letter
from pipeline.deliver.state import Row
from pipeline.deliver.words import body_words, subject_words
from pipeline.report.language import speaking

_FOLDERS = {"vehicles": "vehicle sheets", "accounts": "accounts", "models": "model cards"}


def composed(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, item: Row, files: list[tuple[str, bytes]]
) -> bytes:
    """The mail of an item, byte for byte the same each time but for the boundaries of its parts."""
    settings = fleet.settings
    if settings.mail is None:
        raise ValueError("there is no [mail]")
    kinds = [kind for kind in item["documents"].split(",") if _has(kind, files)]
    with speaking(settings.language):
        subject = subject_words(fleet, item)
        text = body_words(con, fleet, item, kinds, len(files))
    return letter(
        sender=settings.mail.sender,
        sender_name=settings.operator,
        recipient=item["recipient"],
        subject=subject,
        text=text,
        language=settings.language,
        message_id=item["message_id"],
        written_at=item["queued_at"],
        attachments=[(_attached_name(item, name), content) for name, content in files],
    )


def _has(kind: str, files: list[tuple[str, bytes]]) -> bool:
    """Whether there is a file of this kind; one of which there is none is not announced."""
    return any(_kind_of(name) == kind for name, _ in files)


def _kind_of(name: str) -> str:
    first, mark, _ = name.partition("/")
    if not mark:
        if first.startswith("budget-"):
            return "budget"
        return "tables" if first == "tables.xlsx" else "report"
    return {**_FOLDERS, "drivers": "driver sheets", "tables": "tables"}.get(first, "")


def _attached_name(item: Row, name: str) -> str:
    """A driver's file does not carry the label in its name, which mail servers write into logs."""
    if item["driver_id"]:
        return f"{item['week_id']}.pdf"
    return f"{item['week_id']}-{name}"

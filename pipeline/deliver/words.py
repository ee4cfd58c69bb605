"""What a mail says, in the language spoken: what is attached, and what to do first.

It says nothing about people, and no figure: whoever passes a mail on passes on no figure with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import duckdb

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.report.filters import name
from pipeline.report.finding_words import general_advice
from pipeline.report.language import N_, _, listed, ngettext
from pipeline.report.weekdata import week_words
from pipeline.report.words import FINDING_WORDS, words_of

Row = dict[str, Any]

_DOCUMENTS = {
    "report": N_("the weekly report"),
    "vehicle sheets": N_("the pages of vehicles"),
    "driver sheets": N_("your own page"),
    "accounts": N_("the accounts of the month"),
    "model cards": N_("the cards of vehicle models"),
    "budget": N_("the winter budget"),
    "tables": N_("the tables"),
}
_LONGEST_NAME = 80


def subject_words(fleet: Fleet, item: Row) -> str:
    """The subject, on one line; a revised edition says so."""
    told = {"week": item["week_id"], "operator": name(fleet.settings.operator, _LONGEST_NAME)}
    if item["driver_id"]:
        if item["edition_no"] > 1:
            return _("Your charging page of week {week}, revised ({operator})", **told)
        return _("Your charging page of week {week} ({operator})", **told)
    if item["edition_no"] > 1:
        return _("Cold Minutes, week {week}, revised ({operator})", **told)
    return _("Cold Minutes, week {week} ({operator})", **told)


def body_words(
    con: duckdb.DuckDBPyConnection, fleet: Fleet, item: Row, kinds: Sequence[str], files_n: int
) -> str:
    """The text of the mail, paragraphs parted by an empty line.

    Parameters
    ----------
    kinds
        Of documents, as far as there is one attached.
    """
    week = week_words(item["week_id"])
    if item["driver_id"]:
        paragraphs = [
            _("Attached is your own page about charging in the cold, for {week}.", week=week),
            _("It is for you and nobody else."),
        ]
        if item["edition_no"] > 1:
            paragraphs.append(_("It takes the place of the page you had before."))
    else:
        paragraphs = [
            ngettext(
                "Attached for {week}, in {n} file: {documents}.",
                "Attached for {week}, in {n} files: {documents}.",
                files_n,
                week=week,
                documents=listed([_(_DOCUMENTS[kind]) for kind in kinds]),
            )
        ]
        if item["edition_no"] > 1:
            paragraphs.append(
                _(
                    "This is a revised edition: it takes the place of the one made before, and the "
                    "report says what changed."
                )
            )
        if "report" in kinds:
            paragraphs.append(_first_words(con, fleet, item["week_id"]))
    paragraphs.append(
        _("This mail was sent by a program of {operator}.", operator=name(fleet.settings.operator))
    )
    return "\n\n".join(paragraphs) + "\n"


def _first_words(con: duckdb.DuckDBPyConnection, fleet: Fleet, week_id: str) -> str:
    """What to do first: the actions on the first page of the report."""
    rows = warehouse.query(con, "deliver/first_actions", {"week_id": week_id}).to_dicts()
    if not rows:
        return _("The report asks for nothing to be done first.")
    lines = [_("What to do first:")]
    for number, row in enumerate(rows, 1):
        finding = words_of(row["code"], FINDING_WORDS)
        lines.append(f"{number}. {_subject(fleet, row)} ({finding}). {general_advice(row['code'])}")
    return "\n".join(lines)


def _subject(fleet: Fleet, row: Row) -> str:
    """The name of a vehicle or a site; names come from outside."""
    subject_id = row["subject_id"]
    table: dict[str, Any] = fleet.vehicles if row["kind"] == "vehicle" else fleet.sites
    return name(getattr(table.get(subject_id), "name", "") or subject_id, _LONGEST_NAME)

"""The language of a document: its words by gettext, its numbers and dates by Babel.

Words of the documents are English in the source, marked by `_` or `ngettext`, and translated by the
catalogue ``report_templates/languages/<code>.po``. A document is made inside `speaking`; what is
not inside any speaks English. Tables for machines are never translated.
"""

from __future__ import annotations

import gettext
import io
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Any

from babel import Locale
from babel.dates import format_date
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

from pipeline.resources import folder
from pipeline.wording import N_, NN_

__all__ = [
    "LANGUAGES",
    "NN_",
    "N_",
    "Language",
    "_",
    "language",
    "listed",
    "ngettext",
    "pgettext",
    "speaking",
    "spoken",
]

LANGUAGES = ("en", "de", "fr", "nb", "es")
NBSP = "\u00a0"
_DAY = {"de": "EEE d. MMM", "nb": "EEE d. MMM"}
_LONG_DAY = {"de": "d. MMMM y", "nb": "d. MMMM y", "es": "d 'de' MMMM 'de' y"}
_MONTH_OF_DAY = re.compile(r" ('de' )?MMMM.*")
_YEAR_OF_DAY = re.compile(r" ('de' )?y")
_MONTH = {"es": "LLLL 'de' y"}


@dataclass(frozen=True)
class Language:
    """Words and formats of one language.

    Parameters
    ----------
    code
        Its tag, as in the ``lang`` of a page.
    locale
        Of Babel, for numbers and dates.
    words
        Its catalogue.
    """

    code: str
    locale: Locale
    words: gettext.NullTranslations

    def decimal(self, value: float, digits: int) -> str:
        """A number that is not negative, groups of three set apart.

        English sets groups apart by a space, as ISO 80000-1 has it, so that no comma can be taken
        for a decimal sign by readers of the other languages.
        """
        pattern = "#,##0" + ("." + "0" * digits if digits else "")
        text = format_decimal(value, format=pattern, locale=self.locale)
        if self.code == "en":
            text = text.replace(",", NBSP)
        # The shipped fonts have no narrow no-break space.
        return str(text.replace("\u202f", NBSP))

    def day(self, value: date) -> str:
        """Weekday, day and month, short: ``Mon 12 Jan``."""
        return format_date(value, _DAY.get(self.code, "EEE d MMM"), locale=self.locale)

    def days(self, first: date, last: date) -> str:
        """From a day to another, what they share said once: ``Mon 12 to Sun 18 January 2026``."""
        month_and_year = _LONG_DAY.get(self.code, "d MMMM y")
        shorter = month_and_year
        if first.year == last.year:
            shorter = (
                _MONTH_OF_DAY.sub("", month_and_year)
                if first.month == last.month
                else (_YEAR_OF_DAY.sub("", month_and_year))
            )
        return pgettext(
            "days",
            "{first} to {last}",
            first=format_date(first, f"EEE {shorter}", locale=self.locale),
            last=format_date(last, f"EEE {month_and_year}", locale=self.locale),
        )

    def long_day(self, value: date) -> str:
        """Day, month and year: ``12 January 2026``."""
        return format_date(value, _LONG_DAY.get(self.code, "d MMMM y"), locale=self.locale)

    def month(self, value: date) -> str:
        """Month and year: ``January 2026``."""
        return format_date(value, _MONTH.get(self.code, "LLLL y"), locale=self.locale)


@cache
def language(code: str) -> Language:
    """The language of a tag in `LANGUAGES`."""
    return Language(code, Locale.parse(code), _catalogue(code))


_NOW: ContextVar[str] = ContextVar("language", default="en")


@contextmanager
def speaking(code: str) -> Iterator[Language]:
    """Everything put into words inside is put into this language."""
    before = _NOW.set(code)
    try:
        yield language(code)
    finally:
        _NOW.reset(before)


def spoken() -> Language:
    """The language of the document being made."""
    return language(_NOW.get())


def _(text: str, **values: Any) -> str:
    """A sentence in the language spoken, with its ``{fields}`` filled in.

    Examples
    --------
    >>> _("Cold took {minutes}.", minutes="12 min")
    'Cold took 12 min.'
    """
    said = spoken().words.gettext(text)
    return said.format(**values) if values else said


def ngettext(one: str, many: str, n: int, **values: Any) -> str:
    """As `_`, by a count; ``{n}`` is the count as printed.

    Examples
    --------
    >>> ngettext("{n} stop", "{n} stops", 2)
    '2 stops'
    """
    said = spoken().words.ngettext(one, many, n)
    return said.format(n=spoken().decimal(n, 0), **values)


def pgettext(context: str, text: str, **values: Any) -> str:
    """As `_`, where one English word needs several in other languages."""
    said = spoken().words.pgettext(context, text)
    return said.format(**values) if values else said


def listed(words: Sequence[str]) -> str:
    """Words one after the other, the last two joined by *and*.

    Examples
    --------
    >>> listed(["cold", "site", "idle"])
    'cold, site and idle'
    """
    if len(words) < 2:
        return "".join(words)
    return _("{first} and {last}", first=", ".join(words[:-1]), last=words[-1])


def _catalogue(code: str) -> gettext.NullTranslations:
    path = folder("report_templates") / "languages" / f"{code}.po"
    if code == "en" or not path.exists():
        return gettext.NullTranslations()
    with path.open("rb") as stream:
        catalogue = read_po(stream, locale=code)
    packed = io.BytesIO()
    write_mo(packed, catalogue)
    packed.seek(0)
    return gettext.GNUTranslations(packed)

"""What all one-page documents share: their page, their names as files, their instant."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.report.filters import name, one_line
from pipeline.report.language import spoken
from pipeline.report.pages import environment
from pipeline.report.style import stylesheet
from pipeline.report.templates import rendered
from pipeline.resources import folder

_UNFIT = re.compile(r"[^a-z0-9]+")
_LONGEST = 60
_HEADING_LETTERS = 60


@dataclass(frozen=True)
class Sheet:
    """A document ready to be printed.

    Parameters
    ----------
    path
        Relative to the edition's folder, without suffix: ``vehicles/van-07``.
    html
        The whole page, self-contained.
    """

    path: str
    html: str


def sheet_html(
    template: str,
    fleet: Fleet,
    context: Mapping[str, Any],
    *,
    title: str,
    running: str,
    instant: datetime,
    version: str,
    method_version: str,
) -> str:
    """The page of one template, in the language spoken.

    Parameters
    ----------
    template
        File under ``report_templates`` that extends ``sheet.html.j2``.
    context
        What the template prints, ready-made.
    title
        Of the document, for readers and bookmarks.
    running
        Line at the foot of the page.
    instant
        Of the edition; the document carries no other time, so that it can be made again.
    """
    settings = fleet.settings
    screen = (folder("report_templates") / "screen.css").read_text(encoding="utf-8")
    shared = {
        "lang": spoken().code,
        "title": title,
        "running": running,
        "operator": one_line(settings.operator),
        "currency": settings.currency,
        "time_zone": settings.time_zone,
        "created": instant.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "version": version,
        "method_version": method_version,
        "stylesheet": Markup(stylesheet()),
        "screen_stylesheet": Markup(screen),
    }
    return rendered(environment(fleet), fleet.folder, template, shared | dict(context))


def heading_name(text: str | None) -> str:
    """A name as a heading; right-to-left letters keep their ellipsis at their own end."""
    clean = name(text, _HEADING_LETTERS)
    is_plain = all(ord(letter) < 0x590 for letter in clean)
    return clean if is_plain else f"\u2068{clean}\u2069"


def file_stem(name: str) -> str:
    """A file name for a name from an export, which may hold anything; other names, other stems.

    Examples
    --------
    >>> file_stem("van-07")
    'van-07'
    >>> file_stem("../Ärger: #1")
    'arger-1-5c0a1e'
    """
    bare = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    stem = _UNFIT.sub("-", bare).strip("-")[:_LONGEST].strip("-")
    if stem == name:
        return stem
    return f"{stem or 'x'}-{hashlib.sha256(name.encode()).hexdigest()[:6]}"

"""The one stylesheet of all documents, with the palette and the words of the page foot."""

from __future__ import annotations

import base64
import re
from functools import cache

from pipeline.report import palette
from pipeline.report.language import _, spoken
from pipeline.resources import folder

SHEETS = ("report.css", "sheets.css")
_FONT = re.compile(r'url\("(fonts/[A-Za-z-]+\.ttf)"\)')


def stylesheet(*, is_inlined: bool = True) -> str:
    """The stylesheet in the language spoken; fonts inlined, or as files for printing."""
    return _stylesheet(spoken().code, _("page {page} of {pages}"), is_inlined)


def style_element() -> str:
    """The stylesheet as it stands in every page."""
    return f"<style>{stylesheet()}</style>"


@cache
def _stylesheet(code: str, folio: str, is_inlined: bool) -> str:
    templates = folder("report_templates")
    tokens = "".join(f"--{key}:{value};" for key, value in palette.TOKENS.items())
    before, _sep, rest = folio.partition("{page}")
    between, _sep, after = rest.partition("{pages}")
    words = "".join(
        f"--folio-{key}:{_css_string(text)};"
        for key, text in (("before", before), ("between", between), ("after", after))
    )
    css = "".join(
        (templates / name).read_text(encoding="utf-8")
        for name in SHEETS
        if (templates / name).exists()
    )

    def inlined(match: re.Match[str]) -> str:
        data = base64.b64encode((templates / match[1]).read_bytes()).decode("ascii")
        return f'url("data:font/ttf;base64,{data}")'

    if is_inlined:
        css = _FONT.sub(inlined, css)
    return f":root{{{tokens}{words}}}\n{css}"


def _css_string(text: str) -> str:
    return '"' + "".join(c if c.isalnum() else f"\\{ord(c):06x}" for c in text) + '"'

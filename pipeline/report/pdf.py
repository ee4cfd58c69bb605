"""HTML to PDF, strictly: no fetching, and every warning stops the document."""

from __future__ import annotations

import atexit
import hashlib
import logging
import re
import sys
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.language import LANGUAGES, speaking
from pipeline.report.pdf_tags import mend_tags
from pipeline.report.style import style_element, stylesheet
from pipeline.resources import folder

VARIANT = "pdf/a-3a"
_LANGUAGE = re.compile(r'<html lang="([a-z]{2})"')
_UA_METADATA = b"""
<rdf:Description rdf:about="" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">
<pdfuaid:part>1</pdfuaid:part>
</rdf:Description>
<rdf:Description rdf:about="" xmlns:pdfaExtension="http://www.aiim.org/pdfa/ns/extension/"
 xmlns:pdfaSchema="http://www.aiim.org/pdfa/ns/schema#"
 xmlns:pdfaProperty="http://www.aiim.org/pdfa/ns/property#">
<pdfaExtension:schemas><rdf:Bag><rdf:li rdf:parseType="Resource">
<pdfaSchema:schema>PDF/UA identification schema</pdfaSchema:schema>
<pdfaSchema:namespaceURI>http://www.aiim.org/pdfua/ns/id/</pdfaSchema:namespaceURI>
<pdfaSchema:prefix>pdfuaid</pdfaSchema:prefix>
<pdfaSchema:property><rdf:Seq><rdf:li rdf:parseType="Resource">
<pdfaProperty:name>part</pdfaProperty:name>
<pdfaProperty:valueType>Integer</pdfaProperty:valueType>
<pdfaProperty:category>internal</pdfaProperty:category>
<pdfaProperty:description>part of ISO 14289 that the document follows</pdfaProperty:description>
</rdf:li></rdf:Seq></pdfaSchema:property>
</rdf:li></rdf:Bag></pdfaExtension:schemas>
</rdf:Description>
"""
_REPLACEMENT = "\u25a1"


def check_pdf_support() -> Problem | None:
    """None where PDF can be written; otherwise what is missing and the exact remedy."""
    try:
        _load()
    except OSError as error:
        remedy = (
            "brew install pango"
            if sys.platform == "darwin"
            else "apt-get install -y --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 "
            "libharfbuzz-subset0"
        )
        return Problem(
            "ENV-01",
            "stop",
            "PDF support",
            f"the Pango library cannot be loaded ({str(error).splitlines()[0][:160]})",
            f"Install it: {remedy} - or run with --no-pdf, which writes HTML and tables.",
        )
    except ImportError as error:
        return Problem(
            "ENV-01",
            "stop",
            "PDF support",
            f"weasyprint cannot be imported ({error})",
            "Install coldminutes again - or run with --no-pdf, which writes HTML and tables.",
        )
    return None


def _load() -> Any:
    import weasyprint

    return weasyprint


@contextmanager
def _collected_warnings() -> Iterator[list[str]]:
    """Messages that WeasyPrint and its font code log at level warning or above."""
    messages: list[str] = []

    class Collector(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            messages.append(record.getMessage())

    collector = Collector(logging.WARNING)
    loggers = [logging.getLogger(name) for name in ("weasyprint", "fontTools.subset")]
    before = [(logger.level, logger.propagate) for logger in loggers]
    for logger in loggers:
        logger.addHandler(collector)
        logger.setLevel(logging.WARNING)
        logger.propagate = False
    try:
        yield messages
    finally:
        for logger, (level, propagate) in zip(loggers, before, strict=True):
            logger.removeHandler(collector)
            logger.setLevel(level)
            logger.propagate = propagate


def refusing_fetcher() -> Any:
    """A fetcher that knows files under report_templates and data: URIs, and nothing else."""
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    root = folder("report_templates").resolve()

    class Refusing(URLFetcher):  # type: ignore[misc]
        def fetch(self, url: str, headers: Any = None) -> Any:
            if url.startswith("data:"):
                return super().fetch(url, headers)
            parts = urlsplit(url)
            path = Path(url2pathname(unquote(parts.path))).resolve()
            if parts.scheme == "file" and path.is_relative_to(root) and path.is_file():
                return URLFetcherResponse(url, path.read_bytes())
            raise ValueError(f"refused: {url[:120]}")

    return Refusing(allowed_protocols=("data", "file"))


@cache
def _printable() -> frozenset[int]:
    """Code points that the shipped fonts can draw."""
    from fontTools.ttLib import TTFont  # type: ignore[import-untyped]

    known: set[int] = set()
    for path in sorted((folder("report_templates") / "fonts").glob("*.ttf")):
        with TTFont(path, lazy=True) as font:
            known |= set(font.getBestCmap())
    return frozenset(known)


def drawable(text: str) -> str:
    """The text with every letter that no shipped font has as an empty box.

    Without this, a name in such letters would be drawn with whatever font the machine has, or
    stop the document; the HTML version keeps the letters.
    """
    known = _printable()
    invisible = {0x09, 0x0A, 0x0D, *range(0x2066, 0x206A), 0x200B, 0x200E, 0x200F}
    missing = {ord(letter) for letter in set(text)} - known - invisible
    return text.translate(dict.fromkeys(missing, _REPLACEMENT)) if missing else text


@dataclass(frozen=True)
class Attached:
    """A table inside a document, as a file that a reader can save."""

    name: str
    description: str
    content: bytes


@cache
def _fonts() -> Any:
    """The fonts of all stylesheets, which differ in words only."""
    from weasyprint.text.fonts import FontConfiguration

    return FontConfiguration()


@cache
def load_style(code: str) -> tuple[Any, Any]:
    """The stylesheet and its fonts, read once per process: half of what a short page costs."""
    with speaking(code):
        css = _load().CSS(
            string=stylesheet(is_inlined=False),
            base_url=_base_url(),
            url_fetcher=refusing_fetcher(),
            font_config=_fonts(),
        )
    return css, _fonts()


def forget_style() -> None:
    """Let the fonts remove their folder."""
    load_style.cache_clear()
    _fonts.cache_clear()


# WeasyPrint's fonts clean up after themselves, which fails once modules are being taken down.
atexit.register(forget_style)


def write_pdf(
    html: str, path: Path, attached: Sequence[Attached] = (), instant: datetime | None = None
) -> None:
    """Write a tagged PDF/A-3a that calls itself PDF/UA-1 too.

    Its identifier is a hash of what it holds, so equal pages give equal bytes.

    Parameters
    ----------
    html
        A whole page of ours; its stylesheet is replaced by the one read already.
    attached
        Tables to embed, dated `instant`.

    Raises
    ------
    ColdMinutesError
        ``ENV-01`` where Pango is missing, ``REPORT-01`` with everything WeasyPrint warned of.
    """
    problem = check_pdf_support()
    if problem is not None:
        raise ColdMinutesError([problem], exit_code=4)
    weasyprint = _load()
    content_hash = hashlib.sha256(html.encode("utf-8", "replace"))
    for each in attached:
        content_hash.update(each.content)
    found = _LANGUAGE.search(html[:200])
    code = found[1] if found and found[1] in LANGUAGES else "en"
    with speaking(code):
        page = html.replace(style_element(), "", 1)
    with _collected_warnings() as messages, warnings.catch_warnings():
        # WeasyPrint 70 leaves its colour profile open for the collector to close.
        warnings.simplefilter("ignore", ResourceWarning)
        css, fonts = load_style(code)
        document = weasyprint.HTML(
            string=drawable(page), base_url=_base_url(), url_fetcher=refusing_fetcher()
        )
        content = document.write_pdf(
            stylesheets=[css],
            font_config=fonts,
            finisher=_also_accessible,
            attachments=[
                weasyprint.Attachment(
                    string=each.content,
                    name=each.name,
                    description=each.description,
                    created=instant,
                    modified=instant,
                    relationship="Data",
                )
                for each in attached
            ],
            pdf_variant=VARIANT,
            pdf_tags=True,
            pdf_identifier=content_hash.hexdigest()[:32].encode(),
        )
    if messages:
        raise ColdMinutesError(
            [
                Problem(
                    "REPORT-01",
                    "stop",
                    path.name,
                    f"the page could not be set cleanly: {message[:300]}",
                    "No document of this edition was written; the edition before it is as it "
                    "was. Run with --no-pdf for HTML and tables, and report this message.",
                )
                for message in dict.fromkeys(messages)
            ],
            exit_code=4,
        )
    path.write_bytes(content)


def _base_url() -> str:
    return folder("report_templates").as_uri() + "/"


def _also_accessible(document: Any, pdf: Any) -> None:
    """Say in the metadata that the document is PDF/UA-1 as well, and what that word means.

    WeasyPrint names one standard per document. PDF/A wants every property that it does not know
    itself to be described in the same metadata (ISO 19005-3, 6.6.2.3.3).
    """
    mend_tags(pdf)
    number = int(pdf.catalog["Metadata"].split()[0])
    stream = pdf.objects[number]
    stream.stream = [
        part.replace(b"</rdf:RDF>", _UA_METADATA + b"</rdf:RDF>", 1) for part in stream.stream
    ]

"""HTML to PDF, strictly: no fetching, and every warning stops the document."""

from __future__ import annotations

import hashlib
import logging
import sys
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

from pipeline.problems import ColdMinutesError, Problem
from pipeline.resources import folder

VARIANT = "pdf/a-3a"
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


def write_pdf(html: str, path: Path) -> None:
    """Write a tagged PDF/A; its identifier is a hash of the page, so equal pages give equal bytes.

    Raises
    ------
    ColdMinutesError
        ``ENV-01`` where Pango is missing, ``REPORT-01`` with everything WeasyPrint warned of.
    """
    problem = check_pdf_support()
    if problem is not None:
        raise ColdMinutesError([problem], exit_code=4)
    weasyprint = _load()
    identifier = hashlib.sha256(html.encode("utf-8", "replace")).hexdigest()[:32].encode()
    with _collected_warnings() as messages, warnings.catch_warnings():
        # WeasyPrint 70 leaves its colour profile open for the collector to close.
        warnings.simplefilter("ignore", ResourceWarning)
        document = weasyprint.HTML(
            string=drawable(html),
            base_url=folder("report_templates").as_uri() + "/",
            url_fetcher=refusing_fetcher(),
        )
        content = document.write_pdf(pdf_variant=VARIANT, pdf_tags=True, pdf_identifier=identifier)
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

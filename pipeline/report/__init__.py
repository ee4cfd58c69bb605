"""The report stage: weekly tables in DuckDB become documents and tables in a folder.

Nothing is computed here that the weekly stage could have computed; this package orders, words,
draws and prints. WeasyPrint and matplotlib are imported inside functions only, so that the
command line stays quick and a machine without Pango can still write HTML and tables.
"""

from __future__ import annotations

from pipeline.report.edition import SCHEMA_VERSION, report
from pipeline.report.look import check_look
from pipeline.report.pdf import check_pdf_support

__all__ = ["SCHEMA_VERSION", "check_look", "check_pdf_support", "report"]

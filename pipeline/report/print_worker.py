"""What a printing process has loaded before its first page; imported there only."""

from __future__ import annotations

import gc
from contextlib import suppress
from multiprocessing.util import Finalize

from pipeline.report import pdf

GC_EVERY_N = 50_000
"""Boxes of a page die with the page; looking for them every 700 was a tenth of printing."""

with suppress(OSError, ImportError):  # the caller has said already that Pango is missing
    pdf.load_style("en")


def begin() -> None:
    """Make ready for pages."""
    gc.freeze()
    gc.set_threshold(GC_EVERY_N, 20, 20)
    # Should `atexit` not be reached in a child of multiprocessing.
    Finalize(None, pdf.forget_style, exitpriority=0)

"""One small edition with PDF, logo and colours, made once per process: a PDF costs seconds."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
from PIL import Image
from report_data import WEEK, fill, fleet_of, invented_stops, names_of, tables_of

from pipeline.report import report

_KEPT: list[TemporaryDirectory[str]] = []


@cache
def small_edition() -> Path:
    """Folder of an invented edition: 6 vehicles, 18 stops, drivers by pseudonym."""
    _KEPT.append(TemporaryDirectory(prefix="edition-"))
    folder = Path(_KEPT[-1].name)
    vehicles = names_of(6)
    con = duckdb.connect(":memory:")
    con.execute("set TimeZone = 'UTC'")
    fill(con, tables_of(vehicles, invented_stops(vehicles, 3, random.Random(5))))
    Image.new("RGBA", (120, 40), (0, 95, 115, 128)).save(folder / "logo.png")
    look = {"logo": "logo.png", "heading_colour": "#005f73", "address": ["Norrvägen 1", "Skarnby"]}
    fleet = fleet_of(look=look).model_copy(update={"folder": folder})
    report(con, fleet, WEEK, folder / "out", pdf=True, method_version="1", version="1")
    con.close()
    return folder / "out" / WEEK

"""Sites and models found in data: clusters of standing fast charges, measured capacities."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from math import cos, hypot, radians

import duckdb
import polars as pl

from pipeline import warehouse

CELL_DEG = 0.002
"""About 220 m; cells that touch are one site."""
FAST_KW = 30.0
"""More than any AC outlet in use gives a van."""
GAINED_PCT = 20.0
LIKE_SHARE = 0.08
"""Capacities within this of each other are taken for one model."""
MARGIN_M = 100.0


@dataclass(frozen=True)
class FoundSite:
    """A place of fast charges: position or name, or both."""

    site_id: str
    name: str
    latitude_deg: float | None
    longitude_deg: float | None
    radius_m: float
    power_max_kw: float | None
    visits_n: int
    words: tuple[str, ...]


@dataclass(frozen=True)
class FoundModel:
    """Vehicles whose measured capacities are alike; None where none could be measured."""

    model_id: str
    usable_kwh: float | None
    vehicle_ids: tuple[str, ...]


def found_sites(con: duckdb.DuckDBPyConnection) -> list[FoundSite]:
    """Sites from positions, and from names where there are no positions."""
    params = {"cell_deg": CELL_DEG, "fast_kw": FAST_KW}
    sites = [
        _site(number, cells)
        for number, cells in enumerate(
            _clusters(warehouse.query(con, "start/fast_charge_cells", params)), start=1
        )
    ]
    said = {word.lower() for site in sites for word in site.words}
    taken = {site.site_id for site in sites}
    for row in warehouse.query(con, "start/named_places", params).iter_rows(named=True):
        if row["site_id"].lower() in said:
            continue
        site_id = slug(row["site_id"], taken)
        taken.add(site_id)
        sites.append(
            FoundSite(
                site_id,
                row["site_id"],
                row["latitude_deg"] if row["longitude_deg"] is not None else None,
                row["longitude_deg"] if row["latitude_deg"] is not None else None,
                150.0,
                row["power_max_kw"],
                0,
                (row["site_id"],),
            )
        )
    return sites


def found_models(con: duckdb.DuckDBPyConnection, vehicle_ids: list[str]) -> list[FoundModel]:
    """Vehicles grouped by the capacity that their charges show."""
    measured = warehouse.query(con, "start/measured_capacities", {"gained_pct": GAINED_PCT})
    rows = sorted(
        (row["usable_kwh"], row["vehicle_id"])
        for row in measured.iter_rows(named=True)
        if 5 < row["usable_kwh"] < 1500
    )
    groups: list[list[tuple[float, str]]] = []
    for kwh, vehicle_id in rows:
        if groups and kwh <= groups[-1][0][0] * (1 + LIKE_SHARE):
            groups[-1].append((kwh, vehicle_id))
        else:
            groups.append([(kwh, vehicle_id)])
    models: list[FoundModel] = []
    for group in groups:
        middle = sorted(kwh for kwh, _ in group)[len(group) // 2]
        name = slug(f"pack-{middle:.0f}", {model.model_id for model in models})
        models.append(FoundModel(name, round(middle, 1), tuple(v for _, v in group)))
    known = {vehicle_id for _, vehicle_id in rows}
    rest = tuple(vehicle_id for vehicle_id in vehicle_ids if vehicle_id not in known)
    if rest:
        models.append(FoundModel("unknown", None, rest))
    return models


def slug(text: str, taken: set[str]) -> str:
    """A short plain id, unlike those taken."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    bare = "-".join(re.findall(r"[a-z0-9]+", plain))[:40] or "site"
    name, number = bare, 2
    while name in taken:
        name, number = f"{bare}-{number}", number + 1
    return name


def _clusters(cells: pl.DataFrame) -> list[pl.DataFrame]:
    """Cells that touch, also at a corner, together; the most visited cluster first."""
    left = {(row, column): at for at, (row, column) in enumerate(cells.select(
        "row_n", "column_n").iter_rows())}  # fmt: skip
    clusters = []
    while left:
        start, _ = next(iter(left.items()))
        waiting, members = [start], []
        while waiting:
            row, column = waiting.pop()
            at = left.pop((row, column), None)
            if at is None:
                continue
            members.append(at)
            waiting += [(row + i, column + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        clusters.append(cells[sorted(members)])
    return sorted(clusters, key=lambda part: -int(part["visits_n"].sum()))


def _site(number: int, cells: pl.DataFrame) -> FoundSite:
    weight = cells["samples_n"] / cells["samples_n"].sum()
    latitude = float((cells["latitude_deg"] * weight).sum())
    longitude = float((cells["longitude_deg"] * weight).sum())
    reach_m = max(
        111_195 * hypot(a - latitude, (o - longitude) * cos(radians(latitude)))
        for a, o in cells.select("latitude_deg", "longitude_deg").iter_rows()
    )
    words = sorted({word for found in cells["words"].drop_nulls() for word in found})
    return FoundSite(
        f"site-{number}",
        words[0] if words else f"Site {number}",
        round(latitude, 5),
        round(longitude, 5),
        round(max(150.0, reach_m + MARGIN_M)),
        float(cells["power_max_kw"].max() or 0.0) or None,  # type: ignore[arg-type]
        int(cells["visits_n"].sum()),
        tuple(words),
    )

"""What the loggers, boxes and back offices write: five layouts, with the defects of real exports.

Each layout is deliberately different in delimiter, units, sign, clock and encoding. Defects touch
the exports only, never the truth; the spans they spoil are returned, so that the truth can say
which stops have one nearby.
"""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
import polars as pl
from sim_physics import Array
from sim_truth import Stop
from sim_vehicle import MODE_AC, MODE_DC, NavEvent
from sim_world import (
    DC_SITES,
    DEPOT,
    KM_PER_DEG_LAT,
    KM_PER_DEG_LON,
    ORIGIN_LAT,
    ORIGIN_LON,
    RNG_DEFECT,
    ZONE,
    ZONE_NAME,
    FleetSpec,
    Rota,
    VehicleSetup,
    utc_text,
)

KM_PER_MILE = 1.609344
MODE_WORDS = {0: "none", MODE_AC: "ac", MODE_DC: "dc"}
SITE_NAMES = {site.site_id: site.name for site in (*DC_SITES, DEPOT)}
FIXED_DATE = datetime(2026, 1, 1)  # workbooks carry a creation date; equal input, equal bytes
Span = tuple[float, float]
# (vehicle index, week) -> kinds of bad cell that must occur, so that the sample shows each once.
CERTAIN_DEFECTS: dict[tuple[int, int], list[int]] = {(4, 1): [3], (6, 3): [2], (7, 2): [3]}


def to_frame(rows: dict[str, Array]) -> pl.DataFrame:
    """One vehicle's week in our own units, before a layout bends it."""
    frame = pl.DataFrame(rows)
    return frame.with_columns(
        (ORIGIN_LAT + pl.col("y_km") / KM_PER_DEG_LAT).round(3).alias("lat"),
        (ORIGIN_LON + pl.col("x_km") / KM_PER_DEG_LON).round(3).alias("lon"),
        pl.col("mode").cast(pl.Int8),
    ).drop("x_km", "y_km")


@dataclass
class Damage:
    """The spoiled spans and the single cells that hold text instead of a number."""

    spans: list[Span] = field(default_factory=list)
    text_rows: list[int] = field(default_factory=list)


def damage(
    spec: FleetSpec, setup: VehicleSetup, week: int, frame: pl.DataFrame
) -> tuple[pl.DataFrame, Damage]:
    """Spoil a few rows: holes, doubles, impossible values, a clock set back, far-off dates."""
    harm = Damage()
    n = frame.height
    if not spec.defects or n < 500:
        return frame, harm
    rng = spec.rng(RNG_DEFECT, setup.index, week)
    times = frame["t_s"].to_numpy()
    keep = np.ones(n, bool)
    for _ in range(rng.poisson(0.35)):
        start = times[int(rng.integers(n))]
        length = float(np.exp(rng.uniform(np.log(20.0), np.log(1200.0))))
        hole = (times >= start) & (times < start + length)
        keep &= ~hole
        harm.spans.append((start, start + length))
    frame = frame.filter(pl.Series(keep))
    n = frame.height
    times = frame["t_s"].to_numpy()
    columns = {name: frame[name].to_numpy().copy() for name in frame.columns}
    kinds = rng.integers(4, size=rng.poisson(0.3)).tolist()
    kinds += CERTAIN_DEFECTS.get((setup.index, week), [])
    for bad in kinds:
        at, length = int(rng.integers(n - 8)), int(rng.integers(1, 7))
        rows = slice(at, at + length)
        if bad == 0:
            columns["soc_pct"][rows] = 140.0
        elif bad == 1:
            columns["cell_min_degc"][rows] = -60.0
        elif bad == 2:
            columns["cell_max_degc"][rows] = 255.0
        else:
            harm.text_rows.append(at)
        harm.spans.append((times[at], times[min(n - 1, at + length)]))
    if setup.index == 2 and week == min(2, spec.weeks - 1):
        # The clock of one logger is set back ten minutes for a stretch of a working day.
        start = float(times[int(0.45 * n)])
        back = (times >= start) & (times < start + 2.3 * 3600.0)
        columns["t_s"] = np.where(back, times - 600.0, times)
        if back.any():
            harm.spans.append((start - 600.0, start + 2.3 * 3600.0))
    frame = pl.DataFrame(columns, schema=frame.schema)
    # Extra rows go in by position, so that a file stays in the order a logger would write it.
    order = np.arange(n, dtype=float)
    doubles = np.sort(rng.choice(n, max(1, n // 2000), replace=False))
    extra = [frame[doubles.tolist()]]
    extra_order = [doubles + 0.5]
    if rng.random() < 0.2:
        at = int(rng.integers(n - 3))
        other = frame[at : at + 2].with_columns(
            pl.col("soc_pct") + 7.0, pl.col("pack_kw") * 0.4 - 3.0
        )
        extra.append(other)
        extra_order.append(np.array([at + 0.4, at + 1.4]))
        harm.spans.append((times[at], times[at + 1]))
    if rng.random() < 0.15:
        at = int(rng.integers(n - 3))
        extra.append(frame[at : at + 3].with_columns(pl.col("t_s") + 4000.0 * 86400.0))
        extra_order.append(np.array([at + 0.2, at + 1.2, at + 2.2]))
    order_of_text = [order[row] for row in harm.text_rows]
    all_order = np.concatenate([order, *extra_order])
    rank = np.argsort(all_order, kind="stable")
    frame = pl.concat([frame, *extra])[rank.tolist()]
    harm.text_rows = [int(np.flatnonzero(all_order[rank] == row)[0]) for row in order_of_text]
    return frame, harm


def _with_text(frame: pl.DataFrame, column: str, rows: list[int], word: str) -> pl.DataFrame:
    if not rows:
        return frame
    values = frame[column].cast(pl.String).to_list()
    for row in rows:
        values[row] = word
    return frame.with_columns(pl.Series(column, values, dtype=pl.String))


def _instant() -> pl.Expr:
    return pl.from_epoch((pl.col("t_s").round() * 1000).cast(pl.Int64), time_unit="ms")


def tailgate_csv(frame: pl.DataFrame, text_rows: list[int]) -> bytes:
    """Comma, UTC with a Z, watts, whole km/h."""
    mode = pl.col("mode").replace_strict(MODE_WORDS, return_dtype=pl.String)
    table = frame.select(
        _instant().dt.strftime("%Y-%m-%dT%H:%M:%SZ").alias("utc"),
        ((pl.col("pack_kw") * 10).round().cast(pl.Int64) * 100).alias("pack_w"),
        # Half per cents, as the display of these vans has them inside.
        ((pl.col("soc_pct") * 2).round() / 2).alias("soc_pct"),
        (pl.col("cell_min_degc").round(1)).alias("cell_min_c"),
        (pl.col("cell_max_degc").round(1)).alias("cell_max_c"),
        ((pl.col("heater_kw") * 100).round().cast(pl.Int64) * 10).alias("heater_w"),
        ((pl.col("ambient_degc") * 2).round() / 2).alias("ambient_c"),
        pl.col("speed_kmh").round().cast(pl.Int64),
        pl.col("odo_km").round(1),
        pl.col("is_connected").cast(pl.Int64).alias("cable"),
        mode.alias("charge_mode"),
        "lat",
        "lon",
    )
    table = _with_text(table, "soc_pct", text_rows, "ERR")
    return table.write_csv().encode()


def fleetbox_csv(frame: pl.DataFrame, vehicle_id: str, text_rows: list[int]) -> bytes:
    """Semicolon, decimal comma, local clock without a zone, amperes out of the pack, Latin-1."""
    volt = (340.0 + 0.5 * pl.col("soc_pct") + 0.06 * pl.col("pack_kw")).round(0)
    local = _instant().dt.replace_time_zone("UTC").dt.convert_time_zone(ZONE_NAME)
    table = frame.with_columns(volt.alias("volt")).select(
        pl.lit(vehicle_id).alias("Fordon"),
        local.dt.strftime("%d.%m.%Y %H:%M:%S").alias("Tid"),
        (-pl.col("pack_kw") * 1000.0 / pl.col("volt")).round(1).alias("Ström_A"),
        pl.col("volt").cast(pl.Int64).alias("Spänning_V"),
        (pl.col("soc_pct") / 100.0).round(3).alias("SOC"),
        pl.col("cell_min_degc").round(1).alias("Cell_min_°C"),
        pl.col("cell_max_degc").round(1).alias("Cell_max_°C"),
        pl.col("heater_kw").round(1).alias("Batterivärmare_kW"),
        pl.col("ambient_degc").round(0).cast(pl.Int64).alias("Utomhus_°C"),
        pl.col("speed_kmh").round().cast(pl.Int64).alias("Fart_km/h"),
        pl.col("odo_km").round(1).alias("Mätarställning_km"),
        pl.when(pl.col("is_connected") > 0).then(pl.lit("ja")).otherwise(pl.lit("nej"))
        .alias("Kabel"),
        pl.col("lat").alias("Bredd"),
        pl.col("lon").alias("Längd"),
    )  # fmt: skip
    if text_rows:
        comma = pl.col("SOC").cast(pl.String).str.replace(".", ",", literal=True)
        table = _with_text(table.with_columns(comma), "SOC", text_rows, "fel")
    text = table.write_csv(separator=";", decimal_comma=True)
    return text.encode("iso-8859-1")


def cloudpull_parquet(frame: pl.DataFrame, vehicle_id: str) -> bytes:
    """Epoch milliseconds, Fahrenheit, miles; no heater, no cable."""
    mode = pl.col("mode").replace_strict(MODE_WORDS, return_dtype=pl.String)
    table = frame.select(
        pl.lit(vehicle_id).alias("unit"),
        (pl.col("t_s").round() * 1000).cast(pl.Int64).alias("ts_ms"),
        pl.col("pack_kw").round(1),
        pl.col("soc_pct").round(1).alias("soc"),
        (pl.col("cell_min_degc") * 1.8 + 32.0).round(1).alias("cell_low_f"),
        (pl.col("cell_max_degc") * 1.8 + 32.0).round(1).alias("cell_high_f"),
        (pl.col("ambient_degc") * 1.8 + 32.0).round(0).alias("outside_f"),
        (pl.col("speed_kmh") / KM_PER_MILE).round(0).alias("speed_mph"),
        (pl.col("odo_km") / KM_PER_MILE).round(1).alias("odometer_mi"),
        mode.alias("charging"),
        pl.col("lat").alias("gps_lat"),
        pl.col("lon").alias("gps_lon"),
    )
    buffer = io.BytesIO()
    table.write_parquet(buffer, compression="zstd", compression_level=19, statistics=False)
    return buffer.getvalue()


def gz(data: bytes) -> bytes:
    return gzip.compress(data, compresslevel=9, mtime=0)


class FleetboxZip:
    """One zip per week, one CSV per vehicle in it, written as the vehicles come."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file: zipfile.ZipFile | None = None

    def add(self, name: str, data: bytes) -> None:
        if self.file is None:
            self.file = zipfile.ZipFile(self.path, "w", zipfile.ZIP_DEFLATED, compresslevel=9)
        info = zipfile.ZipInfo(name, date_time=(2026, 1, 1, 0, 0, 0))
        info.compress_type = zipfile.ZIP_DEFLATED
        info.external_attr = 0o644 << 16
        self.file.writestr(info, data)

    def close(self) -> None:
        if self.file is not None:
            self.file.close()


def _local(epoch_s: float) -> datetime:
    return datetime.fromtimestamp(round(epoch_s), ZONE)


def chargelog_csv(stops: list[Stop], spec: FleetSpec, week: int) -> bytes:
    """Summaries only: one row per charge, clock with its offset, metered energy."""
    lines = [
        "unit,plugged_at,unplugged_at,meter_kwh,soc_from,soc_to,station,peak_kw,current,odo_mi"
    ]
    for stop in stops:
        lines.append(
            f"{stop.vehicle_id},{_local(stop.plug_in_s).isoformat()},"
            f"{_local(stop.plug_out_s).isoformat()},{stop.meter_kwh:.2f},"
            f"{stop.soc_start_pct:.0f},{stop.soc_end_pct:.0f},{SITE_NAMES[stop.site_id]},"
            f"{stop.peak_kw:.1f},{stop.mode},{stop.odo_km / KM_PER_MILE:.1f}"
        )
    if spec.defects and len(lines) > 6 and week % 3 == 1:
        lines.insert(4, lines[3])  # the back office sent one charge twice
        cells = lines[5].split(",")
        cells[5] = "140"
        lines[5] = ",".join(cells)
        stops[3].is_defect_near = True
    return ("\n".join(lines) + "\n").encode()


def hirebook_xlsx(stops: list[Stop]) -> bytes:
    """A workbook with other names and units: watt-hours, charge as a fraction, minutes only."""
    header = (
        "Fleet no", "Cable in", "Cable out", "Energy Wh", "Battery before", "Battery after",
        "Charging place", "Best power W", "Kind", "Miles",
    )  # fmt: skip
    rows = [
        (
            stop.vehicle_id,
            _local(stop.plug_in_s).strftime("%d/%m/%Y %H:%M %z"),
            _local(stop.plug_out_s).strftime("%d/%m/%Y %H:%M %z"),
            round(stop.meter_kwh * 1000.0, -1),
            round(stop.soc_start_pct / 100.0, 2),
            round(stop.soc_end_pct / 100.0, 2),
            SITE_NAMES[stop.site_id],
            round(stop.peak_kw * 1000.0, -2),
            stop.mode.upper(),
            round(stop.odo_km / KM_PER_MILE, 1),
        )
        for stop in stops
    ]
    return _workbook("Charges", header, rows)


def roster_xlsx(rota: Rota) -> bytes:
    """Who drove what: local wall clock, no zone."""
    rows = [
        (
            shift.vehicle_id,
            _local(shift.start_s).strftime("%Y-%m-%d %H:%M"),
            _local(shift.end_s).strftime("%Y-%m-%d %H:%M"),
            shift.driver_id,
        )
        for shift in sorted(rota.written, key=lambda s: (s.start_s, s.vehicle_id, s.driver_id))
    ]
    return _workbook("Rota", ("vehicle", "from", "to", "driver"), rows)


def _workbook(
    sheet_name: str, header: tuple[str, ...], rows: Sequence[tuple[str | float, ...]]
) -> bytes:
    import xlsxwriter  # only the layouts with workbooks need it

    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    book.set_properties({"created": FIXED_DATE})
    sheet = book.add_worksheet(sheet_name)
    for row, cells in enumerate([header, *rows]):
        sheet.write_row(row, 0, cells)
    sheet.set_column(0, len(header) - 1, 20)
    book.close()
    return buffer.getvalue()


def nav_csv(events: list[tuple[str, NavEvent]]) -> bytes:
    """Destinations set and cleared in the vehicles."""
    lines = ["vehicle,utc,event,kind,lat,lon"]
    for vehicle_id, event in sorted(events, key=lambda item: (item[1].t_s, item[0])):
        lat = ORIGIN_LAT + event.y_km / KM_PER_DEG_LAT
        lon = ORIGIN_LON + event.x_km / KM_PER_DEG_LON
        lines.append(
            f"{vehicle_id},{utc_text(event.t_s)},{event.event},{event.kind},{lat:.4f},{lon:.4f}"
        )
    return ("\n".join(lines) + "\n").encode()


def truth_csv(stops: list[Stop]) -> bytes:
    """One row per charge session, AC included; floats to two places, flags as true/false."""
    columns: dict[str, list[object]] = {}
    for stop in sorted(stops, key=lambda s: (s.vehicle_id, s.plug_in_s)):
        for name, value in vars(stop).items():
            if name in ("odo_km", "peak_kw"):
                continue
            if name.endswith("_s"):
                name, value = name[:-2] + "_utc", utc_text(value)
            elif isinstance(value, float):
                value = round(value, 3)
            elif value == "":
                value = None
            columns.setdefault(name, []).append(value)
    return pl.DataFrame(columns, infer_schema_length=None, strict=False).write_csv().encode()

"""Meter values of OCPP as a plain table of a charger's readings.

One reading per meter value: power and register at the outlet, the state of charge that the
vehicle told, what was offered. What is in another unit is converted, powers of ten are applied,
phases are added up.

References
----------
OCPP 1.6 edition 2, 7.31 and following: the value is text, the unit defaults to Wh for energy,
``Celcius`` is a permitted spelling, Temperature is that inside the charge point. OCPP 2.0.1: the
value is a number, ``unitOfMeasure.multiplier`` a power of ten.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

import polars as pl

from pipeline.ingest.checks import Check, no_quarantine, set_aside
from pipeline.ingest.ocpp_messages import Flat
from pipeline.ingest.times import UTC_TIME, read_clock
from pipeline.source_config import TimeFormat

VALUES = {
    "power_kw": (-2000.0, 2000.0),
    "energy_register_kwh": (0.0, 1e8),
    "energy_interval_kwh": (0.0, 2000.0),
    "soc_pct": (0.0, 100.0),
    "power_offered_kw": (0.0, 2000.0),
    "charger_temp_degc": (-60.0, 150.0),
}
"""Column -> domain, inclusive."""

_HEAD = {
    "file_row": pl.Int64,
    "charger_id": pl.String,
    "connector_id": pl.Int32,
    "transaction_id": pl.String,
    "id_token": pl.String,
    "charging_state": pl.String,
}
READING_COLUMNS = (
    "charger_id",
    "connector_id",
    "transaction_id",
    "read_at",
    *VALUES,
    "charging_state",
    "id_token",
    "context",
)
_SAMPLE = {
    "reading_no": pl.Int64,
    "value": pl.String,
    "multiplier": pl.String,
    "measurand": pl.String,
    "unit": pl.String,
    "phase": pl.String,
    "location": pl.String,
    "context": pl.String,
    "format": pl.String,
}
_ENERGY = {"": (1e-3, 0.0), "wh": (1e-3, 0.0), "kwh": (1.0, 0.0), "mwh": (1e3, 0.0)}
_POWER = {"w": (1e-3, 0.0), "kw": (1.0, 0.0), "mw": (1e3, 0.0)}
_UNITS = {
    "power_kw": _POWER,
    "power_offered_kw": _POWER,
    "energy_register_kwh": _ENERGY,
    "energy_interval_kwh": _ENERGY,
    "soc_pct": dict.fromkeys(("", "percent", "%"), (1.0, 0.0)),
    "charger_temp_degc": {
        "": (1.0, 0.0),
        "celsius": (1.0, 0.0),
        "celcius": (1.0, 0.0),
        "fahrenheit": (5 / 9, -160 / 9),
        "k": (1.0, -273.15),
    },
}
"""Column -> unit in lower case -> factor and offset; empty where the unit may be left out. (Of
power the standards give no default, and watts are not taken for granted.)"""

_MEASURANDS = {
    "Power.Active.Import": "power_kw",
    "Power.Offered": "power_offered_kw",
    "Power.Import.Offered": "power_offered_kw",
    "Energy.Active.Import.Register": "energy_register_kwh",
    "Energy.Active.Import.Interval": "energy_interval_kwh",
    "SoC": "soc_pct",
    "Temperature": "charger_temp_degc",
}
_PLACES = ["Outlet", "Cable", "EV", "Body"]
"""From which a value is taken, the first that is there. The inlet is the side of the grid: what
flows there includes the charger's own losses."""
_CONTEXTS = [
    "Transaction.End",
    "Sample.Periodic",
    "Sample.Clock",
    "Trigger",
    "Interruption.End",
    "Interruption.Begin",
    "Other",
    "Transaction.Begin",
]
"""Of a value there with several contexts, that of the first: the one at the instant given, not
one remembered from the start."""
_PHASES = ["L1", "L2", "L3", "L1-N", "L2-N", "L3-N"]


class Readings(NamedTuple):
    """Readings in the order of the file, and the quarantine rows of those set aside."""

    rows: pl.DataFrame
    quarantine: pl.DataFrame
    read_n: int


def readings_of(flat: Flat, now: datetime) -> Readings:
    """The readings of some meter values: `READING_COLUMNS` and ``file_row``.

    Parameters
    ----------
    flat
        As `pipeline.ingest.ocpp_messages.flatten` makes it.
    now
        For instants in the future.
    """
    heads = pl.DataFrame(flat.readings, schema=_HEAD, orient="row").with_row_index("reading_no")
    heads = heads.with_columns(
        pl.col("reading_no").cast(pl.Int64), stamp=pl.Series(flat.stamps, dtype=pl.String)
    )
    clock = read_clock(heads["stamp"], None, TimeFormat())
    heads = heads.with_columns(clock.naive.alias("naive"), clock.offset_s.alias("offset_s"))
    # An instant without offset is UTC: both standards ask for it.
    offset = pl.duration(seconds=pl.col("offset_s").fill_null(0))
    read_at = (pl.col("naive") - offset).dt.replace_time_zone("UTC").cast(UTC_TIME)
    samples = _converted(pl.DataFrame(flat.samples, schema=_SAMPLE, orient="row"))
    wide = heads.with_columns(read_at=read_at).join(
        _wide(samples), on="reading_no", how="left", maintain_order="left"
    )
    is_bad, quarantine = set_aside(wide["file_row"], _checks(wide, _faults(samples), now))
    broken = pl.DataFrame(flat.broken, schema=no_quarantine().schema, orient="row")
    return Readings(
        wide.filter(~is_bad).select(*READING_COLUMNS, "file_row"),
        pl.concat([quarantine, broken]).sort("file_row", maintain_order=True),
        wide.height + broken.height,
    )


def _converted(samples: pl.DataFrame) -> pl.DataFrame:
    """Sampled values that we want, with ``column``, ``number`` (in our unit) and ``fault``."""
    units = pl.DataFrame(
        [
            {"column": column, "unit_key": unit, "factor": factor, "offset": offset}
            for column, known in _UNITS.items()
            for unit, (factor, offset) in known.items()
        ]
    )
    measurand = pl.col("measurand").fill_null("Energy.Active.Import.Register")
    place = pl.col("location")
    wanted = samples.with_columns(
        column=measurand.replace_strict(_MEASURANDS, default=None, return_dtype=pl.String)
    ).filter(
        pl.col("column").is_not_null(),
        (pl.col("format") != "SignedData").fill_null(True),
        # Nobody but the vehicle knows its charge; a battery of the charger's is none of ours.
        pl.when(column="soc_pct").then((place == "EV").fill_null(True)).otherwise(True),
        pl.when(pl.col("column") == "charger_temp_degc")
        .then((place != "EV").fill_null(True))
        .otherwise((place != "Inlet").fill_null(True)),
    )
    raw = pl.col("value").cast(pl.Float64, strict=False)
    ten = pl.col("multiplier").cast(pl.Float64, strict=False)
    return (
        wanted.with_columns(unit_key=pl.col("unit").fill_null("").str.to_lowercase())
        .join(units, on=["column", "unit_key"], how="left", maintain_order="left")
        .with_columns(raw=raw, ten=ten.fill_null(0.0))
        .with_columns(
            number=pl.col("raw") * 10 ** pl.col("ten") * pl.col("factor") + pl.col("offset")
        )
        .with_columns(
            fault=pl.when(pl.col("raw").is_null() | ~pl.col("raw").is_finite())
            .then(pl.lit("not_a_number"))
            .when(pl.col("multiplier").is_not_null() & ten.is_null())
            .then(pl.lit("not_a_number"))
            .when(pl.col("factor").is_null())
            .then(pl.lit("unknown_unit"))
        )
    )


def _wide(samples: pl.DataFrame) -> pl.DataFrame:
    """One row per reading that has any of our values, one column for each."""
    rank = {"context": _CONTEXTS, "location": _PLACES}
    default = {"context": "Sample.Periodic", "location": "Outlet"}
    ranked = samples.filter(pl.col("fault").is_null()).with_columns(
        *(
            pl.col(name)
            .fill_null(default[name])
            .replace_strict(order, list(range(len(order))), default=len(order))
            .alias(f"{name}_rank")
            for name, order in rank.items()
        ),
        context=pl.col("context").fill_null(default["context"]),
        is_whole=pl.col("phase").is_null(),
        is_phase=pl.col("phase").is_in(_PHASES),
    )
    phases = pl.col("number").filter("is_phase")
    keys = ["reading_no", "column", "context_rank", "location_rank"]
    # A phase given twice, as L1 and as L1-N, is one phase.
    once = ranked.filter(pl.col("is_whole") | pl.col("is_phase")).unique(
        [*keys, pl.col("phase").str.slice(0, 2)], keep="first", maintain_order=True
    )
    summed = (
        once.group_by(*keys, "context", maintain_order=True)
        .agg(
            number=pl.coalesce(
                pl.col("number").filter("is_whole").first(),
                pl.when(phases.len() > 0).then(phases.sum()),
            )
        )
        .sort(*keys, maintain_order=True)
    )
    return summed.group_by("reading_no", maintain_order=True).agg(
        *(pl.col("number").filter(pl.col("column") == name).first().alias(name) for name in VALUES),
        pl.col("context").get(pl.col("context_rank").arg_min()),
    )


def _faults(samples: pl.DataFrame) -> pl.DataFrame:
    """The first fault of each reading that has one."""
    return (
        samples.filter(pl.col("fault").is_not_null())
        .with_columns(
            shown=pl.when(pl.col("fault") == "unknown_unit")
            .then(
                pl.concat_str(pl.col("value"), pl.lit(" "), pl.col("unit").fill_null("(no unit)"))
            )
            .otherwise(pl.col("value").fill_null(""))
        )
        .group_by("reading_no", maintain_order=True)
        .agg(pl.col("fault", "shown", "column").first())
    )


def _checks(wide: pl.DataFrame, faults: pl.DataFrame, now: datetime) -> list[Check]:
    found = wide.select("reading_no").join(
        faults, on="reading_no", how="left", maintain_order="left"
    )
    read_at = wide["read_at"]
    checks = [
        Check("no_charger", None, wide["charger_id"].is_null(), None, "the charger's name"),
        Check("time_unreadable", "timestamp", read_at.is_null(), wide["stamp"], "RFC 3339"),
        Check(
            "time_in_future",
            "timestamp",
            (read_at > now + timedelta(days=1)).fill_null(False),
            wide["stamp"],
            "a time that has passed",
        ),
        Check(
            "time_too_early",
            "timestamp",
            (read_at.dt.year() < 2010).fill_null(False),
            wide["stamp"],
            "2010 or later",
        ),
    ]
    expected = {
        "not_a_number": "a number",
        "unknown_unit": "a unit of the standard for this measurand",
    }
    for rule, text in expected.items():
        is_broken = (found["fault"] == rule).fill_null(False)
        checks.append(Check(rule, "sampledValue", is_broken, found["shown"], text))
    for column, (low, high) in VALUES.items():
        is_out = ~wide[column].is_between(low, high).fill_null(True)
        checks.append(Check("out_of_range", column, is_out, wide[column], f"{low:g} to {high:g}"))
    return checks

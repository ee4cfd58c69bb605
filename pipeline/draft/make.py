"""From an unknown file to a drafted mapping."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.columns import REQUIRED_BY_KIND, SIGNALS_BY_KIND
from pipeline.draft.choose import Choice, choose
from pipeline.draft.evidence import STANDARD_NULLS, Column, look
from pipeline.draft.leftover import refused, unread
from pipeline.draft.names import fit
from pipeline.draft.overlaps import OVERLAP_SHARE, overlapping_share, stand_in
from pipeline.draft.physics import Track, track
from pipeline.draft.refusals import in_pieces
from pipeline.draft.sniff import Table, opened
from pipeline.draft.split import in_two_columns
from pipeline.draft.units import Units, find_units
from pipeline.draft.wording import action_words, flag_words, mode_words, place_words, use_words
from pipeline.draft.write import comment, document
from pipeline.file_names import files_pattern, vehicle_in_name
from pipeline.source_config import CsvFormat, Source


@dataclass(frozen=True)
class Draft:
    """A drafted mapping.

    Parameters
    ----------
    text
        The TOML, with its comments.
    source
        The same, checked.
    unsure
        Key or signal -> doubts; ``column:<name>`` for columns that are not read.
    needs_zone
        Stamps carry no offset and no zone was told.
    interval_s
        Median step between samples of one vehicle; None for other kinds.
    """

    text: str
    source: Source
    unsure: Mapping[str, Sequence[str]]
    needs_zone: bool
    interval_s: float | None
    rows_n: int


def draft_file(path: Path, zone: str | None = None, files: Sequence[str] | None = None) -> Draft:
    """Draft a mapping for one file.

    Parameters
    ----------
    path
        CSV, TSV, XLSX, Parquet or JSON, or a gz, zst or zip of one.
    zone
        IANA zone of stamps without an offset; without it the question stands in the draft.
    files
        Patterns of file names; from this file's name by default.

    Raises
    ------
    ColdMinutesError
        DRAFT-01 where there is no table, DRAFT-02 where it is none that a report could use.
    """
    with opened(path) as table:
        return draft_table(table, zone, files)


def draft_table(table: Table, zone: str | None = None, files: Sequence[str] | None = None) -> Draft:
    """Draft a mapping for a table already opened; see `draft_file`."""
    decimal = table.layout.decimal
    columns = {name: look(name, table.cells[name], decimal) for name in table.cells.columns}
    if why := in_two_columns(columns, decimal):
        raise in_pieces(table.name, why)
    choice = choose(columns, decimal)
    if choice is None:
        raise refused(table, columns)
    road = _road(choice, decimal)
    units = find_units(choice, road)
    source: dict[str, Any] = {"kind": choice.kind}
    source["files"] = list(files) if files is not None else [files_pattern(table.name)]
    if table.member is not None:
        source["members"] = _members(table)
    if table.sheet is not None:
        source["sheet"] = table.sheet
    if table.records is not None:
        source["records"] = table.records
    if layout := _layout(table):
        source["csv"] = layout
    source["vehicle"] = _vehicle(choice, table, columns)
    source["time"], needs_zone = _time(choice, zone)
    if nulls := _null_words(choice):
        source["null_values"] = [*STANDARD_NULLS, *nulls]
        choice.say("null_values", f"{', '.join(nulls)} stand where other cells hold values")
    source["columns"] = {
        name: _mapped(choice, name, column, units) for name, column in choice.columns.items()
    }
    cut = next((key for key in ("records", "csv") if key in source), "kind")
    for sentence in table.evidence:
        choice.say(cut, sentence)
    for sentence in table.doubts:
        choice.doubt(cut, sentence)
    foot, not_read = unread(choice, table, columns)
    shown = table.name if table.member is None else f"{table.name}, {table.member}"
    head = comment(
        f"Drafted by `coldminutes draft` from {shown}: {table.cells.height} rows looked at. "
        "Above each line stands why; look at each UNSURE before you rely on a figure."
    )
    question = "in which time zone are these stamps? They carry no offset." if needs_zone else ""
    text = document(head, source, choice.evidence, choice.doubts, question, foot)
    unsure = {**choice.doubts, **not_read}
    if needs_zone:
        unsure["time.zone"] = [question]
    checked = Source.model_validate(tomllib.loads(text))
    step = road.step_s[np.isfinite(road.step_s)] if road is not None else np.empty(0)
    interval_s = float(np.median(step)) if choice.kind == "samples" and len(step) else None
    return Draft(text, checked, unsure, needs_zone, interval_s, table.cells.height)


def _road(choice: Choice, decimal: str) -> Track | None:
    if choice.kind != "samples":
        return None
    column = choice.columns["sampled_at"]
    if column.clock is None:
        return None
    at = column.clock.instants(column.cells, decimal).dt.epoch("us").cast(pl.Float64).to_numpy()
    n = len(at)
    vehicle = np.zeros(n, dtype=np.int64)
    if choice.vehicle is not None:
        cells = choice.vehicle.cells.cast(pl.String).fill_null("")
        vehicle = cells.rank("dense").cast(pl.Int64).to_numpy()
    return track(at / 1e6, vehicle)


def _members(table: Table) -> list[str]:
    names = [table.member or "*", *table.others]
    suffixes = {Path(name).suffix.lower() for name in names}
    return [f"*{suffix}" for suffix in sorted(suffixes)]


def _layout(table: Table) -> dict[str, Any]:
    usual = CsvFormat()
    given = table.layout.model_dump()
    return {key: value for key, value in given.items() if value != getattr(usual, key)}


def _vehicle(choice: Choice, table: Table, columns: Mapping[str, Column]) -> dict[str, str]:
    if choice.vehicle is not None:
        if choice.vehicle.different_n == 1 and fit(choice.vehicle.name, "vehicle") < 1.2:
            choice.doubt("vehicle", "is this the vehicle's name?")
        return {"column": choice.vehicle.name}
    if choice.card is not None:
        choice.doubt("vehicle", "cards.toml must say which card belongs to which vehicle")
        return {"card": choice.card.name}
    if choice.kind == "sessions":
        plugs = stand_in(choice, columns, table.layout.decimal)
        if plugs is not None:
            choice.doubt(
                "vehicle",
                f"no column names the vehicle, and charges overlap, so there are several; within "
                f"each value of {plugs.name!r} none do. Are they vehicles, or plugs of a site?",
            )
            return {"column": plugs.name}
        if overlapping_share(choice, table.layout.decimal) > OVERLAP_SHARE:
            choice.doubt("vehicle", "charges overlap, so this is not one vehicle")
    if choice.kind == "samples" and (back_n := _steps_back(choice, table.layout.decimal)):
        choice.doubt(
            "vehicle",
            f"time goes back by hours {back_n} times and no column names the vehicle: are several "
            "vehicles in this file?",
        )
    bare = Path(table.member or table.name).name
    found = vehicle_in_name(bare)
    if found is not None:
        choice.say("vehicle", f"no column names it; the file's name holds {found.found!r}")
        if found.doubt:
            choice.doubt("vehicle", found.doubt)
        return {"file_name": found.pattern}
    stem = re.sub(r"[^\w.-]+", "_", bare.partition(".")[0]).strip("_") or "vehicle"
    choice.doubt("vehicle", "neither a column nor the file's name says which vehicle this is")
    return {"value": stem[:60]}


def _steps_back(choice: Choice, decimal: str) -> int:
    """How often time falls back by more than two hours: where another vehicle's rows begin."""
    column = choice.columns["sampled_at"]
    if column.clock is None:
        return 0
    step_s = column.clock.instants(column.cells, decimal).diff().dt.total_seconds()
    back_n = int((step_s < -7200).sum())
    # A file in falling order goes back at each step.
    return 0 if back_n > 0.5 * len(step_s) else back_n


def _time(choice: Choice, zone: str | None) -> tuple[dict[str, str], bool]:
    names = REQUIRED_BY_KIND[choice.kind]
    clocks = [clock for name in names if (clock := choice.columns[name].clock) is not None]
    first = clocks[0]
    choice.say("time", first.evidence)
    for clock in clocks:
        if clock.doubt:
            choice.doubt("time", clock.doubt)
        if clock.format != first.format:
            choice.doubt("time", f"another time column is written as {clock.format}")
        if clock.is_date_only:
            choice.doubt("time", "only days, no time of day")
    time = {"format": first.format}
    if all(clock.has_offset for clock in clocks):
        if first.format == "iso":
            choice.say("time", "each stamp carries its offset")
        return time, False
    if zone is None:
        return time, True
    choice.say("time", f"no offset in the stamps; {zone} was told with --zone")
    return {**time, "zone": zone}, False


def _null_words(choice: Choice) -> list[str]:
    used = [*choice.columns.values(), *([choice.vehicle] if choice.vehicle else [])]
    found = {
        word
        for column in used
        if column.nature in ("number", "time", "flag")
        for word in column.null_words
    }
    return sorted(found - set(STANDARD_NULLS))


def _mapped(choice: Choice, name: str, column: Column, units: Units) -> dict[str, Any]:
    mapped: dict[str, Any] = {"column": column.name}
    if name in units.unit:
        mapped["unit"] = units.unit[name]
    if name in units.sign:
        mapped["sign"] = units.sign[name]
    nulls = [f"{mark:g}" for mark in column.sentinels]
    if name == "odometer_km" and (column.known == 0).any() and (column.known > 100).any():
        nulls.append("0")
    if nulls:
        mapped["null_values"] = nulls
        choice.say(name, f"{', '.join(nulls)} lies far off all others, so it means no reading")
    if column.odd_words:
        choice.say(name, f"cells such as {column.odd_words[0]!r} will be set aside")
    values, unknown = _values(name, column)
    if values:
        mapped["values"] = values
    if unknown:
        choice.doubt(name, f"what do these words mean: {', '.join(map(repr, unknown[:5]))}?")
    if name == "driver_id":
        choice.evidence["driver_id"] = [f"{column.different_n} different names"]
    return mapped


def _values(name: str, column: Column) -> tuple[dict[str, str], list[str]]:
    if name == "charge_mode":
        return mode_words(column.words)[0], []
    if name == "action":
        return action_words(column.words)
    if name == "use":
        return use_words(column.words)
    if name == "is_charging_place" and column.nature == "text":
        values, unknown = place_words(column.words)
        return values, unknown or [w for w, is_place in values.items() if is_place == "false"][:0]
    for signals in SIGNALS_BY_KIND.values():
        if name in signals and signals[name].value_type == "flag":
            return flag_words(column.words)
    return {}, []

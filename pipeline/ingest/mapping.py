"""One batch of cells to rows of ours, by the source's mapping; rows that break a rule apart.

Conversion to our units, signs and UTC happens here and nowhere later.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import polars as pl

from pipeline.columns import SIGNALS_BY_KIND
from pipeline.config import Fleet
from pipeline.fleet_tables import card_table
from pipeline.ingest import cells as cell
from pipeline.ingest.cards import vehicles_of
from pipeline.ingest.checks import Check, no_quarantine, set_aside
from pipeline.ingest.names import fixed_vehicle, known_words
from pipeline.ingest.read import CELL, WORKBOOKS
from pipeline.ingest.refusals import refusal
from pipeline.ingest.times import UTC_TIME, read_clock, second_pass, to_utc
from pipeline.people.blocked import Blocked
from pipeline.source_config import ColumnMap

EARLIEST = datetime(2010, 1, 1, tzinfo=UTC)
FUTURE_SLACK = timedelta(minutes=10)
OPEN_END = datetime(2100, 1, 1, tzinfo=UTC)
"""End of a driver's span that the export leaves open."""

CHOICES = {"action": ("set", "cleared"), "use": ("delivery", "rental", "other", "break")}
TYPES: dict[str, pl.DataType] = {
    "number": pl.Float64(),
    "flag": pl.Boolean(),
    "text": pl.String(),
    "time": UTC_TIME,
}


@dataclass(frozen=True)
class Mapped:
    """One batch after mapping.

    Parameters
    ----------
    rows
        ``vehicle_id``, every signal of the kind, ``file_row``; in file order.
    quarantine
        One row per row set aside.
    read_n
        Rows of the batch; ``rows`` and ``quarantine`` together hold as many.
    cells
        The batch as exported, for what is kept of rows set aside.
    vehicle
        The vehicle that the whole file is about, if its cells do not tell.
    mended
        Values of used rows that were put right or left out, in the columns of a quarantine;
        ``expected`` is what is used instead.
    """

    rows: pl.DataFrame
    quarantine: pl.DataFrame
    read_n: int
    cells: pl.DataFrame = field(default_factory=pl.DataFrame)
    vehicle: str | None = None
    mended: pl.DataFrame = field(default_factory=no_quarantine)


class Mapper:
    """The mapping of one file. It remembers, per vehicle, the repeated hour of an autumn night.

    Parameters
    ----------
    fleet, source_id
        Whose export this is.
    name, bare_name
        File as shown, and the name that a vehicle's name may be cut from.
    now
        Samples later than ten minutes after this are in the future.
    is_in_order
        Whether the order of the rows says which pass through a repeated hour is meant.

    Raises
    ------
    ColdMinutesError
        When the vehicle's name should be in the file's name and is not.
    """

    def __init__(
        self,
        fleet: Fleet,
        source_id: str,
        name: str,
        bare_name: str,
        suffix: str,
        now: datetime,
        is_in_order: bool,
    ) -> None:
        self._source = fleet.sources[source_id]
        self._source_id = source_id
        self._name = name
        self._signals = SIGNALS_BY_KIND[self._source.kind]
        self._is_workbook = suffix in WORKBOOKS
        self._now = now
        self._is_in_order = is_in_order
        self._fold_memory: pl.DataFrame | None = None
        self._vehicle = fixed_vehicle(self._source, name, bare_name, source_id)
        self._words = known_words(fleet)
        self._cards = card_table(fleet)
        self._blocked = Blocked(fleet) if "driver_id" in self._source.columns else None

    def map(self, raw: pl.DataFrame) -> Mapped:
        """Rows of ours from one batch of cells, in file order."""
        n = raw.height
        source = self._source
        raw = self._without_forgotten(raw)
        exported = self._exported(raw)
        raw, checks, mended = self._prepared(raw)
        vehicle, found = self._named_vehicles(raw)
        checks += found
        values: dict[str, pl.Series] = {}
        clocks = self._clocks(raw, vehicle)
        for name, mapped in source.columns.items():
            if self._signals[name].value_type == "time":
                values[name], found = self._time(name, mapped, self._cells(raw, mapped), clocks)
                checks += found
        if source.vehicle.card is not None:
            tokens = {column: raw[CELL + column] for column in source.vehicle.card}
            nulls = cell.null_words(source)
            vehicle, found = vehicles_of(tokens, values["plug_in_at"], self._cards, nulls)
            checks += found
        numbers = self._parsed(raw)
        for name, mapped in source.columns.items():
            if self._signals[name].value_type != "time":
                values[name], found = self._value(name, mapped, raw, numbers)
                checks += found
        checks += self._derived(values)
        checks += self._ends_before_start(values)
        checks += self._break_without_end(values)
        is_bad, quarantine = set_aside(raw["file_row"], checks)
        rows = self._rows(raw["file_row"], vehicle, values)
        if quarantine.height:
            rows = rows.filter(~is_bad)
            mended = mended.join(quarantine, on="file_row", how="anti", maintain_order="left")
        return Mapped(rows, quarantine, n, exported, self._vehicle, mended)

    def nothing(self) -> Mapped:
        """The mapping of no rows at all."""
        types = {name: TYPES[signal.value_type] for name, signal in self._signals.items()}
        schema = {"vehicle_id": pl.String(), **types, "file_row": pl.Int64()}
        return Mapped(pl.DataFrame(schema=schema), no_quarantine(), 0)

    def _prepared(self, raw: pl.DataFrame) -> tuple[pl.DataFrame, list[Check], pl.DataFrame]:
        """The batch ready to be mapped, the first checks on it, and what was mended in it."""
        if "is_wrong_cell_count" not in raw.columns:
            return raw, [], no_quarantine()
        is_wrong, expected = raw["is_wrong_cell_count"], "as many cells as the header has"
        return raw, [Check("wrong_cell_count", None, is_wrong, None, expected)], no_quarantine()

    def _named_vehicles(self, raw: pl.DataFrame) -> tuple[pl.Series, list[Check]]:
        """Vehicles that a column, the file's name or the source names; none where a card does."""
        key = self._source.vehicle
        if key.card is not None:
            return pl.repeat(None, raw.height, dtype=pl.String, eager=True), []
        cells = self._file_vehicles(raw) if key.column is None else raw[CELL + key.column]
        return cell.vehicle_ids(cells, key.column, cell.null_words(self._source))

    def _file_vehicles(self, raw: pl.DataFrame) -> pl.Series:
        """The vehicle of each row where its file tells."""
        return pl.repeat(self._vehicle, raw.height, dtype=pl.String, eager=True)

    def _clocks(self, raw: pl.DataFrame, vehicle: pl.Series) -> pl.Series:
        """Whose clock each row was written by, within which the order of rows says something."""
        return vehicle

    def _without_forgotten(self, raw: pl.DataFrame) -> pl.DataFrame:
        """The batch without the names of people forgotten, so that no table ever holds them."""
        if not self._blocked or (column := self._source.columns["driver_id"].column) is None:
            return raw
        cells = raw[CELL + column].cast(pl.String)
        return raw.with_columns(self._blocked.without(cells).alias(CELL + column))

    def _exported(self, raw: pl.DataFrame) -> pl.DataFrame:
        """The batch as exported, for what is kept of rows set aside."""
        return raw

    def _cells(self, raw: pl.DataFrame, mapped: ColumnMap) -> pl.Series:
        """Cells of one mapped column, or its fixed value, after the mapping's translation."""
        if mapped.column is not None:
            cells = cell.translated(raw[CELL + mapped.column], mapped.values)
            if mapped.time_column is None:
                return cells
            return cell.day_and_time(cells, raw[CELL + mapped.time_column])
        fixed = str(mapped.value).lower() if isinstance(mapped.value, bool) else str(mapped.value)
        return pl.repeat(fixed, raw.height, dtype=pl.String, eager=True)

    def _parsed(self, raw: pl.DataFrame) -> dict[str, pl.Series]:
        """All plainly mapped numbers of a text batch, parsed in one parallel query."""
        plain = {
            name: mapped.column
            for name, mapped in self._source.columns.items()
            if self._signals[name].value_type == "number"
            and mapped.column is not None
            and not mapped.values
            and self._source.csv.decimal == "."
            and raw[CELL + mapped.column].dtype == pl.String
        }
        parsed = raw.select(
            **{
                name: pl.col(CELL + column).cast(pl.Float64, strict=False)
                for name, column in plain.items()
            }
        )
        if parsed.select(pl.any_horizontal(pl.all().is_nan().any())).to_series().any():
            parsed = parsed.fill_nan(None)
        return parsed.to_dict()

    def _value(
        self, name: str, mapped: ColumnMap, raw: pl.DataFrame, numbers: dict[str, pl.Series]
    ) -> tuple[pl.Series, list[Check]]:
        signal = self._signals[name]
        source = self._source
        nulls = cell.null_words(source, mapped)
        cells = self._cells(raw, mapped)
        if signal.value_type == "number":
            parsed = numbers.get(name)
            if parsed is None:
                parsed = cell.parse_numbers(cells, source.csv.decimal if mapped.column else ".")
            return cell.as_number(cells, parsed, signal, mapped, source, self._is_workbook)
        if signal.value_type == "flag":
            return cell.as_flag(cells, signal, mapped.column, nulls)
        if name == "charge_mode":
            return cell.as_lower(cells, nulls, ("ac", "dc")), []
        if name in CHOICES:
            words = cell.as_lower(cells, nulls)
            allowed = CHOICES[name]
            is_broken = words.is_not_null() & ~words.is_in(allowed).fill_null(False)
            expected = f"{name}: {', '.join(allowed)}"
            return words, [Check("not_in_list", mapped.column, is_broken, cells, expected)]
        return cell.as_word(cell.as_text(cells, nulls), self._words.get(name, {})), []

    def _time(
        self, name: str, mapped: ColumnMap, cells: pl.Series, clocks: pl.Series
    ) -> tuple[pl.Series, list[Check]]:
        source, column = self._source, mapped.column
        nulls = cell.null_words(source, mapped)
        is_open = pl.repeat(False, len(cells), dtype=pl.Boolean, eager=True)
        if name == "to_at":
            is_open = cells.is_null() | cells.cast(pl.String).str.strip_chars().is_in(nulls)
        numbers = None
        if source.time.format in ("epoch_s", "epoch_ms"):
            trimmed = cells.str.strip_chars() if cells.dtype == pl.String else cells
            numbers = cell.parse_numbers(trimmed, source.csv.decimal)
        try:
            clock = read_clock(cells, numbers, source.time)
            if self._is_workbook and source.time.format != "iso" and clock.naive.null_count():
                # Real dates of a workbook arrive as ISO text whatever its text cells use.
                iso = read_clock(cells, None, source.time.model_copy(update={"format": "iso"}))
                is_read = clock.naive.is_not_null()
                clock = clock._replace(
                    naive=clock.naive.zip_with(is_read, iso.naive),
                    offset_s=clock.offset_s.zip_with(is_read, iso.offset_s),
                )
        except pl.exceptions.ComputeError as error:
            raise refusal(
                "INGEST-04",
                self._name,
                f"its time format '{source.time.format}' cannot be used ({error})"[:300],
                f"Mend time.format in sources/{self._source_id}.toml: iso, epoch_s, epoch_ms or a "
                f"strftime pattern.",
            ) from error
        instants = to_utc(clock, source.time.zone)
        at = instants.early
        if source.kind == "samples" and self._is_in_order:
            at, self._fold_memory = second_pass(clocks, instants, self._fold_memory)
        is_unread = clock.naive.is_null() & ~is_open
        is_skipped = clock.naive.is_not_null() & at.is_null()
        checks = [
            Check(
                "time_unreadable", column, is_unread, cells, f"{name}: time as {source.time.format}"
            ),
            Check(
                "time_not_in_zone",
                column,
                is_skipped,
                cells,
                f"{name}: a local time that exists in {source.time.zone} (clocks were set forward)",
            ),
        ]
        least, most = at.min(), at.max()
        latest = self._now + FUTURE_SLACK
        # A rota is planned ahead, so only what was recorded cannot lie in the future.
        if source.kind != "driver_spans" and isinstance(most, datetime) and most > latest:
            expected = f"{name}: not later than {latest:%Y-%m-%dT%H:%MZ}"
            is_broken = (at > latest).fill_null(False)
            checks.append(Check("time_in_future", column, is_broken, cells, expected))
        if isinstance(least, datetime) and least < EARLIEST:
            is_broken = (at < EARLIEST).fill_null(False)
            checks.append(
                Check("time_too_early", column, is_broken, cells, f"{name}: 2010 or later")
            )
        if is_open.any():
            at = at.set(is_open, OPEN_END)
        return at, checks

    def _derived(self, values: dict[str, pl.Series]) -> list[Check]:
        """Power from current and voltage where the export does not give it. Changes `values`."""
        current, voltage = values.get("pack_current_a"), values.get("pack_voltage_v")
        if current is None or voltage is None:
            return []
        power = current * voltage / 1000
        given = values.get("pack_power_kw")
        values["pack_power_kw"] = power if given is None else given.fill_null(power)
        signal = self._signals["pack_power_kw"]
        return cell.in_range(values["pack_power_kw"], values["pack_power_kw"], signal, None)

    def _ends_before_start(self, values: dict[str, pl.Series]) -> list[Check]:
        pairs = [("plug_in_at", "plug_out_at"), ("from_at", "to_at")]
        known = [pair for pair in pairs if pair[0] in values]
        if not known:
            return []
        start, end = known[0]
        is_broken = (values[end] < values[start]).fill_null(False)
        column = self._source.columns[end].column
        return [Check("ends_before_start", column, is_broken, values[end], f"not before {start}")]

    def _break_without_end(self, values: dict[str, pl.Series]) -> list[Check]:
        """A shift may be open, a break may not: it would make all later minutes worth nothing."""
        use, end = values.get("use"), values.get("to_at")
        if use is None or end is None:
            return []
        is_broken = ((use == "break") & (end == OPEN_END)).fill_null(False)
        column = self._source.columns["to_at"].column
        return [Check("break_without_end", column, is_broken, None, "the end of the break")]

    def _rows(
        self, file_row: pl.Series, vehicle: pl.Series, values: dict[str, pl.Series]
    ) -> pl.DataFrame:
        if self._source.kind == "nav_events" and "action" not in values:
            values["action"] = pl.repeat("set", len(file_row), dtype=pl.String, eager=True)
        absent = {
            name: pl.lit(None, TYPES[signal.value_type])
            for name, signal in self._signals.items()
            if name not in values
        }
        rows = pl.DataFrame({"vehicle_id": vehicle, **values, "file_row": file_row})
        rows = rows.with_columns(**absent)
        if self._source.kind == "nav_events":
            rows = rows.with_columns(pl.col("action").fill_null("set"))
        return rows.select("vehicle_id", *self._signals, "file_row")

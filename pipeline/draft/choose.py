"""Which kind of export a table is, and which column is which signal: by name, held against data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.columns import REQUIRED_BY_KIND, SIGNALS_BY_KIND
from pipeline.draft.evidence import Column
from pipeline.draft.names import fit, take_apart, unexplained
from pipeline.draft.wording import action_words, flag_words, mode_words
from pipeline.source_config import SourceKind

LEAST_SPAN_S = 30.0
_OF_SAMPLES = (
    "soc_pct", "pack_power_kw", "pack_current_a", "cell_temp_min_degc", "speed_kmh", "odometer_km",
)  # fmt: skip
_MISTAKABLE = (
    *_OF_SAMPLES,
    "pack_voltage_v",
    "cell_temp_max_degc",
    "ambient_degc",
    "heater_power_kw",
)
_OF_SESSIONS = ("meter_energy_kwh", "soc_start_pct", "soc_end_pct", "total_cost", "power_max_kw")


@dataclass
class Choice:
    """Columns chosen for signals of one kind.

    Parameters
    ----------
    kind
        Of the export.
    columns
        Signal -> column.
    vehicle
        Column with the vehicle's name, if there is one.
    card
        Column with the number of a charge card, looked for where no column names the vehicle.
    evidence, doubts
        Signal (or ``kind``, ``vehicle``) -> sentences.
    contradicted
        Column, what its name says, and what in its data says otherwise.
    """

    kind: SourceKind
    columns: dict[str, Column]
    vehicle: Column | None
    card: Column | None = None
    evidence: dict[str, list[str]] = field(default_factory=dict)
    doubts: dict[str, list[str]] = field(default_factory=dict)
    contradicted: list[tuple[Column, str, str]] = field(default_factory=list)

    def say(self, key: str, sentence: str) -> None:
        """Add evidence."""
        self.evidence.setdefault(key, []).append(sentence)

    def doubt(self, key: str, sentence: str) -> None:
        """Add a doubt."""
        self.doubts.setdefault(key, []).append(sentence)


def choose(columns: Mapping[str, Column], decimal: str) -> Choice | None:
    """The kind and the columns; None where no kind of export fits."""
    times = [c for c in columns.values() if c.nature == "time"]
    if not times:
        return None
    pair = span(times, decimal)
    rest = [c for c in columns.values() if c.nature != "time"]
    if pair is not None:
        choice = _assigned("sessions", rest)
        has = [name for name in _OF_SESSIONS if name in choice.columns]
        if has:
            choice.say("kind", f"a start, an end and {', '.join(has)} in each row: charges")
        else:
            choice = _assigned("driver_spans", rest)
            choice.say("kind", "a start and an end in each row, and no energy or charge: spans")
            if "driver_id" not in choice.columns:
                choice.doubt("kind", "no column of drivers was found")
        for name, column in zip(REQUIRED_BY_KIND[choice.kind], pair[:2], strict=True):
            _take_time(choice, name, column)
        for name in REQUIRED_BY_KIND[choice.kind]:
            choice.say(name, pair[2])
        return choice
    one = max(times, key=lambda column: (fit(column.name, "clock"), column.different_n))
    samples, nav = _assigned("samples", rest), _assigned("nav_events", rest)
    has = [name for name in _OF_SAMPLES if name in samples.columns]
    if "action" in nav.columns or ("destination" in nav.columns and len(has) < 2):
        choice = nav
        choice.say("kind", "one instant, and a destination or an event in each row")
    elif has:
        choice = samples
        choice.say("kind", f"one instant in each row, with {', '.join(has)}: samples")
    else:
        return None
    _take_time(choice, REQUIRED_BY_KIND[choice.kind][0], one)
    for other in times:
        if other is not one:
            choice.doubt(REQUIRED_BY_KIND[choice.kind][0], f"{other.name!r} holds instants as well")
    return choice


def _take_time(choice: Choice, name: str, column: Column) -> None:
    choice.columns = {name: column, **choice.columns}
    if choice.kind in ("sessions", "driver_spans"):
        order = REQUIRED_BY_KIND[choice.kind]
        first = {key: choice.columns[key] for key in order if key in choice.columns}
        choice.columns = {**first, **choice.columns}


def span(times: list[Column], decimal: str) -> tuple[Column, Column, str] | None:
    """The columns of start and end, and why."""
    best: tuple[float, Column, Column, str] | None = None
    for start in times:
        for end in times:
            score = min(fit(start.name, "start"), 3) + min(fit(end.name, "end"), 3)
            named = fit(start.name, "start") > 0 and fit(end.name, "end") > 0
            if start is end or not named or (best is not None and score < best[0]):
                continue
            if start.clock is None or end.clock is None:
                continue
            at = start.clock.instants(start.cells, decimal)
            stay_s = (end.clock.instants(end.cells, decimal) - at).dt.total_seconds().drop_nulls()
            middle = stay_s.median()
            if not len(stay_s) or not isinstance(middle, float) or middle < LEAST_SPAN_S:
                continue
            share = float((stay_s >= 0).sum()) / len(stay_s)
            if share < 0.95:
                continue
            why = f"{end.name!r} is after {start.name!r} in {share:.0%} of rows, "
            best = (score, start, end, why + f"by {middle / 60:.0f} min in the median")
    return None if best is None else best[1:]


def _assigned(kind: SourceKind, columns: list[Column]) -> Choice:
    """Columns to the signals of one kind, best name first."""
    choice = Choice(kind, {}, None)
    signals = [s for s in SIGNALS_BY_KIND[kind].values() if s.value_type != "time"]
    offers: list[tuple[float, int, str, Column]] = []
    for at, column in enumerate(columns):
        for name in [*(signal.name for signal in signals), "vehicle"]:
            named = fit(column.name, name)
            if name == "charge_mode" and column.nature == "text" and mode_words(column.words)[1]:
                named = max(named, 2.0)
            if not named or column.nature == "empty":
                continue
            against = contradiction(name, column)
            if against:
                choice.contradicted.append((column, name, against))
            else:
                offers.append((named, -at, name, column))
    taken: set[str] = set()
    for named, _, name, column in sorted(offers, key=lambda offer: offer[:2], reverse=True):
        if column.name in taken:
            continue
        known = choice.vehicle if name == "vehicle" else choice.columns.get(name)
        if known is not None:
            if named >= fit(known.name, name) - 0.1:
                choice.doubt(name, f"{column.name!r} could be it as well")
            continue
        taken.add(column.name)
        if name == "vehicle":
            choice.vehicle = column
        else:
            choice.columns[name] = column
        choice.say(name, column.summary())
        strange = unexplained(column.name, name)
        if strange and name in _MISTAKABLE and fit(column.name, name):
            choice.doubt(name, f"what does {' '.join(strange)!r} in its name mean?")
        is_plain = bool({word.strip().lower() for word in column.words} & {"ac", "dc"})
        if name == "charge_mode" and not is_plain and not fit(column.name, name):
            choice.doubt(name, "by its words only; its name does not speak of a mode")
    named_columns = [*choice.columns.values(), choice.vehicle]
    used = {column.name for column in named_columns if column is not None}
    choice.contradicted = [entry for entry in choice.contradicted if entry[0].name not in used]
    if kind == "sessions" and choice.vehicle is None:
        cards = [c for c in columns if fit(c.name, "card") and c.name not in used]
        choice.card = next((c for c in cards if c.different_n), None)
    _lowest(choice)
    choice.columns = {s.name: choice.columns[s.name] for s in signals if s.name in choice.columns}
    return choice


def _lowest(choice: Choice) -> None:
    """The coldest cell must not be above the hottest, and its name should say it is the coldest."""
    low, high = choice.columns.get("cell_temp_min_degc"), choice.columns.get("cell_temp_max_degc")
    if low is None or low.numbers is None:
        return
    if high is not None and high.numbers is not None:
        with np.errstate(invalid="ignore"):
            both = np.isfinite(low.numbers) & np.isfinite(high.numbers)
            share = float((low.numbers[both] <= high.numbers[both]).mean()) if both.any() else 1.0
        if share < 0.95:
            sentence = f"it lies below {high.name!r} in only {share:.0%} of rows"
            choice.doubt("cell_temp_min_degc", sentence)
        else:
            choice.say("cell_temp_min_degc", f"not above {high.name!r} in {share:.0%} of rows")
    elif fit(low.name, "cell_temp_min_degc") < 2.2:
        choice.doubt("cell_temp_min_degc", "the name does not say that it is the coldest cell")


def contradiction(name: str, column: Column) -> str:
    """What in the data speaks against this signal; empty where nothing does."""
    for signals in SIGNALS_BY_KIND.values():
        if name in signals:
            value_type = signals[name].value_type
            break
    else:
        value_type = "text"
    known = column.known
    if value_type == "number":
        return "it is not numbers" if not len(known) else _out_of_reach(name, known)
    if value_type == "flag":
        if column.nature == "flag":
            return ""
        if column.nature != "text" or column.different_n > 4:
            return "it is neither yes nor no"
        words, unknown = flag_words(column.words)
        if name == "is_charging_place" or (words and not unknown):
            return ""
        return f"it is neither yes nor no: {', '.join(unknown[:3])!r}"
    if name == "charge_mode":
        return "" if mode_words(column.words)[1] else "no cell says AC or DC"
    if name == "action":
        words, unknown = action_words(column.words)
        said = {*words.values(), *(w for w in column.words if w in ("set", "cleared"))}
        return "" if said and column.different_n <= 8 else "no cell says set or cleared"
    if name in ("site_id", "driver_id", "destination", "use") and column.nature == "number":
        fractional = bool(np.any(known != np.round(known)))
        return "it is numbers with decimals" if fractional else ""
    if name == "vehicle" and column.nature in ("number", "flag", "text"):
        if len(known) and np.any(known != np.round(known)):
            return "it is numbers with decimals"
        if column.different_n > max(20, 0.5 * column.filled_n):
            return "nearly every row has another value"
        only_word = take_apart(column.name).words
        if column.nature == "flag" and column.different_n > 1:
            return f"it is yes and no ({' '.join(only_word)})"
    return ""


def _out_of_reach(name: str, known: np.ndarray[tuple[int], np.dtype[np.float64]]) -> str:
    low, high = np.percentile(known, [0.5, 99.5])
    middle = float(np.median(known))
    reach = f"{low:.6g} to {high:.6g}"
    wrong = {
        "soc_pct": low < -1 or high > 101,
        "soc_start_pct": low < -1 or high > 101,
        "soc_end_pct": low < -1 or high > 101,
        "pack_voltage_v": not (60 <= middle <= 1500 or 60e3 <= middle <= 1.5e6),
        "pack_power_kw": high > 3e6 or low < -3e6,
        "pack_current_a": max(high, -low) > 3e6,
        "cell_temp_min_degc": low < -60 or high > 400,
        "cell_temp_max_degc": low < -60 or high > 400,
        "ambient_degc": low < -70 or high > 340,
        "heater_power_kw": low < -0.5 or high > 60e3,
        "speed_kmh": low < -40 or high > 320,
        "odometer_km": low < 0 or high - low < 0,
        "latitude_deg": low < -90 or high > 90,
        "longitude_deg": low < -180 or high > 180,
        "meter_energy_kwh": low < 0 or high > 1e6,
        "power_max_kw": low < 0 or high > 2e6,
        "total_cost": low < -1e5 or high > 1e6,
    }
    return f"its numbers run from {reach}" if wrong.get(name, False) else ""

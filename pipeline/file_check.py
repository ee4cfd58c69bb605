"""`coldminutes check FILE`: which questions an export can answer, and what others would need."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.columns import SIGNALS_BY_KIND
from pipeline.data_request import WISHES
from pipeline.draft.make import draft_file
from pipeline.ingest.vss import vss_source
from pipeline.source_config import Source
from pipeline.weekly import UNLOCKS


@dataclass(frozen=True)
class Answer:
    """One question: can the file answer it, and if not wholly, what is missing?"""

    question: str
    can: str
    why: str


def file_lines(path: Path, zone: str | None = None) -> list[str]:
    """What one file holds and what it can answer, for people.

    Raises
    ------
    ColdMinutesError
        Where there is no table, or none that a report could use.
    """
    standard = vss_source(path) if path.is_file() else None
    interval_s: float | None = None
    lines = []
    if standard is not None:
        source = standard
        lines += [f"{path.name}: VSS paths, read without a mapping."]
    else:
        draft = draft_file(path, zone)
        source, interval_s = draft.source, draft.interval_s
        lines += [f"{path.name}: {draft.rows_n:,} rows looked at, taken for {source.kind}."]
        doubted = sorted(key for key in draft.unsure if not key.startswith("column:"))
        unread_n = sum(key.startswith("column:") for key in draft.unsure)
        if doubted:
            lines += [f"Doubtful: {', '.join(doubted)}; `coldminutes draft` says why."]
        if unread_n:
            lines += [f"Columns not understood: {unread_n}."]
    lines += [f"Signals: {', '.join(source.columns)}.", "", "What it can answer:"]
    for answer in answers(source):
        lines.append(
            f"  {answer.question:<34} {answer.can}{': ' if answer.why else ''}{answer.why}"
        )
    lines += _coarse(source, interval_s)
    return lines


def answers(source: Source) -> list[Answer]:
    """Six questions, each with what the signals of one export say to it."""
    has = set(source.columns)
    if {"pack_current_a", "pack_voltage_v"} <= has:
        has.add("pack_power_kw")
    if source.kind == "samples":
        return _of_samples(has)
    if source.kind in ("sessions", "ocpi_cdrs"):
        return _of_sessions(has)
    if source.kind == "nav_events":
        only = "only with samples of the same vehicles: it then shows why warming did not begin"
        return [_no(question, only) for question in QUESTIONS]
    told = [_no(question, "a rota holds no charges; samples do") for question in QUESTIONS[:-1]]
    return [*told, Answer(QUESTIONS[-1], "yes", "together with samples")]


QUESTIONS = (
    "Which stops were cold?",
    "Was the battery warmed?",
    "How many minutes were lost?",
    "What was the cause?",
    "What did it cost?",
    "Which driver?",
)
_ROTA = "a rota with vehicle, from, to, driver"


def _of_samples(has: set[str]) -> list[Answer]:
    stops = {"pack_power_kw", "is_connected"} & has
    cold = _need("cell_temp", "cell_temp_min_degc" in has)
    heater = has & {"heater_power_kw", "is_conditioning"}
    power = _need("pack_power", "pack_power_kw" in has) + _need("soc", "soc_pct" in has)
    place = _need("place", bool(has & {"site_id", "latitude_deg"}))
    if not stops:
        cold = [*cold, "pack power or a cable signal, to see the charges at all"]
    if cold:
        warmed = _no(QUESTIONS[1], f"missing: {', '.join(cold)}")
    elif not heater:
        warmed = Answer(
            QUESTIONS[1],
            "partly",
            f"by the rise in temperature only; missing: {UNLOCKS['heater'][0]}",
        )
    else:
        warmed = Answer(QUESTIONS[1], "yes", "")
    cause = power + cold
    money = _need("heater", bool(heater)) + _need("soc", "soc_pct" in has)
    return [
        _told(QUESTIONS[0], cold),
        warmed,
        _told(QUESTIONS[2], power),
        Answer(QUESTIONS[3], "partly", f"the site's share stays open; missing: {place[0]}")
        if place and not cause
        else _told(QUESTIONS[3], cause),
        _told(QUESTIONS[4], money)
        if money
        else Answer(QUESTIONS[4], "yes", "at your price per kWh"),
        _no(QUESTIONS[5], f"missing: {_ROTA}"),
    ]


def _of_sessions(has: set[str]) -> list[Answer]:
    lacking = [
        name for name in ("meter_energy_kwh", "soc_start_pct", "soc_end_pct") if name not in has
    ]
    cell = UNLOCKS["cell_temp"][0]
    minutes = (
        _no(QUESTIONS[2], f"missing: {', '.join(lacking)}")
        if lacking
        else Answer(QUESTIONS[2], "partly", "an upper bound; pack power and charge would tell")
    )
    cost = (
        Answer(QUESTIONS[4], "partly", "what was billed, not what warming cost")
        if "total_cost" in has
        else _no(QUESTIONS[4], "missing: total_cost, or the sites' tariffs")
    )
    return [
        _no(QUESTIONS[0], f"missing: {cell} (a summary of charges has none)"),
        _no(QUESTIONS[1], f"missing: {cell}, {UNLOCKS['heater'][0]}"),
        minutes,
        _no(QUESTIONS[3], f"missing: {cell}, {UNLOCKS['pack_power'][0]}"),
        cost,
        _no(QUESTIONS[5], f"missing: {_ROTA}"),
    ]


def _need(name: str, is_here: bool) -> list[str]:
    return [] if is_here else [UNLOCKS[name][0]]


def _told(question: str, missing: list[str]) -> Answer:
    if not missing:
        return Answer(question, "yes", "")
    return _no(question, f"missing: {', '.join(dict.fromkeys(missing))}")


def _no(question: str, why: str) -> Answer:
    return Answer(question, "no", why)


def _coarse(source: Source, interval_s: float | None) -> list[str]:
    """A note where samples are further apart than is useful."""
    if source.kind != "samples":
        return []
    lacking = [
        f"{name} ({WISHES[name].unlocks})"
        for name in SIGNALS_BY_KIND["samples"]
        if name not in source.columns and name in WISHES and WISHES[name].need != "else"
    ]
    lines = ["", "Not in it, and worth asking for:", *(f"  {name}" for name in lacking)]
    if not lacking:
        lines = []
    limit = WISHES["soc_pct"].least_s or 60
    if interval_s is not None and interval_s > limit:
        lines.append(
            f"Samples are {interval_s:.0f} s apart in the median; beyond {limit} s short warming "
            "and the beginning of a charge go unseen."
        )
    return lines

"""How a draft is judged against the layout that was drawn."""

from __future__ import annotations

from typing import NamedTuple

from layouts import Truth

from pipeline.draft import Draft


class Verdict(NamedTuple):
    """One column, or the layout's time, vehicle or cut."""

    what: str
    wanted: object
    got: object
    is_right: bool
    is_unsure: bool


def judge(draft: Draft, truth: Truth) -> list[Verdict]:
    """A verdict for each true column, each foreign one, and for time, vehicle and cut."""
    source = draft.source
    verdicts = []

    def add(what: str, wanted: object, got: object, *keys: str) -> None:
        is_unsure = any(key in draft.unsure for key in keys)
        verdicts.append(Verdict(what, wanted, got, wanted == got, is_unsure))

    add("kind", "samples", source.kind, "kind")
    add("time", truth.time_format, source.time.format, "time")
    add("zone", truth.needs_zone, draft.needs_zone, "time.zone", "time")
    wanted_cut = (truth.delimiter, truth.decimal)
    if draft.source.files[0].endswith("parquet"):
        wanted_cut = (",", ".")
    add("cut", wanted_cut, (source.csv.delimiter, source.csv.decimal), "csv", "kind")
    add("vehicle", truth.vehicle, source.vehicle.column, "vehicle", f"column:{truth.vehicle}")
    for signal, (column, unit, sign) in truth.columns.items():
        mapped = source.columns.get(signal)
        got = None
        if mapped is not None:
            shown = mapped.sign if signal in ("pack_power_kw", "pack_current_a") else None
            got = (mapped.column, mapped.unit, shown)
        add(signal, (column, unit, sign), got, signal, f"column:{column}")
    known = {column for column, _, _ in truth.columns.values()}
    for signal, mapped in source.columns.items():
        if mapped.column not in known:
            add(f"foreign {mapped.column}", None, signal, signal)
    used = {mapped.column for mapped in source.columns.values()}
    for name in truth.extra:
        if name not in used:
            add(f"foreign {name}", True, name not in used)
    return verdicts

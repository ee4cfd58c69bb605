"""Columns that a draft does not read, and tables that it refuses."""

from __future__ import annotations

import re
from collections.abc import Mapping

from pipeline.columns import SIGNALS_BY_KIND
from pipeline.draft.choose import Choice
from pipeline.draft.evidence import Column
from pipeline.draft.names import fit, is_foreign
from pipeline.draft.refusals import not_an_export
from pipeline.draft.sniff import Table
from pipeline.draft.write import comment, doubts


def unread(
    choice: Choice, table: Table, columns: Mapping[str, Column]
) -> tuple[list[str], dict[str, list[str]]]:
    """Comments on columns that are not read, numbered ones of one name together."""
    used = {column.name for column in choice.columns.values()}
    used |= {column.name for column in (choice.vehicle, choice.card) if column is not None}
    against = {column.name: (signal, why) for column, signal, why in choice.contradicted}
    lines: list[str] = []
    unsure: dict[str, list[str]] = {}
    series: dict[str, list[Column]] = {}
    for name, column in columns.items():
        if name not in used:
            series.setdefault(re.sub(r"\d+", "#", name), []).append(column)
    for group in series.values():
        column = group[0]
        shown = repr(column.name)
        if len(group) > 1:
            shown = f"{group[0].name!r} to {group[-1].name!r} ({len(group)} columns)"
        if column.name in against:
            signal, why = against[column.name]
            sentence = f"not read: {shown} is named like {signal}, but {why}"
        elif column.nature == "empty":
            lines += comment(f"Not read: {shown} is empty.")
            continue
        elif is_foreign(column.name) and not _may_be_ours(choice, column.name):
            lines += comment(f"Not read: {shown} ({column.summary()}); no report uses it.")
            continue
        else:
            sentence = f"not read: {shown} ({column.summary()}); what is it?"
        lines += doubts([sentence])
        for each in group:
            unsure[f"column:{each.name}"] = [sentence]
    for name in table.left_out:
        sentence = f"not read: {name!r} stands there twice or holds no plain values"
        lines += doubts([sentence])
        unsure[f"column:{name}"] = [sentence]
    return (["", *lines] if lines else []), unsure


def _may_be_ours(choice: Choice, name: str) -> bool:
    """Does the name fit something that is still looked for?"""
    wanted = {*SIGNALS_BY_KIND[choice.kind], "vehicle"} - set(choice.columns)
    if choice.vehicle is not None:
        wanted.discard("vehicle")
    return any(fit(name, meaning) > 0 for meaning in wanted)


def refused(table: Table, columns: Mapping[str, Column]) -> Exception:
    found = ", ".join(f"{name!r} ({column.summary()})" for name, column in columns.items())
    times = [column for column in columns.values() if column.nature == "time"]
    if times:
        why = (
            "this is not a vehicle's export: it has times, but neither charge, power, cell "
            "temperature, speed nor odometer, and no start and end of charges"
        )
    else:
        why = "this is not an export that a report could use: no column holds times"
    return not_an_export(table.name, why, found[:600])

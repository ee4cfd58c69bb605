"""The section *When to begin*: tables per vehicle model, one line per site, the other ways."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pipeline.report.filters import kw, minutes, name, number
from pipeline.report.language import N_, _
from pipeline.report.weekdata import Row, WeekData
from pipeline.report.words import isolated, words_of

_MOST_MODELS = 4
_MOST_POWERS = 3
_MOST_SITES = 24

VERDICT_WORDS = {
    "not_worth_it": N_("not worth it"),
    "never_warm": N_("never gets warm"),
    "already_warm": N_("is warm"),
    "unknown": N_("not known"),
}
WAY_WORDS = {
    "on_the_way": N_("warming on the way"),
    "on_cable": N_("warming on the cable, before departure"),
    "indoors": N_("parking indoors"),
    "after_drive": N_("charging after the drive, not before it"),
}

_LEFT_OUT = {
    "no_stops": N_("no stops to learn from"),
    "vehicle_cannot_warm": N_("cannot warm"),
    "no_warm_curve": N_("no warm curve"),
    "no_usable_kwh": N_("no usable capacity configured"),
    "cold_limit_unknown": N_("cold limit not known"),
    "no_typical_charge": N_("no typical charge yet"),
    "site_limit_unknown": N_("no charger's power known"),
}

_VERDICTS_OF_SITES = {
    "not_worth_it": N_("warming is not worth it here"),
    "never_warm": N_("the heater does not get it warm in this cold; arrive warm another way"),
    "already_warm": N_("arrives warm without it"),
    "unknown": N_("cannot be told from the data so far"),
}

Show = Callable[[Any], str]


def begin_section(week: WeekData, filters: dict[str, Callable[..., str]]) -> Row:
    """Everything the section prints; empty lists where nothing could be computed."""
    by_stops = _models_by_stops(week)
    models = sorted(
        {row["model_id"] for row in week.leadtime},
        key=lambda model_id: (-by_stops.get(model_id, 0), str(model_id)),
    )
    return {
        "tables": [
            _table(
                [row for row in week.leadtime if row["model_id"] == model_id],
                filters["temperature"],
            )
            for model_id in models[:_MOST_MODELS]
        ],
        "tables_more_n": max(0, len(models) - _MOST_MODELS),
        "left_out": [
            f"{isolated(row['model_id'])} ({words_of(name(row['why'], 40), _LEFT_OUT)})"
            for row in week.no_advice
        ],
        "sites": _sites(week.site_advice)[:_MOST_SITES],
        "sites_more_n": max(0, len(_sites(week.site_advice)) - _MOST_SITES),
        "ways": [
            _ways([row for row in week.other_ways if row["model_id"] == model_id], filters)
            for model_id in _in_order(week.other_ways, models)[:_MOST_MODELS]
        ],
    }


def site_words(week: WeekData) -> dict[str, str]:
    """The line of each site at which warming is worth it, by the site's id."""
    lines = _sites(week.site_advice)
    return {line["site_id"]: line["short"] for line in lines if line["is_worth_it"]}


def _models_by_stops(week: WeekData) -> dict[str, int]:
    counts: dict[str, int] = {}
    for row in week.vehicles:
        counts[row["model_id"]] = counts.get(row["model_id"], 0) + row["stops_n"]
    return counts


def _in_order(rows: Sequence[Row], models: Sequence[str]) -> list[str]:
    found = list(dict.fromkeys(row["model_id"] for row in rows))
    return sorted(found, key=lambda each: models.index(each) if each in models else len(models))


def _model_name(row: Row) -> str:
    return name(row["model_name"] or row["model_id"], 44)


def _table(rows: Sequence[Row], temperature: Show) -> Row:
    """One model: rows by pack temperature, columns by site power and outside temperature."""
    powers = _spread(sorted({row["site_power_kw"] for row in rows}), _MOST_POWERS)
    outsides = sorted({row["outside_degc"] for row in rows})
    packs = sorted({row["pack_degc"] for row in rows})
    never = [
        pack
        for pack in packs
        if all(row["verdict"] == "not_worth_it" for row in rows if row["pack_degc"] == pack)
    ]
    warm_end = packs[len(packs) - len(never) :]
    if never != warm_end or len(never) == len(packs):
        never = []
    beyond = {row["pack_degc"] for row in rows if row["is_extrapolated"]}
    notes = []
    if never:
        notes.append(_("From {temperature} up: not worth it.", temperature=temperature(never[0])))
    if beyond:
        notes.append(_("* colder than the cold limit is known for: an extrapolation."))
    at = {(row["site_power_kw"], row["outside_degc"], row["pack_degc"]): row for row in rows}
    return {
        "model_name": _model_name(rows[0]),
        "head_mm": 40 if len(powers) * len(outsides) <= 7 else 34,
        "note": " ".join(notes),
        "powers": [kw(power) for power in powers],
        "outsides": [temperature(outside) for outside in outsides],
        "outsides_n": len(outsides),
        "columns": [
            {"outside": temperature(outside), "is_first": outside == outsides[0]}
            for _power in powers
            for outside in outsides
        ],
        "rows": [
            {
                "pack": temperature(pack) + ("\u00a0*" if pack in beyond else ""),
                "cells": [
                    {
                        **_cell(at.get((power, outside, pack))),
                        "is_first": outside == outsides[0],
                    }
                    for power in powers
                    for outside in outsides
                ],
            }
            for pack in packs
            if pack not in never
        ],
    }


def _spread(values: Sequence[float], most: int) -> list[float]:
    """Lowest, highest and what lies evenly between them in the list."""
    if len(values) <= most:
        return list(values)
    return [values[round(at * (len(values) - 1) / (most - 1))] for at in range(most)]


def _cell(row: Row | None) -> Row:
    if row is None:
        return {"begin": "", "saves": "", "words": "–"}
    if row["verdict"] == "begin":
        return {
            "begin": number(row["begin_min"]),
            "saves": number(row["net_saved_min"]),
            "words": "",
        }
    return {
        "begin": "",
        "saves": "",
        "words": words_of(name(row["verdict"], 20), VERDICT_WORDS),
    }


def _sites(rows: Sequence[Row]) -> list[Row]:
    """One plain line per site; models of one verdict are said together."""
    by_site: dict[str, list[Row]] = {}
    for row in rows:
        by_site.setdefault(str(row["site_id"]), []).append(row)
    return [_site_line(own) for own in by_site.values()]


def _site_line(rows: Sequence[Row]) -> Row:
    first = rows[0]
    verdicts = {row["verdict"] for row in rows}
    power = first["site_power_kw"]
    worth_it = [row for row in rows if row["verdict"] == "begin"]
    if len(verdicts) == 1 and not worth_it:
        said = _verdict_words(first["verdict"])
    elif len(rows) == 1:
        said = _(
            "set the charger {time} before arrival, saves {saved} net",
            time=minutes(first["begin_min"]),
            saved=minutes(first["net_saved_min"]),
        )
    else:
        said = "; ".join(
            f"{isolated(row['model_name'] or row['model_id'])}: "
            + (_begin_words(row) if row["verdict"] == "begin" else _verdict_words(row["verdict"]))
            for row in rows
        )
    if any(row["is_extrapolated"] for row in rows):
        said += " " + _("(colder than the cold limit is known for: an extrapolation)")
    if any(row["is_fleet_median"] for row in rows):
        said += " " + _("(few stops here yet: the model's median)")
    return {
        "site_id": first["site_id"],
        "site_name": name(first["site_name"] or first["site_id"], 44),
        "power": kw(power) if power is not None else "",
        "words": said,
        "short": _short_words(worth_it, len(rows)),
        "is_worth_it": bool(worth_it),
    }


def _short_words(worth_it: Sequence[Row], models_n: int) -> str:
    """The same for all models in one clause, for page 1; empty where none should begin."""
    if not worth_it:
        return ""
    told = {
        "time": _range([row["begin_min"] for row in worth_it]),
        "saved": _range([row["net_saved_min"] for row in worth_it]),
    }
    if models_n == 1:
        return _("set the charger {time} before arrival; saves {saved} net", **told)
    if models_n == len(worth_it):
        return _("set the charger {time} before arrival, by model; saves {saved} net", **told)
    return _("set the charger {time} before arrival, some models; saves {saved} net", **told)


def _range(values: Sequence[float]) -> str:
    low, high = number(min(values)), minutes(max(values))
    return high if low == number(max(values)) else _("{low} to {high}", low=low, high=high)


def _begin_words(row: Row) -> str:
    return _(
        "{time} before arrival, saves {saved} net",
        time=minutes(row["begin_min"]),
        saved=minutes(row["net_saved_min"]),
    )


def _verdict_words(verdict: str) -> str:
    return words_of(name(verdict, 40), _VERDICTS_OF_SITES)


def _ways(rows: Sequence[Row], filters: dict[str, Callable[..., str]]) -> Row:
    temperature, money = filters["temperature"], filters["money"]
    first = rows[0]
    facts = [
        _("pack {temperature}", temperature=temperature(first["pack_degc"])),
        _("outside {temperature}", temperature=temperature(first["outside_degc"])),
        _("drive of {minutes}", minutes=minutes(first["drive_min"])),
        _("charger of {power}", power=kw(first["site_power_kw"])),
        _("indoors {temperature}", temperature=temperature(first["indoor_degc"])),
    ]
    return {
        "model_name": _model_name(first),
        "facts": ", ".join(facts),
        "rows": [
            {
                "way": words_of(name(row["way"], 40), WAY_WORDS),
                "arrival": temperature(row["arrival_degc"]),
                "heating": number(row["heating_min"]),
                "energy": number(row["energy_kwh"], 1),
                "charge": number(row["charge_min"]),
                "compared": number(row["compared_with_min"]),
                "saved": number(row["saved_min"], signed=True),
                "cost": money(row["cost"]),
            }
            for row in rows
        ],
    }

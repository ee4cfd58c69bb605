"""What the vehicles of a model do by themselves, in words: heater, end of warming, cut-off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from pipeline.report.filters import name, number
from pipeline.report.language import N_, _, ngettext
from pipeline.report.weekdata import Row
from pipeline.report.words import words_of

Filters = dict[str, Callable[..., str]]

_HABIT_WHY = {
    "too_few_spells": N_("seen too rarely"),
    "no_common_value": N_("no common value"),
}


def habits_words(habits: Sequence[Row], filters: Filters) -> str:
    """What the vehicles themselves do, with a word where it is not as configured."""
    if not habits:
        return _("not seen")
    return "; ".join(_habit_words(habit, filters) for habit in habits)


def _habit_words(habit: Row, filters: Filters) -> str:
    quantity = habit["quantity"]
    show: Callable[[Any], str] = {
        "heater_power_kw": lambda value: f"{number(value, 1)}\u00a0kW",
        "warming_end_degc": filters["temperature"],
        "warming_cutoff_soc_pct": lambda value: f"{number(value)}\u00a0%",
    }[quantity]
    configured = habit["configured_value"]
    if habit["learned_value"] is None:
        return _habit_unknown(habit, None if configured is None else show(configured))
    shown = show(habit["learned_value"])
    habit_words = {
        "heater_power_kw": _("heater {value}", value=shown),
        "warming_end_degc": _("warming ends at {value}", value=shown),
        "warming_cutoff_soc_pct": _("none at or below {value}", value=shown),
    }[quantity]
    told = {"habit": habit_words}
    if configured is None:
        return ngettext(
            "{habit} (seen {n} time, none configured)",
            "{habit} (seen {n} times, none configured)",
            habit["seen_n"],
            **told,
        )
    told["configured"] = show(configured)
    if habit["is_different"]:
        return ngettext(
            "{habit} (seen {n} time) differs from the configured {configured}: check the settings",
            "{habit} (seen {n} times) differs from the configured {configured}: check the settings",
            habit["seen_n"],
            **told,
        )
    return ngettext(
        "{habit} (seen {n} time, configured {configured})",
        "{habit} (seen {n} times, configured {configured})",
        habit["seen_n"],
        **told,
    )


def _habit_unknown(habit: Row, configured: str | None) -> str:
    told = {
        "habit": {
            "heater_power_kw": _("heater"),
            "warming_end_degc": _("warming ends at"),
            "warming_cutoff_soc_pct": _("none at or below"),
        }[habit["quantity"]],
        "why": words_of(name(habit["why_null"], 40), _HABIT_WHY),
        "n": number(habit["seen_n"]),
    }
    if configured is None:
        return _("{habit}: not learned, {why} ({n})", **told)
    return _(
        "{habit}: not learned, {why} ({n}), configured {configured}", configured=configured, **told
    )

"""The opening of the report: what happened, and what to do on Monday.

It never claims more than the evidence: 'cold took' is said of minutes split by cause only, and
where they could not be split the words are 'lost at stops that arrived cold'.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from pipeline.report.advice_words import advice
from pipeline.report.cold_words import cold_sentences, other_causes
from pipeline.report.filters import minutes, number
from pipeline.report.language import _, ngettext
from pipeline.report.words import FEW_STOPS, Row, joined


@dataclass(frozen=True)
class Opening:
    """The first words of the report: what happened, and what to do."""

    what: str
    action: str


def opening(
    edition: Row,
    stops: Sequence[Row],
    attention: Sequence[Row],
    *,
    silent_n: int,
    known_n: int,
    last_data_date: date | None = None,
) -> Opening:
    """One to three sentences on what happened, one or two on what to do.

    Parameters
    ----------
    silent_n, known_n
        Vehicles that sent nothing in the week, and all that are configured or ever sent anything.
    last_data_date
        Local date of the newest data before the end of the week, where it is known.
    """
    stops_n = int(edition["stops_n"])
    warm_n = sum(int(edition[key]) for key in ("already_warm_n", "warmed_n", "warmed_unneeded_n"))
    cold_n = int(edition["cold_arrival_n"])
    if stops_n == 0:
        return _nothing(silent_n, known_n, last_data_date)
    if warm_n + cold_n == 0:
        return _unknown(edition)
    few = _few(int(edition["rated_n"]))
    if cold_n == 0:
        return _all_warm(edition, warm_n, few)
    return Opening(
        joined(*cold_sentences(edition, cold_n, cold_n + warm_n), _warming_sentence(edition), few),
        advice(edition, stops, attention),
    )


def _few(rated_n: int) -> str:
    if rated_n >= FEW_STOPS:
        return ""
    return ngettext(
        "Only {n} stop could be rated, too few to judge by.",
        "Only {n} stops could be rated, too few to judge by.",
        rated_n,
    )


def _no_data(vehicles_n: int, last_data_date: date | None) -> Opening:
    """Silence is told as trouble, not as a quiet week."""
    last = (
        _("The newest data until then are of {day}.", day=last_data_date.isoformat())
        if last_data_date
        else ""
    )
    what = ngettext(
        "No data came in for this week: the {n} vehicle of the fleet sent nothing.",
        "No data came in for this week: none of the {n} vehicles of the fleet sent anything.",
        vehicles_n,
    )
    return Opening(
        joined(what, last, _("Nothing is known of its charging, good or bad.")),
        _(
            "Find out today why the exports stopped: loggers, transfer, or the folder they are "
            "dropped into. When data of this week come in, its report is made anew."
        ),
    )


def _nothing(silent_n: int, vehicles_n: int, last_data_date: date | None) -> Opening:
    if silent_n and silent_n == vehicles_n:
        return _no_data(vehicles_n, last_data_date)
    if silent_n == 0:
        return Opening(
            _("No fast-charge stop was found this week, so there is nothing to say about cold."),
            _("There is nothing to act on."),
        )
    return Opening(
        ngettext(
            "No fast-charge stop was found this week, and {silent} of {n} vehicle sent no data.",
            "No fast-charge stop was found this week, and {silent} of {n} vehicles sent no data.",
            vehicles_n,
            silent=number(silent_n),
        ),
        _("Check the exports of the silent vehicles, then run this week again."),
    )


def _unknown(edition: Row) -> Opening:
    what = ngettext(
        "There was {n} fast-charge stop; whether its battery arrived cold is not known.",
        "For none of the {n} fast-charge stops can be said whether the battery arrived cold: its "
        "temperature on arrival is not known.",
        int(edition["stops_n"]),
    )
    at_most = ""
    if int(edition["lost_stops_n"]) and edition["lost_min"] is not None:
        lost = float(edition["lost_min"])
        at_most = (
            _(
                "Charging took {minutes} more than a warm battery would have needed; the cause is "
                "not known.",
                minutes=minutes(lost),
            )
            if lost >= 1
            else _("Charging took no longer than a warm battery would have needed.")
        )
    elif edition["lost_at_most_min"] is not None:
        at_most = _(
            "The stays leave room for at most {minutes} lost, from any cause.",
            minutes=minutes(edition["lost_at_most_min"]),
        )
    return Opening(
        joined(what, at_most),
        _(
            "Ask for the coldest cell's temperature in the exports; the coverage table names the "
            "first missing signal of each vehicle."
        ),
    )


def _all_warm(edition: Row, warm_n: int, few: str) -> Opening:
    what = (
        ngettext(
            "Cold was not the problem this week: all {n} stop with a known battery temperature "
            "arrived warm.",
            "Cold was not the problem this week: all {n} stops with a known battery temperature "
            "arrived warm.",
            warm_n,
        )
        if warm_n > 1
        else _(
            "Cold was not the problem this week: the one stop with a known battery temperature "
            "arrived warm."
        )
    )
    unneeded_n = int(edition["warmed_unneeded_n"])
    unneeded = (
        ngettext(
            "{n} stop was warmed without need.", "{n} stops were warmed without need.", unneeded_n
        )
        if unneeded_n
        else ""
    )
    return Opening(
        joined(what, other_causes(edition), few),
        joined(_("Keep the warming habits as they are."), unneeded),
    )


def _warming_sentence(edition: Row) -> str:
    needed, warmed = int(edition["needed_warming_n"]), int(edition["warmed_n"])
    if needed == 0:
        return ""
    if needed == 1:
        if warmed:
            return _("The one stop that needed warming got it in time.")
        if int(edition["part_warmed_n"]):
            return _(
                "The one stop that needed warming did not get it in time: it was not finished."
            )
        return _("The one stop that needed warming did not get it in time: it never began.")
    if warmed == needed:
        return ngettext(
            "All {n} stop that needed warming got it in time.",
            "All {n} stops that needed warming got it in time.",
            needed,
        )
    if warmed == 0:
        return ngettext(
            "Of {n} stop that needed warming, none got it in time.",
            "Of {n} stops that needed warming, none got it in time.",
            needed,
        )
    return ngettext(
        "Of {n} stop that needed warming, {warmed} got it in time.",
        "Of {n} stops that needed warming, {warmed} got it in time.",
        needed,
        warmed=number(warmed),
    )

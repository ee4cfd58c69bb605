"""What is processed about people, from the fleet's own configuration, for staff to read.

In the language of the fleet's documents.

A text to start from: it is not legal advice, and says so.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pipeline.config import Fleet
from pipeline.report.language import _, ngettext, speaking, spoken
from pipeline.source_config import Source
from pipeline.wording import N_

_WIDTH = 80
_LEVELS = {
    "off": N_("Nothing is said about drivers: no count, no name, no pseudonym."),
    "totals": N_("All drivers together appear in one line of the report. No single driver does."),
    "pseudonyms": N_(
        "Each driver appears under a pseudonym: the counts of stops, how often warming began, and "
        "the minutes it saved or missed, each with its uncertainty. No day and no exact time of a "
        "stop stands beside a pseudonym on a driver's page. Whoever holds the key and the roster "
        "can tell who is meant, so these remain personal data."
    ),
    "names": N_(
        "Each driver appears by name: the counts of stops, how often warming began, and the "
        "minutes it saved or missed, each with its uncertainty, and the times of stops."
    ),
}
_KINDS = {
    "samples": N_("readings of the vehicles: charge, power, temperature, speed, distance"),
    "nav_events": N_("destinations set in the vehicles: when, and whether it was a charging place"),
    "sessions": N_("charges: when, where, how much, what they cost"),
    "driver_spans": N_("who had which vehicle, from when until when"),
    "ocpi_cdrs": N_(
        "charge records of operators: when, where, how much, what they cost, which card"
    ),
    "ocpp_meter": N_("readings of chargers, with the number of the card used"),
}


def notice_text(fleet: Fleet) -> str:
    """The notice as plain text, lines of at most 80 letters."""
    with speaking(fleet.settings.language):
        lines = list(notice_lines(fleet))
    blocks = []
    for line in lines:
        hanging = "  " if line.startswith("- ") else ""
        wrapped = textwrap.fill(line, _WIDTH, subsequent_indent=hanging, break_on_hyphens=False)
        blocks.append(wrapped)
    return "\n".join(blocks) + "\n"


def notice_lines(fleet: Fleet) -> Iterator[str]:
    """The notice, a paragraph or a point at a time; an empty line between sections."""
    operator = " ".join(fleet.settings.operator.split())
    yield _(
        "How {operator} uses data of its vehicles to see what cold batteries cost",
        operator=operator,
    )
    yield ""
    yield _(
        "This notice is made from the settings in use today. It is no legal advice. Have it "
        "completed and checked by somebody qualified in the law of your country (data protection, "
        "employment, co-determination), and add who is responsible, the legal basis, whom to "
        "complain to, and who to ask."
    )
    yield ""
    yield from _purpose(fleet)
    yield ""
    yield _("WHAT IS PROCESSED")
    yield from _what(fleet)
    yield ""
    yield _("WHAT IS SAID ABOUT DRIVERS")
    yield _(_LEVELS[fleet.settings.privacy.shown_level])
    yield from _safeguards(fleet)
    yield ""
    yield _("WHERE VEHICLES WERE")
    yield _positions(fleet)
    yield ""
    yield _("HOW LONG IT IS KEPT")
    yield from _how_long(fleet)
    yield ""
    yield _("WHO SEES IT")
    yield _(
        "Whoever receives the weekly report, and whoever may open the folder it is made from. The "
        "program runs on the operator's own machine. Each "
        "command run on the folder is logged with the account and the time, without the data."
    )
    yield from _recipients(fleet)
    yield ""
    yield _("WHAT YOU CAN ASK FOR")
    yield _(
        "To see all that is held about you (`coldminutes access`), to have what is wrong put right "
        "in the roster, and to be forgotten (`coldminutes forget`). Whether there are grounds to "
        "refuse, your local law says. What has been printed or sent cannot be called back."
    )


def _purpose(fleet: Fleet) -> Iterator[str]:
    privacy = fleet.settings.privacy
    yield _("WHY")
    yield _(
        "To find the charging minutes that cold batteries cost, and what would avoid them: in the "
        "vehicles, at the charging places, and in how trips to a charger are begun."
    )
    if privacy.driver_analysis in ("off", "totals"):
        return
    not_recorded = _("NOT RECORDED")
    yield _(
        "Purpose of looking at single drivers: {purpose}.",
        purpose=privacy.purpose.strip() or not_recorded,
    )
    yield _(
        "Agreed on: {day}. Agreement: {agreement}.",
        day=spoken().long_day(privacy.agreed_on) if privacy.agreed_on else not_recorded,
        agreement=privacy.agreement.strip() or not_recorded,
    )
    if privacy.missing_record:
        yield _(
            "In [privacy] of fleet.toml is missing: {keys}. Until then drivers appear in sums "
            "only, and no finding about a single driver is made.",
            keys=", ".join(privacy.missing_record),
        )


def _what(fleet: Fleet) -> Iterator[str]:
    if not fleet.sources:
        yield "- " + _("No export is configured yet.")
    for source_id, source in sorted(fleet.sources.items()):
        yield f"- {source_id}: {', '.join([_(_KINDS[source.kind]), *_marks(source)])}"
    if fleet.drivers:
        yield "- drivers.toml: " + ngettext(
            "names and spellings of {n} driver",
            "names and spellings of {n} drivers",
            len(fleet.drivers),
        )
    if fleet.cards:
        yield "- cards.toml: " + ngettext(
            "which vehicle {n} charge card belongs to",
            "which vehicles {n} charge cards belong to",
            len(fleet.cards),
        )
    rentals_n = sum(span.use == "rental" for v in fleet.vehicles.values() for span in v.spans)
    if rentals_n:
        yield "- vehicles.toml: " + ngettext(
            "when vehicles were let, {n} span", "when vehicles were let, {n} spans", rentals_n
        )


def _marks(source: Source) -> Iterator[str]:
    if {"latitude_deg", "longitude_deg"} & set(source.columns):
        yield _("with positions")
    if "driver_id" in source.columns and source.kind != "driver_spans":
        yield _("with drivers")


def _safeguards(fleet: Fleet) -> Iterator[str]:
    yield _(
        "Rentals never have a driver in it, and no document shows the time of one. Drivers are not "
        "ranked against each other. Only stops count at which warming was possible and worth it."
    )
    if fleet.settings.privacy.driver_analysis in ("pseudonyms", "names"):
        yield _(
            "A finding about a single driver stands in no document before a person has approved "
            "it (`coldminutes approve`), who should look at its stops and speak with the driver. "
            "No decision about a person follows from it by itself."
        )


def _positions(fleet: Fleet) -> str:
    keep = fleet.settings.retention
    if fleet.settings.privacy.keep_positions:
        return ngettext(
            "Positions along the way are kept as long as other readings, {n} month, because "
            "keep_positions is set. In reports only charging places appear.",
            "Positions along the way are kept as long as other readings, {n} months, because "
            "keep_positions is set. In reports only charging places appear.",
            keep.samples_months,
        )
    return ngettext(
        "Positions serve to tell at which charging place a vehicle was. Those along the way are "
        "deleted after {n} day, those of charges stay as long as other readings. In reports only "
        "charging places appear.",
        "Positions serve to tell at which charging place a vehicle was. Those along the way are "
        "deleted after {n} days, those of charges stay as long as other readings. In reports only "
        "charging places appear.",
        keep.positions_days,
    )


def _months(months_n: int) -> str:
    return ngettext("{n} month", "{n} months", months_n)


def _recipients(fleet: Fleet) -> Iterator[str]:
    """Who is sent what; of a driver's own page only that it goes to that driver."""
    deliver = fleet.settings.deliver
    if not deliver:
        return
    yield _("The program sends these documents to these recipients by itself:")
    shows = fleet.settings.privacy.driver_analysis in ("pseudonyms", "names")
    for entry in deliver:
        if entry.driver is not None:
            continue
        told = {"documents": ", ".join(entry.documents), "to": ", ".join(entry.to)}
        if entry.with_drivers and shows:
            yield _("- {documents}, with rows about single drivers: {to}", **told)
        else:
            yield _("- {documents}: {to}", **told)
    if own_n := sum(entry.driver is not None for entry in deliver):
        yield ngettext(
            "- the own page of {n} driver, to that driver alone, once approved",
            "- the own pages of {n} drivers, to each driver alone, once approved",
            own_n,
        )


def _how_long(fleet: Fleet) -> Iterator[str]:
    keep = fleet.settings.retention
    days = ngettext("{n} day", "{n} days", keep.rentals_days)
    files = (
        _("deleted when their rows are past their time.")
        if keep.delete_inbox_files
        else _("until somebody deletes them; the program lists those past their time.")
    )
    for what, how_long in (
        (_("Readings of vehicles and chargers"), _months(keep.samples_months)),
        (
            _("Who had which vehicle, pages and findings about drivers (then stops stay without a "
              "driver)"),
            _months(keep.people_months),
        ),
        (_("When a rental began and ended"), days),
        (_("Rows of exports that could not be used"), _months(keep.quarantine_months)),
        (_("Reports"), _months(keep.editions_months)),
        (_("Exports in the inbox"), files),
        (_("Results of single charges, without a driver"), _("not limited")),
    ):  # fmt: skip
        yield f"- {what}: {how_long}"
    yield _(
        "These are held to whenever `coldminutes retain` is run, which should be every week; the "
        "scheduled rounds do it by themselves."
    )

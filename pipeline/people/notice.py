"""What is processed about people, from the fleet's own configuration, for staff to read.

A text to start from: it is not legal advice, and says so.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from pipeline.config import Fleet
from pipeline.source_config import Source

_WIDTH = 80
_LEVELS = {
    "off": "Nothing is said about drivers: no count, no name, no pseudonym.",
    "totals": "All drivers together appear in one line of the report. No single driver does.",
    "pseudonyms": (
        "Each driver appears under a pseudonym: the counts of stops, how often warming began, and "
        "the minutes it saved or missed, each with its uncertainty. No day and no exact time of a "
        "stop stands beside a pseudonym on a driver's page. Whoever holds the key and the roster "
        "can tell who is meant, so these remain personal data."
    ),
    "names": (
        "Each driver appears by name: the counts of stops, how often warming began, and the "
        "minutes it saved or missed, each with its uncertainty, and the times of stops."
    ),
}
_KINDS = {
    "samples": "readings of the vehicles: charge, power, temperature, speed, distance",
    "nav_events": "destinations set in the vehicles: when, and whether it was a charging place",
    "sessions": "charges: when, where, how much, what they cost",
    "driver_spans": "who had which vehicle, from when until when",
    "ocpi_cdrs": "charge records of operators: when, where, how much, what they cost, which card",
    "ocpp_meter": "readings of chargers, with the number of the card used",
}


def notice_text(fleet: Fleet) -> str:
    """The notice as plain text, lines of at most 80 letters."""
    blocks = []
    for line in notice_lines(fleet):
        hanging = "  " if line.startswith("- ") else ""
        wrapped = textwrap.fill(line, _WIDTH, subsequent_indent=hanging, break_on_hyphens=False)
        blocks.append(wrapped)
    return "\n".join(blocks) + "\n"


def notice_lines(fleet: Fleet) -> Iterator[str]:
    """The notice, a paragraph or a point at a time; an empty line between sections."""
    operator = " ".join(fleet.settings.operator.split())
    yield f"How {operator} uses data of its vehicles to see what cold batteries cost"
    yield ""
    yield (
        "This notice is made from the settings in use today. It is no legal advice. Have it "
        "completed and checked by somebody qualified in the law of your country (data protection, "
        "employment, co-determination), and add who is responsible, the legal basis, whom to "
        "complain to, and who to ask."
    )
    yield ""
    yield from _purpose(fleet)
    yield ""
    yield "WHAT IS PROCESSED"
    yield from _what(fleet)
    yield ""
    yield "WHAT IS SAID ABOUT DRIVERS"
    yield _LEVELS[fleet.settings.privacy.driver_analysis]
    yield from _safeguards(fleet)
    yield ""
    yield "WHERE VEHICLES WERE"
    yield _positions(fleet)
    yield ""
    yield "HOW LONG IT IS KEPT"
    yield from _how_long(fleet)
    yield ""
    yield "WHO SEES IT"
    yield (
        "Whoever receives the weekly report, and whoever may open the folder it is made from. The "
        "program sends data to nobody by itself and runs on the operator's own machine. Each "
        "command run on the folder is logged with the account and the time, without the data."
    )
    yield ""
    yield "WHAT YOU CAN ASK FOR"
    yield (
        "To see all that is held about you (`coldminutes access`), to have what is wrong put right "
        "in the roster, and to be forgotten (`coldminutes forget`). Whether there are grounds to "
        "refuse, your local law says. What has been printed or sent cannot be called back."
    )


def _purpose(fleet: Fleet) -> Iterator[str]:
    privacy = fleet.settings.privacy
    yield "WHY"
    yield (
        "To find the charging minutes that cold batteries cost, and what would avoid them: in the "
        "vehicles, at the charging places, and in how trips to a charger are begun."
    )
    if privacy.driver_analysis in ("off", "totals"):
        return
    yield f"Purpose of looking at single drivers: {privacy.purpose.strip() or 'NOT RECORDED'}."
    agreed = privacy.agreed_on.isoformat() if privacy.agreed_on else "NOT RECORDED"
    yield f"Agreed on: {agreed}. Agreement: {privacy.agreement.strip() or 'NOT RECORDED'}."
    if privacy.missing_record:
        yield (
            f"In [privacy] of fleet.toml is missing: {', '.join(privacy.missing_record)}. Until "
            "then no finding about a single driver is made ready for the report."
        )


def _what(fleet: Fleet) -> Iterator[str]:
    if not fleet.sources:
        yield "- No export is configured yet."
    for source_id, source in sorted(fleet.sources.items()):
        yield f"- {source_id}: {_KINDS[source.kind]}{_marks(source)}"
    if fleet.drivers:
        yield f"- drivers.toml: names and spellings of {len(fleet.drivers)} drivers"
    if fleet.cards:
        yield f"- cards.toml: which vehicle {len(fleet.cards)} charge cards belong to"
    rentals_n = sum(span.use == "rental" for v in fleet.vehicles.values() for span in v.spans)
    if rentals_n:
        yield f"- vehicles.toml: when vehicles were let, {rentals_n} spans"


def _marks(source: Source) -> str:
    has_position = {"latitude_deg", "longitude_deg"} & set(source.columns)
    has_driver = "driver_id" in source.columns and source.kind != "driver_spans"
    return (", with positions" if has_position else "") + (", with drivers" if has_driver else "")


def _safeguards(fleet: Fleet) -> Iterator[str]:
    level = fleet.settings.privacy.driver_analysis
    yield (
        "Rentals never have a driver in it, and no document shows the time of one. Drivers are not "
        "ranked against each other. Only stops count at which warming was possible and worth it."
    )
    if level in ("pseudonyms", "names"):
        yield (
            "A finding about a single driver stands in no document before a person has approved "
            "it (`coldminutes approve`), who should look at its stops and speak with the driver. "
            "No decision about a person follows from it by itself."
        )


def _positions(fleet: Fleet) -> str:
    keep = fleet.settings.retention
    if fleet.settings.privacy.keep_positions:
        return (
            f"Positions along the way are kept as long as other readings, {keep.samples_months} "
            "months, because keep_positions is set. In reports only charging places appear."
        )
    return (
        "Positions serve to tell at which charging place a vehicle was. Those along the way are "
        f"deleted after {keep.positions_days} days, those of charges stay as long as other "
        "readings. In reports only charging places appear."
    )


def _how_long(fleet: Fleet) -> Iterator[str]:
    keep = fleet.settings.retention
    yield f"- Readings of vehicles and chargers: {keep.samples_months} months."
    yield (
        f"- Who had which vehicle, pages and findings about drivers: {keep.people_months} months; "
        "then stops stay without a driver."
    )
    yield f"- When a rental began and ended: {keep.rentals_days} days."
    yield f"- Rows of exports that could not be used: {keep.quarantine_months} months."
    yield f"- Reports: {keep.editions_months} months."
    yield (
        "- Exports in the inbox: "
        + (
            "deleted when their rows are past their time."
            if keep.delete_inbox_files
            else "until somebody deletes them; the program lists those past their time."
        )
    )
    yield "- Results of single charges, without a driver: not limited."
    yield "These are held to whenever `coldminutes retain` is run, which should be every week."

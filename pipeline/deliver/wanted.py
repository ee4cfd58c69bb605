"""What the configuration of today lets go to whom."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.config import Fleet
from pipeline.delivery_config import PEOPLE_DOCUMENTS, is_mail

APPROVAL_CODE = "sheet_by_mail"
"""Under which a driver's sheet waits for a person's word, among the findings about people."""


@dataclass(frozen=True)
class Wanted:
    """One recipient and the documents it is to have.

    Parameters
    ----------
    documents
        Kinds, in the order of the configuration.
    recipient
        Mail address or folder.
    driver_id
        Of the driver whose sheet it is; empty where it is about nobody.
    has_people
        The documents may speak of single drivers.
    """

    documents: tuple[str, ...]
    recipient: str
    driver_id: str
    has_people: bool

    @property
    def channel(self) -> str:
        """``mail`` or ``folder``."""
        return "mail" if is_mail(self.recipient) else "folder"

    @property
    def key(self) -> tuple[str, str, str, str]:
        """What tells it from others, as the queue keeps it."""
        return self.channel, self.recipient, ",".join(self.documents), self.driver_id


def wanted_of(fleet: Fleet) -> list[Wanted]:
    """Every recipient of the configuration that level and record of today allow.

    A configuration read from a file has been held to the same rules when it was read; this is the
    second lock.
    """
    privacy = fleet.settings.privacy
    shows_each = privacy.driver_analysis in ("pseudonyms", "names")
    may_name = shows_each and not privacy.missing_record
    found = {}
    for entry in fleet.settings.deliver:
        has_people = shows_each and bool(PEOPLE_DOCUMENTS & set(entry.documents))
        if entry.driver is not None:
            has_people = True
        elif has_people and not entry.with_drivers:
            continue
        if has_people and not may_name:
            continue
        for recipient in entry.to:
            each = Wanted(entry.documents, recipient, entry.driver or "", has_people)
            found[each.key] = each
    return list(found.values())


def approved_drivers(con: duckdb.DuckDBPyConnection) -> set[str]:
    """Drivers of whom a person has said that their sheet may be mailed to them."""
    rows = warehouse.query(con, "people/approved_findings")
    return set(rows.filter(pl.col("code") == APPROVAL_CODE)["driver_id"])

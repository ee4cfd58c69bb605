"""How a person may be spelled in the data, and how such words are found and taken out."""

from __future__ import annotations

import html
import json
import re
from dataclasses import dataclass
from xml.sax.saxutils import escape

from pipeline.config import Fleet
from pipeline.people.keys import key_ring, pseudonym
from pipeline.source_config import Source

FORGOTTEN = "forgotten"
"""Stands where a forgotten driver stood: of a span, so that its breaks keep their meaning."""

LEAST_DISTINCT_CHARS = 3


@dataclass(frozen=True)
class Person:
    """One driver as the data may spell them.

    Parameters
    ----------
    driver_id
        As the warehouse has it.
    words
        Id, name and aliases, and what a source translates into one of these.
    labels
        Pseudonyms under all keys, the current one first.
    distinct
        Those words and labels that mean nobody and nothing else in this fleet: safe to take out
        wherever they stand. The others are taken out where a driver is meant.
    """

    driver_id: str
    words: tuple[str, ...]
    labels: tuple[str, ...]
    distinct: tuple[str, ...]


def person(fleet: Fleet, told: str) -> Person:
    """The driver of an id, a name or an alias (in any case); unknown words stand for themselves."""
    wanted = told.strip().lower()
    known = fleet.drivers
    driver_id = next(
        (
            each
            for each, driver in known.items()
            if wanted in {word.strip().lower() for word in (each, driver.name, *driver.aliases)}
        ),
        told.strip(),
    )
    entry = known.get(driver_id)
    spelled = (driver_id, entry.name, *entry.aliases) if entry else (driver_id,)
    words = tuple(dict.fromkeys(word.strip() for word in spelled if word.strip()))
    words = (*words, *_translated(fleet, words))
    labels = tuple(pseudonym(key, driver_id) for key in key_ring(fleet))
    codes = tuple(label.removeprefix("driver ") for label in labels)
    taken = _taken(fleet, driver_id)
    distinct = tuple(word for word in words if is_distinct(word, taken))
    return Person(driver_id, words, labels, (*distinct, *codes))


def is_distinct(word: str, taken: set[str]) -> bool:
    """Can this word mean only the person? Not if it is short, a number, or names something."""
    letters = [letter for letter in word if letter.isalnum()]
    return (
        len(letters) >= LEAST_DISTINCT_CHARS
        and any(letter.isalpha() for letter in letters)
        and word.lower() not in taken
    )


def pattern(words: tuple[str, ...]) -> re.Pattern[str]:
    """Finds any of the words, in any case, where no letter or digit stands against it.

    >>> pattern(("Ann",)).sub("-", "roster_ann.csv, Annual, ANN;")
    'roster_-.csv, Annual, -;'
    """
    longest_first = sorted(spellings(words), key=len, reverse=True)
    either = "|".join(re.escape(word) for word in longest_first) or r"(?!)"
    return re.compile(rf"(?<![^\W_])(?:{either})(?![^\W_])", re.IGNORECASE)


def spellings(words: tuple[str, ...]) -> set[str]:
    """The words as plain text, JSON, HTML and XML write them."""
    found: set[str] = set()
    for word in words:
        found |= {word, json.dumps(word)[1:-1], html.escape(word), escape(word)}
        found.add(html.escape(word).replace("&#x27;", "&#39;"))
        found.add(word.encode("ascii", "xmlcharrefreplace").decode())
    return found


def _translated(fleet: Fleet, words: tuple[str, ...]) -> list[str]:
    """Cells that the mapping of a source turns into one of the words."""
    lower = {word.lower() for word in words}
    mapped = (source.columns.get("driver_id") for source in fleet.sources.values())
    cells = (cell.strip() for each in mapped if each for cell, word in each.values.items()
             if word.strip().lower() in lower)  # fmt: skip
    return [cell for cell in dict.fromkeys(cells) if cell and cell.lower() not in lower]


def _taken(fleet: Fleet, driver_id: str) -> set[str]:
    """Words that name something else in this fleet, in lower case."""
    taken = {FORGOTTEN, "true", "false", "null", "driver", "set", "cleared", "break"}
    taken |= {"delivery", "rental", "other"}
    for vehicle_id, vehicle in fleet.vehicles.items():
        taken |= {vehicle_id, vehicle.name, vehicle.depot}
    for model_id, model in fleet.models.items():
        taken |= {model_id, model.name}
    for site_id, site in fleet.sites.items():
        taken |= {site_id, site.name, *site.aliases, *site.chargers}
    for other_id, other in fleet.drivers.items():
        if other_id != driver_id:
            taken |= {other_id, other.name, *other.aliases}
    for source_id, source in fleet.sources.items():
        taken |= {source_id, *_columns(source)}
    return {word.strip().lower() for word in taken}


def _columns(source: Source) -> set[str]:
    named = {mapped.column for mapped in source.columns.values()} | {source.vehicle.column}
    return {column for column in named if column is not None}

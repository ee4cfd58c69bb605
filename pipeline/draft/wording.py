"""Words in cells to ours: yes and no, AC and DC, set and cleared, kinds of use."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence

from pipeline.ingest.cells import FLAGS

_YES = frozenset(
    [
        "ja",
        "oui",
        "si",
        "sí",
        "vrai",
        "wahr",
        "sant",
        "verdadero",
        "connected",
        "plugged",
        "plugged_in",
        "pluggedin",
        "an",
        "ein",
        "på",
        "pa",
        "ansluten",
        "angesteckt",
        "eingesteckt",
        "branche",
        "conectado",
        "active",
        "aktiv",
        "actif",
        "activo",
        "charging",
        "t",
        "yes",
        "true",
        "on",
        "y",
        "1",
        "in",
        "inne",
    ]
)
_NO = frozenset(
    [
        "nein",
        "nej",
        "non",
        "no",
        "faux",
        "falsch",
        "falskt",
        "falso",
        "disconnected",
        "unplugged",
        "off",
        "aus",
        "av",
        "f",
        "false",
        "n",
        "0",
        "ej_ansluten",
        "getrennt",
        "debranche",
        "desconectado",
        "inactive",
        "inaktiv",
        "inactif",
        "inactivo",
        "idle",
        "none",
        "out",
        "not_connected",
    ]
)
_DC = ("dc", "schnell", "fast", "rapid", "gleichstrom", "ccs", "chademo", "snabb", "continu")
_AC = ("ac", "wechselstrom", "typ 2", "type 2", "langsam", "slow", "normal", "alternat", "vaxel")
_SET = ("set", "start", "gesetzt", "satt", "defini", "new", "neu", "begin")
_CLEARED = ("clear", "cancel", "geloscht", "stop", "end", "rensad", "annul", "removed", "reached")
_CHARGING = ("charg", "lad", "borne", "recharge", "carga")
_USES = {
    "delivery": ("deliver", "liefer", "leverans", "livraison", "reparto", "tour", "shift", "work"),
    "rental": ("rent", "hire", "miet", "hyr", "location", "alquiler"),
    "break": ("break", "pause", "rast", "descanso", "paus"),
    "other": ("other", "sonst", "annat", "autre", "otro", "private", "service"),
}


def plain(word: str) -> str:
    """Lower case, no accents, no ends."""
    text = unicodedata.normalize("NFKD", word.strip().lower())
    return "".join(letter for letter in text if not unicodedata.combining(letter))


def flag_words(words: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Words that ingest would not know -> 'true' or 'false', and those nobody could say."""
    values: dict[str, str] = {}
    unknown = []
    for word in words:
        key = plain(word).replace(" ", "_")
        if word.strip().lower() in FLAGS:
            continue
        if key in _YES:
            values[word] = "true"
        elif key in _NO:
            values[word] = "false"
        else:
            unknown.append(word)
    return values, unknown


def mode_words(words: Sequence[str]) -> tuple[dict[str, str], bool]:
    """Words for AC and DC -> ours, and whether any was found. Others mean neither."""
    values = {}
    is_found = False
    for word in words:
        key = plain(word)
        if key in ("ac", "dc"):
            is_found = True
        elif any(part in key.split() or (part in key and len(part) > 2) for part in _DC):
            values[word], is_found = "dc", True
        elif any(part in key.split() or (part in key and len(part) > 2) for part in _AC):
            values[word], is_found = "ac", True
    return values, is_found


def action_words(words: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Words for a destination set or cleared -> ours, and those nobody could say."""
    return _by_part(words, {"set": _SET, "cleared": _CLEARED})


def place_words(words: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Kinds of destination -> 'true' for a charging place, 'false' for another."""
    values = {}
    for word in words:
        if word.strip().lower() not in FLAGS:
            is_place = any(part in plain(word) for part in _CHARGING)
            values[word] = "true" if is_place else "false"
    return values, [] if "true" in values.values() or not values else list(words)


def use_words(words: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Kinds of use -> ours, and those nobody could say."""
    return _by_part(words, _USES)


def _by_part(
    words: Sequence[str], table: dict[str, tuple[str, ...]]
) -> tuple[dict[str, str], list[str]]:
    values: dict[str, str] = {}
    unknown = []
    for word in words:
        key = plain(word)
        found = [ours for ours, parts in table.items() if any(part in key for part in parts)]
        if key in table:
            if word.strip().lower() != key:
                values[word] = key
        elif len(found) == 1:
            values[word] = found[0]
        else:
            unknown.append(word)
    return values, unknown

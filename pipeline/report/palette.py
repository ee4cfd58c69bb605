"""Colours and marks, once: the stylesheet and the charts both take them from here.

The ladder of the outcomes is one of lightness first (it survives grey printing and every common
colour deficiency) and of pattern and outline second; hue only helps. Light fills carry an
outline of at least 3:1 against paper, because their shape carries meaning.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

INK = "#231a26"
SOFT = "#5d5262"
RULE = "#d6ced4"
PAPER = "#ffffff"
TINT = "#f6f2ee"
COLD = "#4a2349"
PART = "#8a5a85"
WARM = "#dfa73f"
WARM_EDGE = "#8a5d0c"
PALE = "#f6ead0"
NEUTRAL_EDGE = "#6f6575"
SITE = "#2f6b78"
SITE_PALE = "#d3e3e6"
COLD_PALE = "#d2b8cf"

TOKENS = {
    "ink": INK,
    "soft": SOFT,
    "rule": RULE,
    "paper": PAPER,
    "tint": TINT,
    "cold": COLD,
    "part": PART,
    "warm": WARM,
    "warm-edge": WARM_EDGE,
    "pale": PALE,
    "neutral-edge": NEUTRAL_EDGE,
    "site": SITE,
    "site-pale": SITE_PALE,
    "cold-pale": COLD_PALE,
}


class Mark(NamedTuple):
    """How one class is drawn: fill, outline, inner lines, colour of a number on it."""

    fill: str
    edge: str
    lines: Literal["", "upright", "level"]
    text: str
    is_dashed: bool = False


OUTCOME_MARKS: dict[str, Mark] = {
    "not_warmed": Mark(COLD, COLD, "", PAPER),
    "part_warmed": Mark(PART, COLD, "", PAPER),
    "warmed": Mark(WARM, WARM_EDGE, "", INK),
    "already_warm": Mark(PALE, WARM_EDGE, "", INK),
    "warmed_unneeded": Mark(PALE, WARM_EDGE, "level", INK),
    "low_charge_hold": Mark(PAPER, COLD, "upright", INK),
    "unknown": Mark(PAPER, NEUTRAL_EDGE, "", INK, is_dashed=True),
}

CAUSE_MARKS: dict[str, Mark] = {
    "avoidable": Mark(COLD, COLD, "", PAPER),
    "unavoidable": Mark(COLD_PALE, COLD, "", INK),
    "unjudged": Mark(COLD_PALE, COLD, "upright", INK),
    "site": Mark(SITE, SITE, "", PAPER),
    "held_back": Mark(SITE_PALE, SITE, "level", INK),
    "unexplained": Mark(PAPER, NEUTRAL_EDGE, "", INK),
    "unsplit": Mark(PAPER, NEUTRAL_EDGE, "level", INK, is_dashed=True),
    "at_most": Mark(PAPER, NEUTRAL_EDGE, "upright", INK),
}
"""Causes of minutes: cold in plum, the site in slate, what is not known white."""

WORTH_MARKS: dict[str, Mark] = {
    "saved": Mark(WARM, WARM_EDGE, "", INK),
    "missed": Mark(COLD, COLD, "", PAPER),
}

TEXT_PAIRS: tuple[tuple[str, str], ...] = (
    (INK, PAPER),
    (SOFT, PAPER),
    (INK, TINT),
    (SOFT, TINT),
    (COLD, PAPER),
    (COLD, TINT),
    *((mark.text, mark.fill) for mark in OUTCOME_MARKS.values()),
    *((mark.text, mark.fill) for mark in CAUSE_MARKS.values()),
)
"""Every text colour with the ground it stands on; a test holds each to 4.5:1."""


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours ``#rrggbb``.

    References
    ----------
    WCAG 2.2, success criterion 1.4.3 and the definition of relative luminance.

    Examples
    --------
    >>> round(contrast("#000000", "#ffffff"), 1)
    21.0
    """
    lighter, darker = sorted((_luminance(first), _luminance(second)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

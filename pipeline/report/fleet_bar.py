"""One bar for the whole fleet: where the week's minutes went, every part with its own label."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from markupsafe import Markup

from pipeline.report.causes import CAUSE_WORDS, Row, parts_of, parts_shown
from pipeline.report.charts import stacked
from pipeline.report.drawing import bare, marked, svg
from pipeline.report.filters import number
from pipeline.report.language import _
from pipeline.report.palette import CAUSE_MARKS, INK, SOFT

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_WIDTH_MM = 178.0
_HEIGHT_MM = 17.5
_BAR_MM = 5.2
_LETTER_MM = 1.3
_GAP_MM = 2.5


def fleet_bar(row: Row) -> Markup | None:
    """The stacked bar of ``row``; None where no stop's minutes are known or all are about 0.

    Printed parts are whole minutes that add up to the printed sum.
    """
    parts = parts_of(row)
    if not parts:
        return None
    shown = parts_shown(row)
    words = [_(CAUSE_WORDS[part.code]) for part in parts]
    told = ", ".join(
        f"{number(value)} min {word}" for value, word in zip(shown, words, strict=True)
    )
    bars = stacked(parts)
    low = min([0.0, *(at + width for _code, at, width in bars)])
    high = max([0.0, *(at + width for _code, at, width in bars)])
    scale = _WIDTH_MM / max(high - low, 1e-9)
    middles = [(at + width / 2 - low) * scale for _code, at, width in bars]
    widths = [max(6.0, _LETTER_MM * len(word)) for word in words]
    # Gains stand left of 0, so that labels follow the bar and not the order of the causes.
    order = sorted(range(len(parts)), key=lambda at: middles[at])
    spots = dict(
        zip(
            order,
            spread([middles[at] for at in order], [widths[at] for at in order], _WIDTH_MM),
            strict=True,
        )
    )

    def draw(figure: Figure) -> None:
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        bare(axes)
        axes.set_xlim(-0.2, _WIDTH_MM + 0.2)
        axes.set_ylim(0.0, _HEIGHT_MM)
        for index, (code, at, width) in enumerate(bars):
            across = ((at - low) * scale, (at + width - low) * scale)
            for artist in marked(
                CAUSE_MARKS[code], across, (0.3, 0.3 + _BAR_MM), abs(width) * scale
            ):
                axes.add_artist(artist)
            spot = spots[index]
            axes.plot(
                [middles[index], middles[index], spot, spot],
                [_BAR_MM + 0.3, _BAR_MM + 1.5, _BAR_MM + 3.0, _BAR_MM + 4.0],
                color=SOFT,
                linewidth=0.5,
            )
            axes.text(
                spot,
                _HEIGHT_MM - 0.4,
                number(shown[index]),
                ha="center",
                va="top",
                fontsize=9,
                fontfamily="Minutes Sans",
                fontweight=600,
                color=INK,
            )
            axes.text(
                spot,
                _BAR_MM + 4.6,
                words[index],
                ha="center",
                va="bottom",
                fontsize=7,
                color=SOFT,
            )
        if low < 0:
            zero = -low * scale
            axes.plot([zero, zero], [0.0, _BAR_MM + 0.6], color=INK, linewidth=0.9)

    title = _(
        "Where the minutes went, whole fleet: {causes}; {sum} min in all.",
        causes=told,
        sum=number(sum(shown)),
    )
    return Markup(svg("fleet-bar", _WIDTH_MM, _HEIGHT_MM, title, draw))


def spread(
    middles: Sequence[float], widths: Sequence[float], room: float, gap: float = _GAP_MM
) -> list[float]:
    """Middles of labels in rising order, moved as little as a plain pass allows: none overlap.

    One pass to the right, one back from the right edge; where the room is too small for all, the
    first ones give way at the left edge.
    """
    spots: list[float] = []
    edge = 0.0
    for middle, width in zip(middles, widths, strict=True):
        spots.append(max(middle, edge + width / 2))
        edge = spots[-1] + width / 2 + gap
    edge = room
    for at in range(len(spots) - 1, -1, -1):
        spots[at] = min(spots[at], edge - widths[at] / 2)
        edge = spots[at] - widths[at] / 2 - gap
    return spots

"""From a matplotlib figure to inline SVG: fonts, settings, ids, alternative text."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from functools import cache
from html import escape
from typing import TYPE_CHECKING, Any

from pipeline.report.palette import INK, RULE, SOFT, Mark
from pipeline.resources import folder

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@cache
def _add_fonts() -> None:
    from matplotlib import font_manager

    for path in sorted((folder("report_templates") / "fonts").glob("*.ttf")):
        font_manager.fontManager.addfont(str(path))


def _settings(salt: str) -> Any:
    return {
        "svg.fonttype": "none",
        "svg.hashsalt": salt,
        "font.family": ["Minutes Sans", "Minutes Fallback"],
        "font.size": 7.5,
        "text.color": INK,
        "axes.edgecolor": RULE,
        "axes.linewidth": 0.5,
        "xtick.color": SOFT,
        "ytick.color": INK,
        "axes.unicode_minus": True,
        "text.parse_math": False,
        "text.usetex": False,
    }


def svg(
    identity: str,
    width_mm: float,
    height_mm: float,
    title: str,
    draw: Callable[[Figure], None],
) -> str:
    """Run ``draw`` on a bare figure; return SVG for inlining, with ids of its own."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    _add_fonts()
    slug = re.sub(r"[^a-z]+", "-", identity.lower())
    with matplotlib.rc_context(_settings(slug)):
        figure = Figure(figsize=(width_mm / 25.4, height_mm / 25.4))
        FigureCanvasSVG(figure)
        draw(figure)
        stream = io.StringIO()
        figure.savefig(stream, format="svg", transparent=True, metadata={"Date": None})
    return _inline(stream.getvalue(), slug, title)


def bare(axes: Axes) -> None:
    """Take away frame, ticks and ground."""
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor("none")
    for side in ("top", "right", "bottom", "left"):
        axes.spines[side].set_visible(False)


def label(axes: Axes, x: float, y: float, text: str, dx_pt: float = 0.0, **style: Any) -> None:
    """Text centred on ``y`` by its figures; matplotlib centres it a little low in our font."""
    axes.annotate(
        text,
        (x, y),
        xytext=(dx_pt, 0.13 * style.get("fontsize", 7.0)),
        textcoords="offset points",
        va="center_baseline",
        **{"fontsize": 7, **style},
    )


def marked(
    mark: Mark, across: tuple[float, float], up: tuple[float, float], width_mm: float
) -> list[Artist]:
    """A bar and its inner lines; single lines, since pattern fills are slow to print."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    (x0, x1), (y0, y1) = across, up
    artists: list[Artist] = [
        Rectangle(
            (x0, y0),
            x1 - x0,
            y1 - y0,
            facecolor=mark.fill,
            edgecolor=mark.edge,
            linewidth=0.6,
            linestyle=(0, (2, 1.2)) if mark.is_dashed else "-",
        )
    ]
    spots: list[tuple[list[float], list[float]]] = []
    if mark.lines == "upright":
        n = max(1, round(width_mm / 1.1))
        inner = [x0 + (x1 - x0) * k / n for k in range(1, n)]
        spots = [([x, x], [y0, y1]) for x in inner]
    elif mark.lines == "level":
        spots = [([x0, x1], [y0 + (y1 - y0) * k / 4] * 2) for k in (1, 2, 3)]
    artists += [Line2D(xs, ys, color=mark.edge, linewidth=0.6) for xs, ys in spots]
    return artists


def _inline(text: str, slug: str, title: str) -> str:
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    # The style element would leak into the page around it; the attributes do the same.
    text = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>\s*", "", text, flags=re.DOTALL)
    # Fewer elements: the page's engine styles each of them.
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r'<g id="[^"]*">\s*(<path[^>]*/>|<text.*?</text>)\s*</g>', r"\1", text)
    # As presentation attributes: inside a page, style attributes are read as the page's CSS.
    text = re.sub(r'style="([^"]*)"', lambda match: _attributes(match[1]), text)
    text = re.sub(r'\bid="', f'id="{slug}-', text)
    text = re.sub(r"url\(#", f"url(#{slug}-", text)
    text = re.sub(r'href="#', f'href="#{slug}-', text)
    head_end = text.index(">")
    return (
        f'{text[:head_end]} class="chart" role="img" stroke-linejoin="round">'
        f"<title>{escape(title)}</title>{text[head_end + 1 :]}"
    ).strip()


def _attributes(style: str) -> str:
    parts = dict(part.split(":", 1) for part in style.split(";") if ":" in part)
    found = {key.strip(): value.strip() for key, value in parts.items()}
    font = re.fullmatch(r"(?:(\d+) )?([\d.]+px) (.+)", found.pop("font", ""))
    if font:
        weight, size, family = font.groups()
        found.update({"font-size": size, "font-family": family})
        if weight:
            found["font-weight"] = weight
    return " ".join(f'{key}="{value}"' for key, value in found.items())

"""An operator's own look: logo, colours, address, checked before anything is printed.

Colours touch words and lines only. The marks of the charts keep theirs, because they mean
something and were chosen to survive grey printing and colour blindness.
"""

from __future__ import annotations

import base64
import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from markupsafe import Markup

from pipeline.config import Fleet
from pipeline.problems import ColdMinutesError, Problem
from pipeline.report.filters import one_line
from pipeline.report.palette import PAPER, contrast
from pipeline.report.templates import override_problems
from pipeline.resources import folder

LEAST_CONTRAST = 4.5
"""WCAG 2.2, success criterion 1.4.3, text of any size."""
MOST_LOGO_BYTES = 512 * 1024
MOST_LOGO_SIDE_PX = 4000
MOST_LOGO_PX = 4_000_000
_COLOURS = ("heading_colour", "accent_colour")


@dataclass(frozen=True)
class OwnLook:
    """What the templates print of an operator's own.

    Parameters
    ----------
    style
        A whole style element, empty where no colour, logo or address is set.
    logo
        A ``data:`` address of a PNG, empty without one.
    address
        Lines, each on one line.
    """

    style: Markup
    logo: str
    address: tuple[str, ...]
    height_mm: float
    """By how much logo and address make the head of the first page higher."""


PLAIN = OwnLook(Markup(""), "", (), 0.0)
_LOGO_MM = (52.0, 11.0)
_MM_PER_PX = 25.4 / 96
_ADDRESS_LINE_MM, _ADDRESS_LETTERS = 3.5, 44
_FREE_MM, _WRAPPED_MM = 18.0, 3.5
"""Height beside the head that costs nothing; what the head's own lines grow by next to it."""


def check_look(fleet: Fleet) -> None:
    """Refuse a look that cannot be printed, before any work is done.

    Raises
    ------
    ColdMinutesError
        With every problem: ``LOOK-01`` a colour too pale, ``LOOK-02`` a logo that cannot be used,
        ``LOOK-03`` a template of one's own that cannot be used.
    """
    problems = [
        *_colour_problems(fleet),
        *_logo_problems(fleet),
        *override_problems(fleet),
    ]
    if problems:
        raise ColdMinutesError(problems)


def own_look(fleet: Fleet) -> OwnLook:
    """The look, ready to be printed.

    Raises
    ------
    ColdMinutesError
        As `check_look`, of the logo.
    """
    look = fleet.settings.look
    if look.is_plain:
        return PLAIN
    tokens = "".join(
        f"--look-{name.removesuffix('_colour')}:{colour.lower()};"
        for name in _COLOURS
        if (colour := getattr(look, name)) is not None
    )
    css = (folder("report_templates") / "look.css").read_text(encoding="utf-8")
    logo, height_mm = "", 0.0
    if look.logo:
        logo, height_mm = _data_address(_read(fleet.folder, look.logo), look.logo)
    # The tokens are six hexadecimal digits each by the configuration, the rest is our own file.
    style = Markup(f"<style>:root{{{tokens}}}\n{css}</style>")
    address = tuple(one_line(line) for line in look.address)
    lines_n = sum(1 + len(line) // _ADDRESS_LETTERS for line in address)
    height_mm += _ADDRESS_LINE_MM * lines_n
    more_mm = _WRAPPED_MM + max(0.0, height_mm - _FREE_MM) if height_mm else 0.0
    return OwnLook(style, logo, address, more_mm)


@lru_cache(maxsize=4)
def _data_address(content: bytes, name: str) -> tuple[str, float]:
    """The logo as an address, and its height in print [mm].

    Kept, because a run prints hundreds of sheets with one logo.
    """
    png = _as_png(content, name)
    # ISO/IEC 15948, 11.2.2: width and height are the first two words of the first chunk.
    width_px, height_px = (int.from_bytes(png[at : at + 4], "big") for at in (16, 20))
    height_mm = min(_LOGO_MM[1], height_px * _MM_PER_PX, _LOGO_MM[0] * height_px / width_px)
    return f"data:image/png;base64,{base64.b64encode(png).decode('ascii')}", height_mm


def _colour_problems(fleet: Fleet) -> list[Problem]:
    problems = []
    for name in _COLOURS:
        colour = getattr(fleet.settings.look, name)
        if colour is None or (ratio := contrast(colour, PAPER)) >= LEAST_CONTRAST:
            continue
        problems.append(
            Problem(
                "LOOK-01",
                "stop",
                f"fleet.toml, key look.{name}",
                # Cut, not rounded: 4.497 must not print as the 4.5 that it misses.
                f"{colour} has a contrast of {int(ratio * 100) / 100:.2f}:1 against white paper, "
                f"expected at least {LEAST_CONTRAST}:1",
                "Choose a darker colour. Nothing was written.",
                {"contrast": ratio},
            )
        )
    return problems


def _logo_problems(fleet: Fleet) -> list[Problem]:
    if not fleet.settings.look.logo:
        return []
    try:
        logo_png(fleet.folder, fleet.settings.look.logo)
    except ColdMinutesError as error:
        return error.problems
    return []


def logo_png(fleet_folder: Path, name: str) -> bytes:
    """The logo, decoded and written anew as PNG: what else its file held is gone.

    Parameters
    ----------
    fleet_folder
        The logo lies inside, links followed.
    name
        Path relative to it.

    Raises
    ------
    ColdMinutesError
        ``LOOK-02``.
    """
    return _as_png(_read(fleet_folder, name), name)


def _as_png(content: bytes, name: str) -> bytes:
    from PIL import Image

    try:
        with warnings.catch_warnings(), _whole_pictures_only():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            # Only these two decoders are tried; the size is in the head, read before any pixel.
            with Image.open(io.BytesIO(content), formats=("PNG", "JPEG")) as image:
                width, height = image.size
                if max(width, height) > MOST_LOGO_SIDE_PX or width * height > MOST_LOGO_PX:
                    raise _refused(
                        name,
                        f"has {width} x {height} pixels, expected at most {MOST_LOGO_SIDE_PX} on a "
                        f"side and {MOST_LOGO_PX:,} in all",
                        "Make it smaller: 600 pixels in width are plenty.",
                    )
                has_alpha = "A" in image.getbands() or "transparency" in image.info
                plain = image.convert("RGBA" if has_alpha else "RGB")
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError, Warning) as error:
        raise _refused(
            name,
            f"cannot be read as PNG or JPEG ({one_line(error)[:120]})",
            "Export it again as PNG.",
        ) from error
    # Of the pixels alone: metadata of the file must not travel with the documents.
    bare = Image.new(plain.mode, plain.size)
    bare.paste(plain)
    stream = io.BytesIO()
    bare.save(stream, format="PNG", optimize=False)
    return stream.getvalue()


@contextmanager
def _whole_pictures_only() -> Iterator[None]:
    """Half a picture is refused; WeasyPrint tells Pillow to take it, for the whole process."""
    from PIL import ImageFile

    before = ImageFile.LOAD_TRUNCATED_IMAGES
    ImageFile.LOAD_TRUNCATED_IMAGES = False
    try:
        yield
    finally:
        ImageFile.LOAD_TRUNCATED_IMAGES = before


def _read(fleet_folder: Path, name: str) -> bytes:
    root = fleet_folder.resolve()
    try:
        path = (root / name).resolve()
        if not path.is_relative_to(root):
            raise _refused(name, "lies outside the fleet folder", "Copy it into the fleet folder.")
        if not path.is_file():
            raise _refused(name, "is not there, or is no file", "Mend the name, or remove the key.")
        with path.open("rb") as stream:
            content = stream.read(MOST_LOGO_BYTES + 1)
    except (OSError, ValueError) as error:
        raise _refused(
            name, f"cannot be read ({one_line(error)[:120]})", "Mend the name."
        ) from error
    if len(content) > MOST_LOGO_BYTES:
        raise _refused(
            name,
            f"is larger than {MOST_LOGO_BYTES // 1024} kB",
            "Save it with fewer pixels: 600 in width are plenty.",
        )
    return content


def _refused(name: str, message: str, remedy: str) -> ColdMinutesError:
    where = f"fleet.toml, key look.logo, {one_line(name)[:100]}"
    return ColdMinutesError(
        [Problem("LOOK-02", "stop", where, f"the file {message}", f"{remedy} Nothing was written.")]
    )

"""``[look]`` in ``fleet.toml``: what an operator may put on the documents of its own."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from pipeline.source_config import Settings

Colour = Annotated[str, Field(pattern=r"^#[0-9a-fA-F]{6}$")]
AddressLine = Annotated[str, Field(min_length=1, max_length=80)]


class Look(Settings):
    """Logo, two colours and an address. The marks of the charts mean something and stay."""

    logo: str = Field(
        "", max_length=200, description="PNG or JPEG inside the fleet folder, at most 512 kB."
    )
    heading_colour: Colour | None = Field(
        None, description="Of names and headings, #rrggbb; at least 4.5:1 against white."
    )
    accent_colour: Colour | None = Field(
        None, description="Of the masthead's line and the words to act on; at least 4.5:1."
    )
    address: tuple[AddressLine, ...] = Field((), max_length=5, description="Lines, at most five.")

    @property
    def is_plain(self) -> bool:
        """Nothing of one's own is set."""
        return self == Look()

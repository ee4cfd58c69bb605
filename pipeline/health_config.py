"""``[backup]``, ``[heartbeat]`` and ``[notify]`` of ``fleet.toml``: who learns that all is well."""

from __future__ import annotations

import ipaddress
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from pipeline.delivery_config import MailAddress
from pipeline.source_config import Settings


def check_beat_url(url: str) -> str:
    """An address that a heartbeat may go to: https, or http on this machine.

    Raises
    ------
    ValueError
        With what is expected.
    """
    parts = urlsplit(url)
    if parts.scheme == "https" and parts.hostname:
        return url
    if parts.scheme == "http" and _is_loopback(parts.hostname):
        return url
    raise ValueError("must begin with https:// (http:// only for this machine itself)")


def _is_loopback(host: str | None) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host or "").is_loopback
    except ValueError:
        return False


class Backup(Settings):
    """Copies of the warehouse and the configuration, never of keys or exports."""

    folder: str = Field(
        "",
        max_length=1000,
        description="Where they go, on another disk if possible; default .coldminutes/backups.",
    )
    daily_n: Annotated[int, Field(ge=1, le=366)] = Field(
        7, description="Of so many days with a backup the newest is kept."
    )
    weekly_n: Annotated[int, Field(ge=0, le=520)] = Field(
        4, description="Of so many weeks with a backup the newest is kept."
    )
    keep_days: Annotated[int, Field(ge=1, le=3660)] = Field(
        35, description="None is kept longer than this, so that data past their time go there too."
    )


class Heartbeat(Settings):
    """A sign of life after every round that ended well; its absence is the alarm."""

    file: str = Field("", max_length=1000, description="Written anew after each good round.")
    url: Annotated[str, AfterValidator(check_beat_url)] | None = Field(
        None, description="Fetched after each good round; https."
    )
    url_variable: str = Field(
        "",
        pattern=r"^([A-Za-z_][A-Za-z0-9_]*)?$",
        description="Environment variable that holds the address, where it is a secret.",
    )
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 10.0

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if self.url is not None and self.url_variable:
            raise ValueError("give url or url_variable, not both")
        return self


class Notify(Settings):
    """Who is told when a round failed, or no report came out."""

    to: tuple[MailAddress, ...] = Field(
        (), max_length=20, description="Mail addresses; needs [mail]."
    )
    no_report_days: Annotated[int, Field(ge=1, le=366)] = Field(
        9, description="Tell when no report came out for so long; a weekly one is due every 7 days."
    )
    silent_days: Annotated[int, Field(ge=1, le=366)] = Field(
        7, description="A vehicle without data for so long counts as silent."
    )
    full_weeks: Annotated[float, Field(ge=0, le=520)] = Field(
        4.0, description="Tell when the disk will be full in fewer weeks than this."
    )
    again_h: Annotated[float, Field(ge=1, le=720)] = Field(
        24.0, description="The same failure is told again only after so many hours."
    )

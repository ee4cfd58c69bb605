"""``[schedule]``, ``[archive]`` and ``[[fetch]]`` of ``fleet.toml``: when to work, on what."""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath
from typing import Annotated, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from pipeline.config_numbers import Positive
from pipeline.source_config import Settings, Zone

_FIELDS = (("minute", 0, 59), ("hour", 0, 23), ("day", 1, 31), ("month", 1, 12), ("weekday", 0, 7))
_PART = re.compile(r"(?:\*|(?P<from>\d{1,2})(?:-(?P<to>\d{1,2}))?)(?:/(?P<step>\d{1,2}))?")
_EXAMPLE = "'0 6 * * 1' is Mondays at 6:00"
_SECRET = re.compile(r"pass|secret|token|key|credential", re.IGNORECASE)
_ENVIRONMENT = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")


def _cron(told: str) -> str:
    """Five fields of numbers, ranges, lists and steps: what systemd and Prefect both can do."""
    fields = told.split()
    if len(fields) != len(_FIELDS):
        raise ValueError(f"write five fields, minute hour day month weekday ({_EXAMPLE})")
    for text, (name, least, most) in zip(fields, _FIELDS, strict=True):
        for part in text.split(","):
            found = _PART.fullmatch(part)
            if found is None:
                raise ValueError(
                    f"'{part}' is no {name}: write numbers, *, ranges, lists, steps ({_EXAMPLE})"
                )
            numbers = [int(number) for number in found.group("from", "to") if number]
            if numbers != sorted(numbers) or any(not least <= n <= most for n in numbers):
                raise ValueError(f"'{part}' is no {name}: from {least} to {most}, in order")
            if found["step"] and ((found["from"] and not found["to"]) or int(found["step"]) == 0):
                raise ValueError(f"'{part}' is no {name}: a step stands behind * or a range")
    if "*" not in (fields[2], fields[4]):
        raise ValueError("give a day or a weekday, not both: programs read the two differently")
    return " ".join(fields)


Cron = Annotated[str, AfterValidator(_cron)]
Month = Annotated[int, Field(ge=1, le=12)]


class Schedule(Settings):
    """When unattended work begins, as cron lines; each job looks first whether it is due."""

    time_zone: Zone | None = Field(None, description="Of these times; the fleet's by default.")
    arrivals: Cron = Field("*/15 * * * *", description="Look into the inbox, fetch, take in.")
    report: Cron = Field("0 6 * * 1", description="The weekly round.")
    accounts: Cron = Field("30 6 2 * *", description="Accounts of the month that is over.")
    budget: Cron | None = Field(
        None, description="A new budget of the running or coming winter; never, unless set."
    )
    budget_months: tuple[Month, Month] = Field(
        (10, 4), description="First and last month of that winter."
    )
    retention: Cron = Field("0 3 * * 0", description="Hold the folder to [retention].")
    history_days: Annotated[int, Field(ge=1, le=366)] = Field(
        30, description="How long `coldminutes serve` keeps what its runs said."
    )


class Archive(Settings):
    """Where exports go once they are wholly taken in."""

    enabled: bool = False
    after_days: Annotated[int, Field(ge=0, le=366)] = Field(
        0, description="Let them lie in the inbox so long first."
    )


def _plain_url(told: str) -> str:
    try:
        parts = urlsplit(told)
        has_password = parts.password is not None
    except ValueError as error:
        raise ValueError(f"not a URL: {error}") from error
    if not parts.scheme or "://" not in told or any(not letter.isprintable() for letter in told):
        raise ValueError(
            "write it with its protocol, as in 'sftp://host/export' or 's3://bucket/x'"
        )
    if has_password or parts.query:
        raise ValueError(
            "a secret has no place in fleet.toml; name the environment variable that holds it "
            "under options_env, as in options_env = { password = 'SFTP_PASSWORD' }"
        )
    if parts.scheme in ("simplecache", "filecache", "blockcache") or "::" in told:
        raise ValueError("chained protocols are not followed; name the place itself")
    return told.rstrip("/") if not told.endswith("://") else told


def _inside(told: str) -> str:
    path = PurePosixPath(told)
    if path.is_absolute() or ".." in path.parts or "\\" in told:
        raise ValueError("must lie below the inbox: a name such as 'vendor', no '..'")
    if any(part.startswith(".") or not part.isprintable() for part in path.parts):
        raise ValueError("must be a plain, visible folder name")
    return path.as_posix()


def _variable(told: str) -> str:
    if not _ENVIRONMENT.fullmatch(told):
        raise ValueError("must be the name of an environment variable, not what it holds")
    return told


class Fetch(Settings):
    """One place elsewhere from which new exports are pulled into the inbox."""

    url: Annotated[str, AfterValidator(_plain_url)] = Field(
        max_length=1000, description="SFTP, object store or folder, as fsspec names them."
    )
    files: Annotated[tuple[str, ...], Field(min_length=1, max_length=50)] = Field(
        ("*",), description="Patterns of the names to take, below the URL; ** is any folders."
    )
    into: Annotated[str, AfterValidator(_inside)] = Field(
        ".", description="Folder below the inbox that receives them."
    )
    options: dict[str, str | int | float | bool] = Field(
        default_factory=dict, description="Options of the fsspec file system; no secrets."
    )
    options_env: dict[str, Annotated[str, AfterValidator(_variable)]] = Field(
        default_factory=dict, description="Option -> environment variable that holds its value."
    )
    known_hosts: Path = Field(
        Path("~/.ssh/known_hosts"),
        description="SFTP: keys of servers, as ssh-keyscan writes them; any other is refused.",
    )
    max_gb: Positive = Field(20.0, description="Most that one round pulls from here.")

    @model_validator(mode="after")
    def _no_secrets(self) -> Self:
        for name, value in self.options.items():
            is_switch = isinstance(value, bool) or name == "key_filename"
            if _SECRET.search(name) and not is_switch:
                raise ValueError(
                    f"options.{name} looks like a secret, which has no place in fleet.toml; put "
                    f"it into an environment variable and name that: options_env = "
                    f"{{ {name} = 'NAME_OF_THE_VARIABLE' }}"
                )
        for pattern in self.files:
            if pattern.startswith("/") or ".." in PurePosixPath(pattern).parts:
                raise ValueError(f"files: '{pattern}' must lie below the URL")
        return self

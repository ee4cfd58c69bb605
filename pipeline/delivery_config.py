"""``[mail]`` and ``[[deliver]]`` in ``fleet.toml``: who receives what, and by what way."""

from __future__ import annotations

import ipaddress
import os
import re
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from pipeline.source_config import Identifier, Settings

Document = Literal[
    "report", "vehicle sheets", "driver sheets", "accounts", "model cards", "budget", "tables"
]
PEOPLE_DOCUMENTS = frozenset({"report", "tables"})
"""Those that show single drivers at the levels ``pseudonyms`` and ``names``."""
FOLDER_KINDS = frozenset(
    {"file", "memory", "s3", "s3a", "gs", "gcs", "az", "abfs", "abfss", "sftp", "ssh", "smb"}
)
"""Kinds of address that a folder or an object store may have, as fsspec names them."""

_LOCAL_LETTERS_N = 64
_DOMAIN_LETTERS_N = 255
_PATH_LETTERS_N = 254
_ATOM = r"[A-Za-z0-9!#$%&'*+/=?^_`{|}~-]+"
_LABEL = r"[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?"
_MAILBOX = re.compile(rf"({_ATOM}(?:\.{_ATOM})*)@({_LABEL}(?:\.{_LABEL})*)", re.ASCII)
_HOST = re.compile(rf"{_LABEL}(?:\.{_LABEL})*|[0-9a-fA-F:.]+", re.ASCII)
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,99}", re.ASCII)


def mail_address(text: str) -> str:
    """A mail address as it may stand in an envelope and a header, or a sentence why it is none.

    Notes
    -----
    Dot-atoms only, no quoted local part and no comment, at most 64 octets before the sign, 255
    after it and 254 in all (RFC 5321 section 4.5.3.1, RFC 5322 section 3.4.1). So no blank, line
    break or comma can come through, and an address cannot become a second one.
    """
    found = _MAILBOX.fullmatch(text)
    if found is None or len(text) > _PATH_LETTERS_N:
        raise ValueError(
            f"{ascii(text)[:80]} is not a mail address; write one like 'dispatch@example.org', "
            "ASCII only, one address per string (an international domain as xn--...)"
        )
    local, domain = found.groups()
    if len(local) > _LOCAL_LETTERS_N or len(domain) > _DOMAIN_LETTERS_N:
        raise ValueError("the part before or after the @ of this mail address is too long")
    return f"{local}@{domain.lower()}"


def is_mail(to: str) -> bool:
    """The recipient is a mail address, not a folder."""
    return "@" in to and "/" not in to and "\\" not in to


def folder_kind(to: str) -> str:
    """Kind of a folder address: ``file`` for a plain path, else what stands before ``://``."""
    kind, mark, _ = to.partition("://")
    return kind.lower() if mark else "file"


def _host(text: str) -> str:
    if not _HOST.fullmatch(text) or len(text) > _DOMAIN_LETTERS_N:
        raise ValueError("write the name of the mail server alone, like 'mail.example.org'")
    return text


def _recipient(text: str) -> str:
    if is_mail(text):
        return mail_address(text)
    if not text.strip() or not text.isprintable():
        raise ValueError("a folder's name is empty or holds control characters")
    kind = folder_kind(text)
    if "::" in text or kind not in FOLDER_KINDS:
        raise ValueError(
            f"'{kind}' is no kind of folder that can be delivered to; give a folder or an address "
            "that begins with one of " + ", ".join(f"{each}://" for each in sorted(FOLDER_KINDS))
        )
    if "://" in text and ":" in text.partition("://")[2].partition("/")[0].rpartition("@")[0]:
        raise ValueError(
            "this address holds a password, which must not stand in fleet.toml; give it by the "
            f"environment, FSSPEC_{kind.upper()}_PASSWORD for one"
        )
    return text


def _as_list(value: Any) -> Any:
    return (value,) if isinstance(value, str) else value


MailAddress = Annotated[str, AfterValidator(mail_address)]
Recipient = Annotated[str, Field(max_length=1000), AfterValidator(_recipient)]


class Mail(Settings):
    """``[mail]``: the server that takes mail from this machine. The password stands elsewhere."""

    host: Annotated[str, AfterValidator(_host)] = Field(description="Name of the mail server.")
    port: Annotated[int, Field(ge=1, le=65535)] | None = Field(
        None, description="By default 587 for starttls, 465 for tls, 25 for none."
    )
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="'none' only for a server on this machine."
    )
    sender: MailAddress = Field(alias="from", description="Address that the mail comes from.")
    user: str = Field("", max_length=200, description="Account at the server; empty: none.")
    password_env: str | None = Field(
        None, description="Name of the environment variable that holds the password."
    )
    password_file: Path | None = Field(
        None, description="File that holds the password, outside the fleet folder."
    )
    ca_file: Path | None = Field(
        None, description="Certificates to trust in place of the machine's, for a server in-house."
    )
    max_mb: Annotated[float, Field(gt=0, le=100)] = Field(
        20.0, description="Largest mail [MB], attachments as they travel."
    )

    @model_validator(mode="before")
    @classmethod
    def _no_secret(cls, told: Any) -> Any:
        """Refuse a password before anything can print it."""
        if not isinstance(told, dict):
            return told
        name = told.get("password_env")
        if "password" in told or (isinstance(name, str) and not _VARIABLE.fullmatch(name)):
            raise ValueError(
                "a password never stands in fleet.toml: name the environment variable that holds "
                "it (password_env) or a file outside the fleet folder (password_file)"
            )
        return told

    @model_validator(mode="after")
    def _fits(self) -> Self:
        given = [self.password_env, self.password_file]
        if all(given):
            raise ValueError("give password_env or password_file, not both")
        if bool(self.user) != any(given):
            raise ValueError("user and password_env (or password_file) go together")
        if not self.user.isprintable():
            raise ValueError("user holds control characters")
        if self.security == "none" and not _is_loopback(self.host):
            raise ValueError(
                "security = 'none' sends mail and password in the open, so it is for a server on "
                "this machine only (localhost); use 'starttls' or 'tls'"
            )
        return self

    @property
    def port_used(self) -> int:
        """The port told, or the usual one (RFC 8314 section 3.3, RFC 6409 section 3.1)."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.security]


class Deliver(Settings):
    """One ``[[deliver]]``: documents, and the list that receives them."""

    documents: Annotated[tuple[Document, ...], BeforeValidator(_as_list), Field(min_length=1)]
    to: Annotated[
        tuple[Recipient, ...], BeforeValidator(_as_list), Field(min_length=1, max_length=200)
    ] = Field(description="Mail addresses, folders, or addresses of object stores.")
    driver: Identifier | None = Field(
        None, description="Id of the one driver whose own sheet goes to the one address."
    )
    with_drivers: bool = Field(
        False,
        description="These recipients may see rows about single drivers in report and tables.",
    )

    @model_validator(mode="before")
    @classmethod
    def _own_sheet(cls, told: Any) -> Any:
        """An entry of a driver speaks of that driver's sheet; it need not say so."""
        if isinstance(told, dict) and "driver" in told and "documents" not in told:
            return {**told, "documents": ["driver sheets"]}
        return told

    @model_validator(mode="after")
    def _driver_sheets_go_to_the_driver(self) -> Self:
        for name, values in (("documents", self.documents), ("to", self.to)):
            if len(set(values)) < len(values):
                raise ValueError(f"{name} holds one entry twice")
        if "driver sheets" not in self.documents:
            if self.driver is not None:
                raise ValueError("driver = ... is for documents = ['driver sheets'] alone")
            return self
        if self.documents != ("driver sheets",) or self.driver is None:
            raise ValueError(
                "a driver's sheet goes to that driver and to nobody else: give it an entry of its "
                "own, with driver = '<id>', to = '<one mail address>' and no other document"
            )
        if len(self.to) > 1 or not is_mail(self.to[0]):
            raise ValueError("a driver's sheet goes to one mail address, the driver's own")
        return self


def delivery_faults(
    mail: Mail | None, deliver: tuple[Deliver, ...], level: str, missing_record: tuple[str, ...]
) -> str:
    """What of the entries does not go together, in one sentence; empty where all does.

    Parameters
    ----------
    level
        Of the analysis of drivers.
    missing_record
        Keys of the record about people that are not filled in.
    """
    if mail is None and any(is_mail(to) for entry in deliver for to in entry.to):
        return "[[deliver]] names a mail address, but there is no [mail] with host and from"
    own = [(entry.driver, entry.to[0]) for entry in deliver if entry.driver is not None]
    if len({driver for driver, _ in own}) < len(own) or len({to for _, to in own}) < len(own):
        return "two [[deliver]] name one driver, or send sheets of two drivers to one address"
    if level not in ("pseudonyms", "names"):
        if own:
            return (
                f"[[deliver]] sends sheets of drivers, but driver_analysis = '{level}' makes none"
            )
        return ""
    showing = [entry for entry in deliver if PEOPLE_DOCUMENTS & set(entry.documents)]
    if not all(entry.with_drivers for entry in showing):
        return (
            f"at driver_analysis = '{level}' report and tables show single drivers; say "
            "with_drivers = true in each [[deliver]] whose recipients may see that, or lower the "
            "level"
        )
    if missing_record and (own or showing):
        lacking = ", ".join(missing_record)
        return f"nothing about single drivers is delivered before [privacy] has {lacking}"
    return ""


def password_of(mail: Mail, fleet_folder: Path) -> str:
    """The password, from where it is kept; empty where none is needed.

    Raises
    ------
    ValueError
        With a sentence that does not hold the password.
    """
    if mail.password_env is not None:
        found = os.environ.get(mail.password_env, "")
        if not found:
            raise ValueError(f"the environment variable {mail.password_env} is not set")
        return found
    if mail.password_file is None:
        return ""
    path = fleet_folder / mail.password_file
    if path.resolve().is_relative_to(fleet_folder.resolve()):
        raise ValueError(f"{path} lies in the fleet folder, which is copied and shared")
    try:
        found = path.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"{path} cannot be read ({error})") from error
    if not found or "\n" in found:
        raise ValueError(f"{path} must hold the password in one line and nothing else")
    return found


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"

"""The user's own file of archives: who may be asked, who may be sent to, and how.

A TOML file, `archives.toml` in the user's folder unless another is given. It holds no secret: a password or token is
named by the environment variable or the file that it is in.
"""

import ipaddress
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from siteplan.errors import ArchiveError
from siteplan.surgery.library import user_folder

FILE_NAME = "archives.toml"

DEFAULT_PDU_BYTES = 131072
"""Longest protocol data unit that we offer to receive. 128 KiB is faster than the usual 16 KiB (measured)."""

AE_TITLE = r"^[!-\[\]-~]([ -\[\]-~]{0,14}[!-\[\]-~])?$"
"""At most 16 printable ASCII characters without a backslash, blanks inside only (DICOM PS3.5 table 6.2-1, VR AE)."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)


class Login(_Part):
    """Who we are to the archive. The secret itself is never in this file."""

    user: str = Field(default="", max_length=128)
    password_env: str = Field(default="", description="environment variable that holds the password")
    password_file: str = Field(default="", description="file that holds the password and nothing else")
    token_env: str = Field(default="", description="environment variable that holds a bearer token")
    token_file: str = Field(default="", description="file that holds a bearer token and nothing else")

    @model_validator(mode="after")
    def _one_secret(self) -> "Login":
        given = [self.password_env, self.password_file, self.token_env, self.token_file]
        if sum(map(bool, given)) != 1:
            raise ValueError("give one of password_env, password_file, token_env, token_file")
        if bool(self.user) != bool(self.password_env or self.password_file):
            raise ValueError("user goes with password_env or password_file, a token goes without user")
        return self


class Tls(_Part):
    """How encryption is checked. The server's certificate is always verified; there is no switch against that."""

    ca_file: str = Field(default="", description="certificates to trust (PEM) instead of the system's")
    certificate_file: str = Field(default="", description="our own certificate (PEM), where the archive asks for one")
    key_file: str = Field(default="", description="the key of our own certificate (PEM)")

    @model_validator(mode="after")
    def _both(self) -> "Tls":
        if bool(self.certificate_file) != bool(self.key_file):
            raise ValueError("certificate_file and key_file go together")
        return self


class _Limits(_Part):
    timeout_s: float = Field(default=30, ge=0.1, le=3600, description="longest silence of the archive, seconds")
    largest_object_mb: int = Field(default=2048, ge=1, le=65536, description="larger objects are refused")
    largest_series_mb: int = Field(default=16384, ge=1, le=1048576, description="larger series are refused")

    @property
    def largest_object_bytes(self) -> int:
        """Bound of one object."""
        return self.largest_object_mb << 20

    @property
    def largest_series_bytes(self) -> int:
        """Bound of all objects of one fetch."""
        return self.largest_series_mb << 20


class DicomWebSettings(_Limits):
    """An archive that speaks DICOMweb (DICOM PS3.18)."""

    over: Literal["dicomweb"]
    url: str = Field(description="address of the service, up to the part before /studies")
    login: Login | None = None
    tls: Tls = Tls()

    @field_validator("url")
    @classmethod
    def _plain_address(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError("an address such as https://archive.example/dicom-web is needed")
        if parts.username is not None or parts.password is not None:
            raise ValueError("take user and password out of the address and use a login table")
        if parts.query or parts.fragment:
            raise ValueError("the address must end with the path, without ? or #")
        return url.rstrip("/")

    @model_validator(mode="after")
    def _no_login_in_clear(self) -> "DicomWebSettings":
        if self.login and not (self.encrypted or self.on_this_machine):
            raise ValueError("a login is only sent encrypted; use an https address")
        return self

    @property
    def encrypted(self) -> bool:
        """Whether traffic is encrypted."""
        return self.url.startswith("https:")

    @property
    def on_this_machine(self) -> bool:
        """Whether traffic stays on the loopback."""
        return is_loopback(urlsplit(self.url).hostname or "")


class DimseSettings(_Limits):
    """An archive that speaks DIMSE (DICOM PS3.7 and PS3.8)."""

    over: Literal["dimse"]
    host: str = Field(min_length=1, max_length=253)
    port: int = Field(ge=1, le=65535)
    title: str = Field(pattern=AE_TITLE, description="AE title of the archive")
    our_title: str = Field(default="SITEPLAN", pattern=AE_TITLE, description="AE title by which the archive knows us")
    retrieve: Literal["get", "move"] = Field(default="get", description="C-GET, or C-MOVE for archives without it")
    receive_address: str = Field(default="127.0.0.1", description="address of this machine that C-MOVE sends to")
    receive_port: int = Field(default=0, ge=0, le=65535, description="port of this machine that C-MOVE sends to")
    pdu_bytes: int = Field(default=DEFAULT_PDU_BYTES, ge=4096, le=1 << 20)
    login: Login | None = None
    tls: Tls | None = Field(default=None, description="with this table, empty or not, the connection is encrypted")

    @model_validator(mode="after")
    def _holds_together(self) -> "DimseSettings":
        if self.retrieve == "move" and not self.receive_port:
            raise ValueError("retrieve = 'move' needs receive_port, the port that the archive knows for us")
        if self.retrieve == "move" and self.tls is not None and not self.tls.certificate_file:
            raise ValueError("retrieve = 'move' with tls needs certificate_file and key_file to receive with")
        if self.login and not (self.encrypted or self.on_this_machine):
            raise ValueError("a login is only sent encrypted; add a tls table")
        return self

    @property
    def encrypted(self) -> bool:
        """Whether traffic is encrypted."""
        return self.tls is not None

    @property
    def on_this_machine(self) -> bool:
        """Whether traffic stays on the loopback."""
        return is_loopback(self.host)


ArchiveSettings = Annotated[DicomWebSettings | DimseSettings, Field(discriminator="over")]


class ArchivesFile(_Part):
    """A file of archives, each under a name of the user's choice."""

    format: Literal[1]
    archive: dict[str, ArchiveSettings] = Field(min_length=1)


class Named(BaseModel):
    """One archive of a file, with its name and the folder that relative paths count from."""

    model_config = ConfigDict(frozen=True)

    name: str
    folder: Path
    settings: DicomWebSettings | DimseSettings

    def path(self, text: str) -> Path:
        """A path of the file, as one of this machine."""
        return self.folder / Path(text).expanduser()

    @property
    def caution(self) -> str:
        """What must be said before anything travels; "" when there is nothing."""
        if self.settings.encrypted or self.settings.on_this_machine:
            return ""
        return (
            f"The traffic with the archive {self.name!r} is not encrypted: whoever shares the network can read the "
            "patient's data; use https or a tls table, or a network that is protected otherwise."
        )


def load_archive(name: str, file: str | Path | None = None) -> Named:
    """The archive of that name from the user's own file.

    Raises:
        ArchiveError: no such file, not valid, or no archive of this name; no value of the file is in the sentence.
    """
    path = Path(file) if file is not None else user_folder() / FILE_NAME
    archives = _read(path).archive
    if name not in archives:
        raise ArchiveError(f"{path}: there is no archive {name!r}; it names {', '.join(sorted(archives))}.")
    return Named(name=name, folder=path.parent, settings=archives[name])


def archives_schema() -> dict[str, Any]:
    """JSON Schema of a file of archives (TOML and JSON share their data model)."""
    return ArchivesFile.model_json_schema()


def is_loopback(host: str) -> bool:
    """Whether a host is this machine, by its name or number."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _read(path: Path) -> ArchivesFile:
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ArchiveError(
            f"{path}: there is no such file; write one that names your archives, as 'siteplan fetch --help' shows."
        ) from None
    except (OSError, UnicodeDecodeError):
        raise ArchiveError(f"{path}: the file of archives cannot be read; it must be a UTF-8 text file.") from None
    except tomllib.TOMLDecodeError as error:
        raise ArchiveError(f"{path}: not valid TOML: {error}.") from None
    try:
        return ArchivesFile.model_validate(data)
    except ValidationError as error:
        raise ArchiveError(f"{path}: {_sentence(error)}") from None


def _sentence(error: ValidationError) -> str:
    """The first mistake, without the value that somebody typed: it may be a secret in the wrong place."""
    first = error.errors(include_input=False, include_url=False)[0]
    if first["loc"] == ("format",):
        return "format: this file must begin with 'format = 1'; 'siteplan fetch --help' shows an example."
    place = ".".join(str(part) for part in first["loc"] if part not in ("dicomweb", "dimse"))
    said = {
        "missing": "this key is missing; give it, as 'siteplan fetch --help' shows",
        "extra_forbidden": "this key is not known here; remove it or correct its spelling",
        "union_tag_not_found": "the key 'over' is missing; give 'dicomweb' or 'dimse'",
        "union_tag_invalid": "the key 'over' must be 'dicomweb' or 'dimse'",
        "string_pattern_mismatch": "an AE title has 1 to 16 plain characters",
    }.get(first["type"], first["msg"].removeprefix("Value error, "))
    return f"{place or 'the file'}: {said[0].lower()}{said[1:]}."

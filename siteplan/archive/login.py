"""The secret behind a login: read when it is needed, kept out of every text, never written."""

import os
import stat
from dataclasses import dataclass, field
from pathlib import Path

from siteplan.archive.settings import Login, Named
from siteplan.errors import ArchiveError

LONGEST_SECRET = 16384
"""Bytes of a password or token that are read; tokens stay below 8 KiB because servers bound headers to that."""


@dataclass(frozen=True, slots=True)
class Secret:
    """A user with password, or a token with an empty user. Neither shows in `repr`."""

    user: str = field(repr=False)
    value: str = field(repr=False)


def secret_of(archive: Named) -> Secret | None:
    """What the archive's login table leads to, None without one.

    Raises:
        ArchiveError: the variable is not set, or the file is not readable or holds nothing.
    """
    login = archive.settings.login
    if login is None:
        return None
    variable, file = login.password_env or login.token_env, login.password_file or login.token_file
    value = _from_environment(variable, archive.name) if variable else _from_file(archive.path(file), archive.name)
    if any(not letter.isprintable() for letter in value):
        raise ArchiveError(f"the secret for the archive {archive.name!r} holds a line break or control character.")
    return Secret(login.user, value)


def exposed(archive: Named) -> str:
    """A caution when other users of this machine can read the file of the secret; "" otherwise."""
    login: Login | None = archive.settings.login
    name = (login.password_file or login.token_file) if login else ""
    if not name or os.name != "posix":
        return ""
    try:
        mode = archive.path(name).stat().st_mode
    except OSError:
        return ""
    if not mode & (stat.S_IRGRP | stat.S_IROTH):
        return ""
    return f"{archive.path(name)}: other users of this machine can read this secret; restrict it to yourself."


def _from_environment(variable: str, name: str) -> str:
    value = os.environ.get(variable, "")
    if not value:
        raise ArchiveError(
            f"the environment variable {variable} is not set; put the secret for the archive {name!r} there."
        )
    return value


def _from_file(path: Path, name: str) -> str:
    try:
        with path.open("rb") as stream:
            value = stream.read(LONGEST_SECRET).decode("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError):
        raise ArchiveError(
            f"{path}: the secret for the archive {name!r} cannot be read; check that it is there and is yours."
        ) from None
    if not value:
        raise ArchiveError(f"{path}: the file is empty; it must hold the secret for the archive {name!r}.")
    return value

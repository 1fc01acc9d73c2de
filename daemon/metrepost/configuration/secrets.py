"""Secrets: named in files, never written in them."""

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import msgspec
from pydantic import BeforeValidator, model_validator

from .faults import Place
from .table import Filled, Table
from .toml_lines import KeyPath


class SecretFile(msgspec.Struct, frozen=True):
    """A file that holds a secret, with its permission bits (``stat.st_mode & 0o777``) when it was read."""

    path: Path
    mode: int


class SecretTable(Table):
    """``{ env = "NAME" }``, an environment variable of the daemon, or ``{ file = "path" }``, beside the line file."""

    env: Filled | None = None
    file: Filled | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> "SecretTable":
        if (self.env is None) == (self.file is None):
            raise ValueError('a secret names either an environment variable, { env = "NAME" }, or a file, { file = "path" }')
        return self


def _never_text(value: object) -> object:
    if isinstance(value, str):  # the text itself is not repeated: it may be the secret
        raise ValueError(  # noqa: TRY004 - pydantic turns ValueError into a fault, TypeError not
            'a secret must not stand in this file as text; name an environment variable, { env = "NAME" }, '
            'or a file, { file = "path" }, and change the secret that stood here'
        )
    return value


Secret = Annotated[SecretTable, BeforeValidator(_never_text)]
"""A secret in a model."""


def _text_or_secret(value: Any) -> Any:
    return {"text": value} if isinstance(value, str) else value


class NameTable(Table):
    """A name that may be kept with the secrets or written down: plain text, ``{ env = … }`` or ``{ file = … }``."""

    text: Filled | None = None
    env: Filled | None = None
    file: Filled | None = None


Name = Annotated[NameTable, BeforeValidator(_text_or_secret)]
"""A user name: text or named like a secret."""


class SecretStore:
    """Resolves secrets against the environment and files, and remembers the files it read."""

    def __init__(self, environ: Mapping[str, str], folder: Path) -> None:
        self._environ = environ
        self._folder = folder
        self.files: list[SecretFile] = []

    def resolve(self, secret: SecretTable | NameTable | None, place: Place, path: KeyPath) -> str:
        """The secret itself; "" for None, and with a fault reported when it cannot be had."""
        if secret is None:
            return ""
        if isinstance(secret, NameTable) and secret.text is not None:
            return secret.text
        if secret.env is not None:
            found = self._environ.get(secret.env, "")
            if not found:
                place.fault(
                    (*path, "env"),
                    f"the environment variable {secret.env} is not set, or empty; set it where the daemon is started",
                )
            return found
        if secret.file is None:
            place.fault(path, 'text, { env = "NAME" } or { file = "path" } is expected')
            return ""
        file = self._folder / secret.file
        try:
            text = file.read_text(encoding="utf-8").strip("\r\n")
            self.note(file)
        except (OSError, UnicodeDecodeError) as error:
            reason = getattr(error, "strerror", None) or "it is no UTF-8 text"
            place.fault((*path, "file"), f"the secret cannot be read from {file}: {reason}")
            return ""
        if not text.strip():
            place.fault((*path, "file"), f"the file {file} is empty")
        return text

    def note(self, file: Path) -> None:
        """Remember a file that holds a secret, with its permissions. Raises OSError."""
        self.files.append(SecretFile(file, file.stat().st_mode & 0o777))

    def path(self, given: str | None, place: Place, path: KeyPath, *, secret: bool = False, folder: bool = False) -> str:
        """The absolute path of a certificate or key file; "" for None, and with a fault reported when it is not there."""
        if given is None:
            return ""
        if "-----BEGIN" in given:
            place.fault(path, "the certificate or key itself must not stand in this file; write the path of its file")
            return ""
        file = self._folder / given
        if folder and file.is_dir():
            return str(file.resolve())
        try:
            with file.open("rb"):
                pass
            if secret:
                self.note(file)
        except OSError as error:
            place.fault(path, f"the file {file} cannot be read: {error.strerror or error}")
            return ""
        return str(file.resolve())

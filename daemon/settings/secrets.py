"""Where secrets come from: never the configuration, only references to what holds them.

Three kinds of reference: ``env:NAME`` (environment of the process), ``credential:NAME`` (a file in the folder
that systemd names in ``$CREDENTIALS_DIRECTORY``) and ``file:PATH`` (a file that only its owner may touch).
No message here ever shows a value, nor text that might be one.
"""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, WithJsonSchema

from quietbench.daemon.errors import ConfigurationError
from quietbench.daemon.settings.fields import refuse

__all__ = ["SECRET_KEYS", "Secret", "SecretReference", "file_trouble", "read_secret", "rooted"]

SECRET_KEYS = frozenset({"password", "token"})
"""Keys whose value is never shown, right or wrong."""

_WANTED = '"env:NAME", "credential:NAME" or "file:PATH" (file mode 0600)'
_REFERENCE = re.compile(
    r"env:[A-Za-z_][A-Za-z0-9_]*|credential:(?!\.{1,2}$)[A-Za-z0-9_.-]+|file:[^\x00-\x1f\x7f]+"
)
_LONGEST_BYTES = 64 * 1024
_OTHERS = stat.S_IRWXG | stat.S_IRWXO


class Secret(str):
    """A secret's text that stays out of logs and tracebacks: its repr shows nothing of it."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "Secret('…')"


def _is_text(value: Any) -> Any:
    if isinstance(value, str):
        return value
    raise refuse("a secret in the file", wanted=f"a reference: {_WANTED}", got="a value that is not shown")


def _is_reference(value: str) -> str:
    if _REFERENCE.fullmatch(value):
        return value
    raise refuse("a secret in the file", wanted=f"a reference: {_WANTED}", got="a value that is not shown")


SecretReference = Annotated[
    str,
    BeforeValidator(_is_text),
    AfterValidator(_is_reference),
    WithJsonSchema({"type": "string", "pattern": "^(env|credential|file):.+$"}),
]
"""Where to find a secret; a secret itself is refused, and not shown."""


def rooted(reference: str, folder: Path) -> str:
    """Return the reference with a relative file path made absolute from ``folder``."""
    kind, _, rest = reference.partition(":")
    return f"file:{folder / rest}" if kind == "file" else reference


def file_trouble(path: Path) -> str | None:
    """Say what keeps a file from being used for a secret, or None; a file that is missing is no trouble yet.

    For checks ahead of time; `read_secret` looks again at what it has opened.
    """
    try:
        status = path.stat()
    except OSError:
        return None
    return _status_trouble(status)


def read_secret(reference: str) -> str:
    """Return the secret that a reference names, without the line end that editors add.

    The text is a `Secret`: a plain string but for its repr.

    Raises:
        ConfigurationError: no such reference kind, or nothing usable there; never shows a value.
    """
    if not _REFERENCE.fullmatch(reference):
        raise ConfigurationError(
            f"a secret's reference can't be read: wanted {_WANTED}; what was got is not shown"
        )
    kind, _, name = reference.partition(":")
    data = {"env": _from_environment, "credential": _from_credentials, "file": _from_file}[kind](name)
    return _text(data, reference)


def _from_environment(name: str) -> bytes:
    value = os.environb.get(os.fsencode(name))
    if value is None:
        raise ConfigurationError(
            f"secret env:{name}: no such variable in the environment; set it for the service"
        )
    return value


def _from_credentials(name: str) -> bytes:
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    if not folder:
        raise ConfigurationError(
            f"secret credential:{name}: CREDENTIALS_DIRECTORY is not set; "
            f"give the service LoadCredential={name}:PATH, or use env: or file:"
        )
    try:
        return _bounded(os.open(Path(folder) / name, os.O_RDONLY | os.O_CLOEXEC))
    except OSError as error:
        text = f"secret credential:{name}: {error.strerror} in {folder}; give the service LoadCredential={name}:PATH"
        raise ConfigurationError(text) from error


def _from_file(name: str) -> bytes:
    try:
        opened = os.open(name, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise ConfigurationError(f"secret file:{name}: {error.strerror}") from error
    trouble = _status_trouble(os.fstat(opened))
    if trouble is not None:
        os.close(opened)
        raise ConfigurationError(f"secret file:{name}: {trouble}")
    return _bounded(opened)


def _status_trouble(status: os.stat_result) -> str | None:
    if not stat.S_ISREG(status.st_mode):
        return "got something that is no regular file, wanted a file of mode 0600"
    mode = stat.S_IMODE(status.st_mode)
    if mode & _OTHERS:
        return f"got mode {mode:04o}, wanted 0600: group and others must not reach it (chmod 600)"
    return None


def _bounded(opened: int) -> bytes:
    with os.fdopen(opened, "rb") as file:
        return file.read(_LONGEST_BYTES + 1)


def _text(data: bytes, reference: str) -> str:
    if len(data) > _LONGEST_BYTES:
        raise ConfigurationError(f"secret {reference}: longer than {_LONGEST_BYTES} bytes; wanted one line")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        # Without the cause: its text shows bytes of the secret.
        raise ConfigurationError(f"secret {reference}: not UTF-8 text") from None
    text = text.removesuffix("\n").removesuffix("\r")
    if not text:
        raise ConfigurationError(f"secret {reference}: empty")
    return Secret(text)

"""A far side's password: from a file, read anew for every connection, or from the environment; never shown."""

from __future__ import annotations

import os
import stat
from functools import lru_cache
from pathlib import Path

import structlog

from gaugepost.contract import Unreachable

MOST_BYTES = 65_535
"""What MQTT's CONNECT has room for (MQTT 5.0, 3.1.3.6); nobody else takes more."""


def password(folder: Path, file: str | None, variable: str | None) -> str | None:
    """Return the password as it is now, without a line end after it; None where neither file nor variable is named.

    `folder` is where a relative path starts.

    Raises:
        Unreachable: the file or variable is not there, or holds what can't be a password. It is never shown.
    """
    if variable is not None:
        value = os.environ.get(variable)
        if value is None:
            raise Unreachable(
                f"the environment variable {variable} is not set",
                hint="set it for the service and start that again, or write password_file instead",
            )
        return _usable(value.encode(errors="surrogateescape"), f"the environment variable {variable}")
    if file is None:
        return None
    path = folder / file
    try:
        with path.open("rb") as opened:
            everybody = bool(os.fstat(opened.fileno()).st_mode & stat.S_IROTH)
            content = opened.read(MOST_BYTES + 3)
    except OSError as cause:
        raise Unreachable(
            f"{path}: {cause.strerror or cause}",
            hint="put the file there and let the service's user read it; records are kept meanwhile",
        ) from cause
    if everybody:
        _warn(path)
    return _usable(content, str(path))


@lru_cache(maxsize=64)  # once: a file is read for every connection
def _warn(path: Path) -> None:
    structlog.get_logger().warning(
        "everybody can read the password", file=str(path), write=f"chmod o-r {path}"
    )


def _usable(content: bytes, where: str) -> str:
    value = content.removesuffix(b"\n").removesuffix(b"\r")
    finding = "is empty" if not value else "is too long" if len(value) > MOST_BYTES else ""
    try:
        text = value.decode()
    except UnicodeDecodeError:
        finding = "is not UTF-8"
    if finding:
        raise Unreachable(f"{where} {finding}", hint="write the password there and nothing else")
    return text

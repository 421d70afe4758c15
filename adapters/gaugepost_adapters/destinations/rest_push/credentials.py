"""Headers that hold secrets: from files, read again when they change, or from the environment; never shown."""

from __future__ import annotations

import html
import json
import os
from collections.abc import Iterable, Mapping
from pathlib import Path
from urllib.parse import quote

from gaugepost.contract import Unreachable
from gaugepost_adapters.destinations.rest_push.settings import usable_value

MOST_BYTES = 16_384
"""A header as long as this is taken by no server we know of (common practice, no source)."""

_SCHEMES = frozenset({"basic", "bearer", "digest", "token"})

_Signature = tuple[int, int, int, int]


class Secrets:
    """Headers as they are now. Nothing that is raised or shown says what is in them."""

    def __init__(self, sources: Mapping[str, tuple[str, str | None, str | None]], folder: Path) -> None:
        """Take for each header what stands before its secret, and the file (from `folder` on) or variable of it."""
        self._sources = sources
        self._folder = folder
        self._read: dict[Path, tuple[_Signature, str]] = {}

    def headers(self) -> dict[str, str]:
        """Return name and value of each header.

        Raises:
            Unreachable: a file or variable is not there, or holds what can't be a header.
        """
        return {
            name: before + (self._of_file(self._folder / path) if path else _of_variable(variable or ""))
            for name, (before, path, variable) in self._sources.items()
        }

    def _of_file(self, path: Path) -> str:
        try:
            state = path.stat()
            signature = (state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns)
            known = self._read.get(path)
            if known is not None and known[0] == signature:
                return known[1]
            with path.open("rb") as file:
                content = file.read(MOST_BYTES)
        except OSError as cause:
            raise Unreachable(
                f"{path}: {cause.strerror or cause}",
                hint="put the file there and let the service's user read it; records are kept meanwhile",
            ) from cause
        value = _usable(content.decode(errors="replace"), str(path))
        self._read[path] = (signature, value)
        return value


def echoes(values: Iterable[str]) -> list[str]:
    """Return what an answer may hold of headers' secret values, longest first: whole, by word, or as it escapes them.

    Words of less than 4 characters and names of schemes are left: without them, answers could no longer be read.
    """
    found = set()
    for value in values:
        words = {word for word in value.split() if len(word) > 3 and word.lower() not in _SCHEMES}
        for text in {value} | words:
            escaped = json.dumps(text)[1:-1]
            found |= {text, escaped, escaped.replace("/", r"\/"), html.escape(text), quote(text, safe="")}
    return sorted(found, key=len, reverse=True)


def _of_variable(name: str) -> str:
    value = os.environ.get(name)
    if value is None:
        raise Unreachable(
            f"the environment variable {name} is not set",
            hint="set it for the service and start that again, or name a file instead",
        )
    return _usable(value, f"the environment variable {name}")


def _usable(text: str, where: str) -> str:
    value = text.strip(" \t\r\n")
    if not usable_value(value):
        finding = "holds what no header can hold" if value else "is empty"
        raise Unreachable(f"{where} {finding}", hint="write the one value there, in visible ASCII characters")
    return value

"""From a file on disk to TOML values with their lines; whatever is in the way becomes one finding."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gaugepost.edge.stationfile import positions
from gaugepost.edge.stationfile.findings import Finding, StationFileError, toml

MAX_BYTES = 1 << 20
"""No station is described in more; a larger file is something else."""

MAX_DEPTH = 32
"""No table or list of a station file nests deeper."""

_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_UNQUOTED = re.compile(r"\s*([A-Za-z0-9_.-]+)\s*=\s*([^\"'\[\]{}#]*[^\"'\[\]{}#\s])\s*(?:#.*)?")
_OPENERS = ('"', "'", "[", "{")
_COLON = re.compile(r"\s*([A-Za-z0-9_.-]+)\s*:\s*(.+)")


@dataclass(frozen=True, slots=True)
class Sort:
    """What a file is expected to be."""

    what: str
    begins: str
    name: str


STATION = Sort("a station file", 'begin with [station] and name = "bench-1"', "station.toml")
DESCRIPTION = Sort("a gauge description", 'begin with kind = "delimited_text"', "bore.toml")


@dataclass(frozen=True, slots=True)
class Source:
    """A file's values, and the line of every key."""

    raw: dict[str, Any]
    lines: dict[positions.Path, int]


def load(path: Path, sort: Sort = STATION) -> Source:
    """Return what the TOML file at `path` says, which findings call by its sort.

    Raises:
        StationFileError: it can't be read, or is not TOML; with the line where there is one.
    """
    return parse(_read(path, sort), str(path), sort)


def parse(data: bytes, file: str, sort: Sort = STATION) -> Source:
    """Return what the TOML document `data` says; findings name it `file`. Raises as `load`."""
    if len(data) > MAX_BYTES:
        raise _failed(file, 0, f"the file is larger than {MAX_BYTES >> 10} KiB", write=f"name {sort.what}")
    if data.startswith(b"\xef\xbb\xbf"):
        raise _failed(file, 1, "the file begins with a byte order mark", write="save it as UTF-8 without one")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise _failed(
            file, line, f"byte 0x{data[error.start]:02x} is not UTF-8", write="save the file as UTF-8"
        ) from error
    if not text.strip():
        raise _failed(file, 0, "the file is empty", sort.what, sort.begins)
    try:
        raw = tomllib.loads(text)
    except RecursionError as error:
        raise _too_deep(file, sort) from error
    except ValueError as error:
        raise _syntax(file, text, str(error)) from error
    if _too_nested(raw):
        raise _too_deep(file, sort)
    return Source(raw, positions.locate(text))


def _read(path: Path, sort: Sort) -> bytes:
    file = str(path)
    try:
        if path.is_dir():
            raise _failed(file, 0, "is a folder", sort.what, f"name the file in it, as {path / sort.name}")
        if path.exists() and not path.is_file():
            raise _failed(file, 0, "is not a regular file", sort.what)
        with path.open("rb") as stream:
            return stream.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise _failed(file, 0, "there is no such file", sort.what, "check the name and the folder") from error
    except PermissionError as error:
        raise _failed(
            file, 0, "may not be read", write="give its reader the right, or become its owner"
        ) from error
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise _failed(file, 0, f"can't be read: {reason}", write="check the name and the disk") from error


def _failed(file: str, line: int, finding: str, expected: str = "", write: str = "") -> StationFileError:
    return StationFileError([Finding(file, line, "", finding, expected, write)])


def _too_deep(file: str, sort: Sort) -> StationFileError:
    return _failed(file, 0, f"tables or lists nest deeper than {MAX_DEPTH} levels", write=f"name {sort.what}")


def _too_nested(raw: dict[str, Any]) -> bool:
    level: list[object] = [raw]
    for _ in range(MAX_DEPTH):
        below: list[object] = []
        for value in level:
            if isinstance(value, dict):
                below.extend(value.values())
            elif isinstance(value, list):
                below.extend(value)
        level = [value for value in below if isinstance(value, dict | list)]
        if not level:
            return False
    return True


def _syntax(file: str, text: str, message: str) -> StationFileError:
    """Turn the parser's message into a finding, with what to write where the line gives it away."""
    found = _PLACE.search(message)
    said = message[: found.start()] if found else message
    rows = text.split("\n")
    if found and found.group(1):
        line, column = int(found.group(1)), f" at column {found.group(2)}"
    elif found:
        line, column = len(text.rstrip().split("\n")), " at the end"
    else:
        line, column = 0, ""
    row = rows[line - 1] if 0 < line <= len(rows) else ""
    return _failed(file, line, f"not TOML{column}: {said}", write=_remedy(said, row))


def _remedy(said: str, row: str) -> str:
    if (colon := _COLON.fullmatch(row.rstrip())) and "=" not in row:
        value = colon.group(2)
        return f"write {colon.group(1)} = {value if value.startswith(_OPENERS) else toml(value)}"
    unquoted = _UNQUOTED.fullmatch(row.rstrip())
    if unquoted and ("Invalid value" in said or "Expected newline" in said):
        return f"write {unquoted.group(1)} = {toml(unquoted.group(2))}"
    if "Cannot declare" in said:
        return "give each table a name of its own, or put the keys of both under one header"
    if "Cannot overwrite" in said:
        return "write each key once"
    if "Unterminated" in said or "Illegal character" in said:
        return "close the quote that was opened"
    if "Unclosed array" in said or "Unclosed inline table" in said:
        return "close the bracket that was opened"
    return ""

"""A gauge's description in a file of its own, which stations share: `[links.x.decoder]` with `file = "bore.toml"`.

The file holds what the table would: `kind` and its settings. The station may add keys to it and change none, so that a
description means the same wherever it is named. It names no further file.
"""

from __future__ import annotations

import pathlib
from collections.abc import Mapping
from typing import Any

from gaugepost.edge.stationfile.findings import Report, Severity, StationFileError, toml
from gaugepost.edge.stationfile.positions import Path
from gaugepost.edge.stationfile.source import DESCRIPTION, Source, load

Raw = Mapping[str, Any]


class _Described(Report):
    """Says each finding in the file that its key stands in; a key that is missing belongs in the description."""

    def __init__(self, station: Report, table: Path, said: Raw, file: str, source: Source) -> None:
        super().__init__(file, source.lines)
        self._station, self._table, self._said = station, table, said

    @property
    def cause(self) -> BaseException | None:
        return self._station.cause

    @cause.setter
    def cause(self, cause: BaseException | None) -> None:
        if cause is not None:
            self._station.cause = cause

    def _note(self, path: Path, finding: str, expected: str, write: str, severity: Severity) -> None:
        below = path[len(self._table) :]
        if below and below[0] in self._said:
            self._station.add(self._station.made(path, finding, expected, write, severity))
        else:
            self._station.add(self.made(below, finding, expected, write, severity))


def described(report: Report, path: Path, raw: Raw) -> tuple[Report, Raw] | None:
    """Return the table at `path` with what its description says, and where to note findings about it.

    Where it can't be read, or says what the station says too, note why and return None.
    """
    if "file" not in raw:
        return report, raw
    key, name = (*path, "file"), raw["file"]
    if not isinstance(name, str) or not name:
        report.error(key, f"{toml(name)} is not a path", "a gauge description", 'write file = "bore.toml"')
        return None
    station = pathlib.Path(report.file)
    file = station.parent / name
    if _same(file, station):
        report.error(key, "is this station file itself", "a gauge description", "give it a file of its own")
        return None
    try:
        source = load(file, DESCRIPTION)
    except StationFileError as error:
        for found in error.findings:
            if found.line:
                report.add(found)
            else:
                report.error(key, f"{_printable(str(file))}: {found.finding}", found.expected, found.write)
        return None
    own = {name: value for name, value in raw.items() if name != "file"}
    inner = _Described(report, path, own, str(file), source)
    if "file" in source.raw:
        inner.error(
            (*path, "file"), "a description names no other file", write="write here what that one says"
        )
        return None
    twice = [name for name in own if name in source.raw]
    for name in twice:
        line = source.lines.get((name,), 0)
        report.error(
            (*path, name),
            f"{file}:{line} says {name} too",
            "keys that the description leaves out",
            "take one of the two out, or give this gauge a description of its own",
        )
    return None if twice else (inner, {**source.raw, **own})


def _same(file: pathlib.Path, station: pathlib.Path) -> bool:
    try:
        return file.samefile(station)
    except (OSError, ValueError):
        return False


def _printable(text: str) -> str:
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode() for one in text)

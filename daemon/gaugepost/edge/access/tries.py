"""Wrong tries on disk, so that neither a restart nor a power cut gives anybody new ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gaugepost.core.access import Tries
from gaugepost.edge.access.private import PrivateFile

FILE_NAME = "tries.json"
FORMAT = 1
MOST_REMEMBERED = 1000
"""Addresses, and digests of ids that nobody has, that are remembered; beyond that the oldest are forgotten."""


@dataclass(frozen=True, slots=True)
class AllTries:
    """Wrong tries by person, by a part of the digest of an id that nobody has, and by address."""

    people: Mapping[str, Tries] = field(default_factory=dict)
    strangers: Mapping[str, Tries] = field(default_factory=dict)
    addresses: Mapping[str, Tries] = field(default_factory=dict)


class TriesFile:
    """What `AllTries` the station remembers. Only the service writes it."""

    def __init__(self, data: Path) -> None:
        """`data` is the station's data folder."""
        self._file: PrivateFile[AllTries] = PrivateFile(
            data / FILE_NAME, FORMAT, AllTries(), _read, "put the file right, or move it away"
        )

    def all(self) -> AllTries:
        """Return what is remembered. Raises `SettingsError` where the file can't be used."""
        return self._file.content()

    def write(self, tries: AllTries) -> None:
        """Remember `tries`. Raises `SettingsError` where it can't be written."""
        self._file.write(
            {
                "people": _said(tries.people, None),
                "strangers": _said(tries.strangers, MOST_REMEMBERED),
                "addresses": _said(tries.addresses, MOST_REMEMBERED),
            }
        )


def _said(tries: Mapping[str, Tries], most: int | None) -> dict[str, list[int]]:
    latest = sorted(tries.items(), key=lambda each: each[1].last_ms)
    return {name: [each.wrong, each.last_ms] for name, each in latest[-most if most else 0 :] if each.wrong}


def _read(said: Any) -> AllTries:
    def tries(named: Any) -> dict[str, Tries]:
        return {str(name): Tries(int(wrong), int(last)) for name, (wrong, last) in named.items()}

    return AllTries(tries(said["people"]), tries(said["strangers"]), tries(said["addresses"]))

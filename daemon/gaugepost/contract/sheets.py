"""Sheets that a destination fills: how one is looked at, and made, before anyone measures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, runtime_checkable

from gaugepost.contract.adapters import AdapterSettings, StationFacts
from gaugepost.core.quantity import exact_text as exact_text, from_mm as from_mm
from gaugepost.core.setup import CharacteristicEntry as CharacteristicEntry, Combine as Combine


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that keeps a sheet from being filled as the station file says, and what to write or do instead."""

    finding: str
    remedy: str = ""
    key: tuple[str | int, ...] = ()
    """Where in the destination's table, as ("fill", 0, "value"); empty for the table as a whole."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What looking at a sheet came to."""

    file: str
    """What is filled, or copied to be filled."""
    faults: tuple[Fault, ...]
    lines: tuple[str, ...]
    """What is filled where, and how full it is, in lines for a person."""
    kinds: tuple[str, ...]
    """Kinds of records without which it would not stay right."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a new sheet is to be like."""

    characteristics: Sequence[CharacteristicEntry]
    pieces: int
    name: str = "inspection-sheet"
    """What the destination is called in the station file."""
    across: bool = False
    """Pieces side by side, characteristics below each other; else the other way round."""
    by_lot: bool = False
    """Whether it is a template, of which every lot gets a copy."""
    shown: Sequence[str] = field(default=("value", "verdict", "decision"))
    """What is shown of each measurement."""
    letter: bool = False
    """Whether it is printed on Letter paper; else on A4."""


@runtime_checkable
class FillsSheets(Protocol):
    """A kind of destination that fills sheets. Both read or write files, and may block."""

    @staticmethod
    def look(
        settings: AdapterSettings, station: StationFacts, characteristics: Mapping[str, CharacteristicEntry]
    ) -> Looked:
        """Return what would be filled where, and what is in the way. Changes nothing."""

    @staticmethod
    def make(path: Path, station: StationFacts, wanted: Wanted) -> Sequence[str]:
        """Make a sheet at `path`, where there is none; return the destination's table, ready for the station file.

        Raises:
            GaugepostError: it can't be made, with what to do.
        """

"""A row to a table of the station file: numbers get their unit and decimal point as somebody said, never by a guess."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from gaugepost.core.quantity import UNIT_SPELLINGS
from gaugepost.edge.drawing_list.columns import LIMIT_KEYS
from gaugepost.edge.stationfile.findings import toml
from gaugepost.edge.stationfile.sections import NAME, name_like

_FEATURES = {
    "bore": "bore", "hole": "bore", "bohrung": "bore", "loch": "bore",
    "shaft": "shaft", "outside": "shaft", "welle": "shaft", "außen": "shaft",
}  # fmt: skip
_BARE = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)", re.ASCII)
_CLASS = re.compile(r"([øØ⌀∅]? ?[0-9.]+) ?([A-Z]{1,2}[0-9]+)", re.ASCII)
_HOLE = re.compile(r"[A-Z]{1,2}[0-9]+", re.ASCII)
_POINT = re.compile(r"(?<=[0-9])\.(?=[0-9])", re.ASCII)
_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])", re.ASCII)
_SPLIT = re.compile(r"[,;|\s]+")
_UNITS = re.compile("|".join(sorted(map(re.escape, UNIT_SPELLINGS), key=len, reverse=True)))
_DEVIATIONS = ("upper_deviation", "lower_deviation")
_NUMBERS = (*LIMIT_KEYS, "step")


@dataclass(frozen=True, slots=True)
class Asked:
    """What holds for rows that don't say it themselves."""

    unit: str | None = None
    """Unit of numbers without one, mm or in; None where each must have its own."""
    gauges: tuple[str, ...] = ()
    decimal_comma: bool = False
    """Whether numbers are written with a comma."""


@dataclass(frozen=True, slots=True)
class Said:
    """What is to be said of a row: at a column, counted from 0, or of the row as a whole; `write` is the remedy."""

    column: int | None
    finding: str
    write: str = ""
    expected: str = ""
    warning: bool = False


class State(StrEnum):
    """What becomes of a row."""

    NEW = "new"
    CHANGES = "changes"
    SAME = "same"
    WRONG = "wrong"


@dataclass(slots=True)
class Row:
    """A row of the list with what was made of it."""

    line: int
    cells: tuple[str, ...]
    name: str = ""
    table: dict[str, Any] = field(default_factory=dict)
    said: list[Said] = field(default_factory=list)
    state: State = State.NEW

    @property
    def wrong(self) -> bool:
        """Whether it can't be taken as it is."""
        return any(not each.warning for each in self.said)


def row(line: int, cells: tuple[str, ...], columns: Mapping[str, int], width: int, asked: Asked) -> Row:
    """Return what a row says; `columns` is the column of each key, `width` how many headings there are."""
    made = Row(line, cells)
    if any(cells[width:]):
        made.said.append(
            Said(
                None,
                f"has {len(cells)} cells, and there are {width} headings",
                'put a cell that holds the separator into quotes, as "38,025"',
            )
        )
    found = {key: cells[at] for key, at in columns.items() if at < len(cells) and cells[at]}
    made.name = found.pop("name", "")
    _named(made, columns)
    unit = found.get("unit") or asked.unit
    for key, text in found.items():
        at = columns[key]
        if key in _DEVIATIONS and _BARE.fullmatch(text.replace(",", ".")):
            made.table[key] = _deviation(made, at, text, found.get("nominal", ""), unit, asked)
        elif key in _NUMBERS:
            made.table[key] = _number(made, at, key, text, unit, asked)
        elif key in ("gauges", "masters", "positions"):
            made.table[key] = [each for each in _SPLIT.split(text) if each]
        elif key == "readings":
            made.table[key] = int(text) if re.fullmatch(r"[0-9]{1,6}", text, re.ASCII) else text
        elif key == "feature":
            made.table[key] = _FEATURES.get(text.casefold(), text)
        else:
            made.table[key] = text
    if asked.gauges and "gauges" not in made.table:
        made.table["gauges"] = list(asked.gauges)
    if "feature" not in made.table:
        if _is_hole(made.table):
            made.table["feature"] = "bore"
        else:
            made.said.append(
                Said(
                    columns.get("feature"),
                    "does not say whether it is a bore or a shaft",
                    "write bore or shaft",
                )
            )
    return made


def _named(made: Row, columns: Mapping[str, int]) -> None:
    at = columns.get("name")
    if not made.name:
        made.said.append(Said(at, "has no name", "write one that records shall call it by, as pump-bore"))
    elif not NAME.fullmatch(made.name):
        made.said.append(
            Said(
                at,
                f"{toml(made.name)} can't be a name: letters, digits, dots, hyphens and underscores only",
                f"write {name_like(made.name)}",
            )
        )


def _deviation(made: Row, at: int, text: str, nominal: str, unit: str | None, asked: Asked) -> str:
    """Return a deviation without a unit with the one it is meant in: 0 is the same in all, others must not be mixed."""
    written = _UNITS.search(nominal)
    own = written[0] if written else None
    if not text.strip("+-0.,"):
        return f"0 {own or unit or 'mm'}"
    if own and unit and own != unit:
        made.said.append(
            Said(at, f"{toml(text)} has no unit, though the nominal size has its own", f"write {text} {own}")
        )
    return _number(made, at, "", text, unit, asked)


def _number(made: Row, at: int, key: str, text: str, unit: str | None, asked: Asked) -> str:
    """Return a size or limits with a decimal point and, where the number is bare, with its unit."""
    if asked.decimal_comma:
        if _POINT.search(text):
            made.said.append(
                Said(
                    at,
                    f"{toml(text)} has a point, though numbers are said to be written with a comma",
                    f"write {_POINT.sub(',', text)}",
                )
            )
        text = _COMMA.sub(".", text)
    if key == "tolerance_class" or not unit:
        return text
    if _BARE.fullmatch(text):
        return f"{text} {unit}"
    if key == "limits" and not _UNITS.search(re.sub(r"[A-Z]{1,2}[0-9]+", "", text)):
        hole = _CLASS.fullmatch(text)
        return f"{hole[1]} {unit} {hole[2]}" if hole else f"{text} {unit}"
    return text


def _is_hole(table: Mapping[str, Any]) -> bool:
    """Whether the limits are a hole's class: ISO 286-1 writes those in capitals."""
    hole = _CLASS.fullmatch(_UNITS.sub("", str(table.get("limits", ""))).replace("  ", " "))
    return bool(hole) or _HOLE.fullmatch(str(table.get("tolerance_class", ""))) is not None

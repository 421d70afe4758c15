"""Where things stand in one workbook: what the settings say, held against the sheets that are there. No I/O."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from gaugepost.contract import ValueRefused
from gaugepost_adapters.destinations.workbook.ooxml.address import Area, Cell, area
from gaugepost_adapters.destinations.workbook.ooxml.markup import parse
from gaugepost_adapters.destinations.workbook.ooxml.package import Package, related_to_sheet
from gaugepost_adapters.destinations.workbook.ooxml.sheet import Sheet, shared_strings
from gaugepost_adapters.destinations.workbook.settings import Fill, WorkbookSettings

ONCE = -1
"""The line of what belongs to no piece."""


class Slot(NamedTuple):
    """What a cell is for: the same wherever somebody moves the cell."""

    line: int
    """The piece's place among the pieces, counted from 0; `ONCE` for what is there once."""
    purpose: str


HOME = Slot(ONCE, "the sheet of addresses that name none")
"""Which one that was when it was filled: whoever puts a cover in front of it has not moved the cells."""


@dataclass(frozen=True, slots=True)
class Block:
    """The cells of one entry of `fill`."""

    fill: Fill
    shown: Mapping[str, tuple[tuple[Cell, ...], ...]]
    """What is shown, by its name: for each piece, a cell for each position, or one for all."""
    lower: Cell | None
    upper: Cell | None
    limits: Cell | None


@dataclass(frozen=True, slots=True)
class Layout:
    """Every cell that is filled, and those that are only read."""

    pieces: tuple[Cell, ...]
    """Cells of the pieces' names; empty for a sheet of one piece."""
    lots: tuple[Cell, ...]
    blocks: tuple[Block, ...]
    cells: Mapping[Cell, str]
    """Single cells, and the names of what they show."""
    slots: Mapping[Cell, Slot]
    """Every cell that is filled, and what it is for."""
    home: str
    """The sheet of addresses that name none, where the station file does not say it."""

    @property
    def read(self) -> frozenset[Cell]:
        """Cells that are read and never written."""
        return frozenset(cell for block in self.blocks for cell in (block.lower, block.upper) if cell)


def sheets_of(package: Package) -> dict[str, Sheet]:
    """Return every worksheet, read."""
    strings = shared_strings(package.parts[package.strings], package.strings) if package.strings else []
    return {name: Sheet(name, package.parts[part], strings, part) for name, part in package.sheets.items()}


def layout(
    settings: WorkbookSettings, package: Package, sheets: Mapping[str, Sheet], ours: Mapping[Slot, str]
) -> Layout:
    """Return where things stand; `ours` is what was filled in before.

    Raises:
        ValueRefused: the workbook has no such cells, they do not fit each other, or filling them would do harm.
    """
    before = ours.get(HOME, "")
    home = settings.sheet or (before if before in package.sheets else next(iter(package.sheets)))
    meant = home if settings.sheet or before else ""

    def refer(text: str, key: str) -> Area:
        try:
            return package.refer(text, meant)
        except ValueRefused as refused:
            raise ValueRefused(f"{key} = {text!r}: {refused.finding}", hint=refused.hint) from refused

    def single(text: str | None, key: str) -> Cell | None:
        if text is None:
            return None
        found = refer(text, key)
        if found.rows * found.columns != 1:
            raise ValueRefused(f"{key} = {text!r} is {found}", hint="it must be one cell")
        return found.at(0, 0)

    pieces = refer(settings.pieces, "pieces") if settings.pieces else None
    if pieces is not None and min(pieces.rows, pieces.columns) != 1:
        raise ValueRefused(f"pieces is {pieces}", hint="it must be one row or one column")
    down = pieces is None or pieces.columns == 1
    count = len(pieces.cells) if pieces else 1
    lots = refer(settings.lots, "lots") if settings.lots else None
    if lots is not None and pieces is not None and (lots.rows, lots.columns) != (pieces.rows, pieces.columns):
        raise ValueRefused(f"lots is {lots}, and pieces {pieces}", hint="they must be of one shape")
    blocks = []
    for fill in settings.fill:
        shown = {
            name: _rows(
                refer(where, f"{fill.characteristic}: {name}"),
                name,
                fill,
                count,
                down=down,
                alone=pieces is None,
            )
            for name, where in fill.shown.items()
        }
        limits = (
            single(getattr(fill, key), f"{fill.characteristic}: {key}")
            for key in ("lower", "upper", "limits")
        )
        blocks.append(Block(fill, shown, *limits))
    singles = [(where, single(where, "cells"), name) for where, name in settings.cells.items()]
    cells = {cell: name for _, cell, name in singles if cell}
    named, of_lots = pieces.cells if pieces else (), lots.cells if lots else ()
    slots: dict[Cell, Slot] = {}
    for cell, slot in _slots(named, of_lots, singles, blocks):
        if cell in slots:
            raise ValueRefused(
                f"{cell} is to show {slots[cell].purpose} and {slot.purpose}",
                hint="give each cells of its own",
            )
        slots[cell] = slot
    made = Layout(named, of_lots, tuple(blocks), cells, slots, "" if settings.sheet else home)
    _hold(made, package, sheets)
    return made


def _slots(
    pieces: tuple[Cell, ...],
    lots: tuple[Cell, ...],
    singles: list[tuple[str, Cell | None, str]],
    blocks: list[Block],
) -> Iterator[tuple[Cell, Slot]]:
    """Yield every cell that is filled, with what it is for; no two for the same."""
    yield from ((cell, Slot(line, "pieces")) for line, cell in enumerate(pieces))
    yield from ((cell, Slot(line, "lots")) for line, cell in enumerate(lots))
    yield from ((cell, Slot(ONCE, f"{name} in {where}")) for where, cell, name in singles if cell)
    used: set[str] = set()
    for block in blocks:
        fill, again = block.fill, ""
        reading = f" of reading {fill.reading}" if fill.reading else ""
        if fill.characteristic + reading in used:  # the same is shown at another place too
            again = f" ({len(used) + 1})"
        used.add(fill.characteristic + reading + again)
        for name, rows in block.shown.items():
            for line, row in enumerate(rows):
                places = fill.positions if len(row) == len(fill.positions) else ("",)
                for cell, place in zip(row, places, strict=True):
                    at = f" at {place}" if place else ""
                    yield cell, Slot(line, f"{fill.characteristic} {name}{at}{reading}{again}")
        if block.limits:
            yield block.limits, Slot(ONCE, f"{fill.characteristic} limits{reading}{again}")


def _rows(
    found: Area, name: str, fill: Fill, count: int, *, down: bool, alone: bool
) -> tuple[tuple[Cell, ...], ...]:
    """Return the cells of a range, piece by piece and position by position."""
    places = max(1, len(fill.positions))
    if alone:  # one piece: a range of positions may run either way
        along, across, down = 1, found.rows * found.columns, found.columns != 1 or places == 1
    else:
        along, across = (found.rows, found.columns) if down else (found.columns, found.rows)
    summed = name in ("verdict", "decision") and across == 1
    if along != count or (across != places and not summed):
        want = f"{count} {'rows' if down else 'columns'}" + (f" and {places} positions" if places > 1 else "")
        raise ValueRefused(
            f"{fill.characteristic}: {name} is {found}, {found.rows} by {found.columns} cells",
            hint=f"it must be {want}, as there are pieces and positions",
        )
    return tuple(
        tuple(found.at(i, j) if down else found.at(j, i) for j in range(across)) for i in range(along)
    )


def _hold(made: Layout, package: Package, sheets: Mapping[str, Sheet]) -> None:
    """Refuse cells that can't be filled without harm: each is filled once, and is nobody else's."""
    taken = {cell: slot.purpose for cell, slot in made.slots.items()}
    if both := sorted(made.read & taken.keys()):
        raise ValueRefused(
            f"{both[0]} is read as a limit and filled too", hint="give limits cells of their own"
        )
    for name in {cell.sheet for cell in taken}:
        here = [cell for cell in taken if cell.sheet == name]
        sheet = sheets[name]
        for cell in here:
            if sheet.held(cell).formula:
                raise ValueRefused(
                    f"{cell}, for {taken[cell]}, holds a formula, which would be overwritten",
                    hint="name another cell, or clear it",
                )
        for what, ranges, first_too in _claimed(package, name, sheet):
            for text in ranges:
                claimed = area(text, name)
                for cell in here:
                    if claimed.holds(cell) and (first_too or cell != claimed.at(0, 0)):
                        raise ValueRefused(
                            f"{cell}, for {taken[cell]}, lies in {what} {text}", hint="name another cell"
                        )


def _claimed(package: Package, name: str, sheet: Sheet) -> Iterator[tuple[str, list[str], bool]]:
    """Yield ranges that belong to something else, and whether their first cell does too."""
    yield "the merged cells", sheet.merged(), False
    yield "the array formula", sheet.arrays(), True
    for kind, part in related_to_sheet(package, name):
        if kind == "table" and part in package.parts:
            table = parse(package.parts[part], part)
            used = area(table.attributes["ref"], name)
            heads = int(table.attributes.get("headerRowCount", "1"))
            foots = int(table.attributes.get("totalsRowCount", "0"))
            last = used.top + used.rows
            if heads:
                yield (
                    "the header of the table",
                    [str(Area(name, used.top, used.left, heads, used.columns))],
                    True,
                )
            if foots:
                yield (
                    "the totals of the table",
                    [str(Area(name, last - foots, used.left, foots, used.columns))],
                    True,
                )
        if kind == "pivotTable" and part in package.parts:
            location = parse(package.parts[part], part).first("location")
            if location is not None:
                yield "the pivot table", [location.attributes["ref"]], True

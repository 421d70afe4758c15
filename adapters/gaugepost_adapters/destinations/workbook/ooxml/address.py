"""Where a cell is: addresses, ranges and sheets as a spreadsheet's user writes them. No I/O."""

from __future__ import annotations

import re
from dataclasses import dataclass

from gaugepost.contract import ValueRefused

LAST_ROW, LAST_COLUMN = 1_048_576, 16_384
"""Of a sheet (ECMA-376: XFD1048576)."""

_CELL = r"\$?([A-Za-z]{1,3})\$?([0-9]{1,7})"
_RANGE = re.compile(rf"(?:(?:'((?:[^']|'')+)'|([^'!:]+))!)?{_CELL}(?::{_CELL})?")
NAME = re.compile(r"[^\W\d][\w.]*|\\[\w.]*")
"""A defined name."""


@dataclass(frozen=True, slots=True, order=True)
class Cell:
    """A cell of a sheet; row and column count from 1."""

    sheet: str
    row: int
    column: int

    def __str__(self) -> str:
        return f"{quoted(self.sheet)}!{self.address}"

    @property
    def address(self) -> str:
        """As "B7"."""
        return f"{letters(self.column)}{self.row}"


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of cells of one sheet."""

    sheet: str
    top: int
    left: int
    rows: int
    columns: int

    def __str__(self) -> str:
        first = Cell(self.sheet, self.top, self.left)
        last = Cell(self.sheet, self.top + self.rows - 1, self.left + self.columns - 1)
        return str(first) if first == last else f"{first}:{last.address}"

    def at(self, row: int, column: int) -> Cell:
        """Return the cell so many rows below and columns beside its first."""
        return Cell(self.sheet, self.top + row, self.left + column)

    def holds(self, cell: Cell) -> bool:
        """Tell whether `cell` lies in it."""
        return (
            cell.sheet.casefold() == self.sheet.casefold()
            and self.top <= cell.row < self.top + self.rows
            and self.left <= cell.column < self.left + self.columns
        )

    @property
    def cells(self) -> tuple[Cell, ...]:
        """Every cell, row by row."""
        return tuple(self.at(row, column) for row in range(self.rows) for column in range(self.columns))


def area(text: str, sheet: str = "") -> Area:
    """Return what "B7", "Sheet1!B7:B31" or "'Sheet 1'!$B$7" stands for, on `sheet` where it names none.

    Raises:
        ValueRefused: it is no address.
    """
    found = _RANGE.fullmatch(text)
    if found is None:
        raise ValueRefused(f"{text!r} is no address", hint='write it as "B7" or "Sheet1!B7:B31"')
    quoted_name, plain, left, top, right, bottom = found.groups()
    named = quoted_name.replace("''", "'") if quoted_name else plain or sheet
    columns = sorted((number(left), number(right or left)))
    rows = sorted((int(top), int(bottom or top)))
    if not 1 <= rows[0] <= rows[1] <= LAST_ROW or columns[1] > LAST_COLUMN:
        raise ValueRefused(f"{text!r} is outside of any sheet", hint="write a cell from A1 to XFD1048576")
    return Area(named, rows[0], columns[0], rows[1] - rows[0] + 1, columns[1] - columns[0] + 1)


def is_address(text: str) -> bool:
    """Tell whether `text` is an address rather than a defined name, which never looks like one."""
    return _RANGE.fullmatch(text) is not None


def number(column: str) -> int:
    """Return a column's number: A is 1, AA is 27."""
    total = 0
    for letter in column.upper():
        total = total * 26 + ord(letter) - 64
    return total


def letters(column: int) -> str:
    """Return a column's letters."""
    text = ""
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


def quoted(sheet: str) -> str:
    """Return a sheet's name as it stands before an address."""
    return sheet if NAME.fullmatch(sheet) and not is_address(sheet) else "'" + sheet.replace("'", "''") + "'"

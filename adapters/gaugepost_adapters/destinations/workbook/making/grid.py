"""Where things are on a new sheet: pieces below each other and characteristics side by side, or the other way round."""

from __future__ import annotations

from dataclasses import dataclass

from gaugepost_adapters.destinations.workbook.ooxml.address import letters

TITLES = ("characteristic", "", "upper limit", "nominal", "lower limit", "limits here", "")
"""What stands above the pieces, one line each."""
TITLE, ABOUT, UPPER, NOMINAL, LOWER, COMPARED, HEAD = range(7)


@dataclass(frozen=True, slots=True)
class Grid:
    """The table of pieces and fields. A line is a piece's, or one of `TITLES`; both count from 0."""

    sheet: str
    top: int
    pieces: int
    fields: int
    across: bool

    def cell(self, line: int, field: int) -> tuple[int, int]:
        """Return row and column of a field in a line."""
        return (self.top + field, 1 + line) if self.across else (self.top + line, 1 + field)

    def piece(self, number: int) -> int:
        """Return the line of a piece, counted from 0."""
        return len(TITLES) + number

    def address(self, line: int, field: int, *, fixed: str = "") -> str:
        """Return a cell's address; `fixed` says what stays when it is copied: "line", "field", both or neither."""
        row, column = self.cell(line, field)
        keep_row = ("field" if self.across else "line") in fixed
        keep_column = ("line" if self.across else "field") in fixed
        return f"{'$' * keep_column}{letters(column)}{'$' * keep_row}{row}"

    def range(self, field: int, count: int = 1) -> str:
        """Return the cells of all pieces in `count` fields, as "B12:D36"."""
        return (
            f"{self.address(self.piece(0), field)}:"
            f"{self.address(self.piece(self.pieces - 1), field + count - 1)}"
        )

    def named(self, field: int, count: int = 1) -> str:
        """Return the same as a defined name refers to it."""
        first = self.address(self.piece(0), field, fixed="line field")
        last = self.address(self.piece(self.pieces - 1), field + count - 1, fixed="line field")
        return f"{self.sheet}!{first}:{last}"

    def named_cell(self, line: int, field: int) -> str:
        """Return one cell as a defined name refers to it."""
        return f"{self.sheet}!{self.address(line, field, fixed='line field')}"

    @property
    def bottom(self) -> int:
        """The last row."""
        return self.cell(self.piece(self.pieces - 1), self.fields - 1)[0]

    @property
    def right(self) -> int:
        """The last column."""
        return self.cell(self.piece(self.pieces - 1), self.fields - 1)[1]

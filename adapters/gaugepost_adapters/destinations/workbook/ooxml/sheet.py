"""A worksheet's cells: read one, and write some into the sheet's bytes, all others left as they are. No I/O.

<sheetData><row r="7"><c r="B7" s="4"><v>38.0121</v></c>…</row>…</sheetData>
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from gaugepost_adapters.destinations.workbook.ooxml.address import Cell, area, letters
from gaugepost_adapters.destinations.workbook.ooxml.markup import (
    Edit,
    Element,
    as_text,
    from_text,
    parse,
    replaced,
    tag,
)


@dataclass(frozen=True, slots=True)
class Held:
    """What a cell holds."""

    text: str = ""
    """As a spreadsheet would take it in: a number's digits, or text; of a formula what was last calculated."""
    number: bool = False
    formula: bool = False
    style: int = 0

    @property
    def empty(self) -> bool:
        """Whether there is nothing in it."""
        return not self.text and not self.formula


@dataclass(frozen=True, slots=True)
class Entry:
    """What is to be written into a cell. A number is plain digits; the style is its index, None to keep it."""

    text: str
    number: bool
    style: int | None = None


class Sheet:
    """A worksheet's bytes, read once."""

    def __init__(self, name: str, data: bytes, strings: Sequence[str], what: str) -> None:
        """`strings` are the workbook's shared ones, `what` names the part in a refusal."""
        self.name = name
        self._data, self._strings = data, strings
        self.root = parse(data, what)
        prefix, colon, _ = self.root.name.rpartition(":")
        self._prefix = prefix + colon
        self._rows: dict[int, Element] = {}
        self._cells: dict[tuple[int, int], Element] = {}
        for row, element in self._placed():
            self._rows[row] = element
            column = 0
            for cell in element.each("c"):
                at = cell.attributes.get("r")
                column = area(at).left if at else column + 1
                self._cells[row, column] = cell

    def held(self, cell: Cell) -> Held:
        """Return what `cell` holds."""
        element = self._cells.get((cell.row, cell.column))
        if element is None:
            return Held(style=self._default_style(cell))
        kind, style = element.attributes.get("t", "n"), int(element.attributes.get("s", "0"))
        value, formula = element.first("v"), element.first("f") is not None
        if kind == "inlineStr":
            inline = element.first("is")
            return Held(from_text(string(inline)) if inline else "", False, formula, style)
        text = value.all_text() if value is not None else ""
        if kind == "s" and text.strip().isdecimal() and int(text) < len(self._strings):
            return Held(self._strings[int(text)], False, formula, style)
        if kind == "b":
            return Held({"1": "TRUE", "0": "FALSE"}.get(text, text), False, formula, style)
        return Held(from_text(text) if kind == "str" else text, kind == "n" and bool(text), formula, style)

    def merged(self) -> list[str]:
        """Return the merged ranges."""
        return [each.attributes.get("ref", "") for each in self.root.each("mergeCells", "mergeCell")]

    def arrays(self) -> list[str]:
        """Return the ranges that one formula fills: arrays and data tables."""
        found = (each.first("f") for each in self._cells.values())
        return [
            f.attributes["ref"]
            for f in found
            if f and f.attributes.get("t") in ("array", "dataTable") and "ref" in f.attributes
        ]

    def written(self, entries: Mapping[Cell, Entry | None], *, forget: bool, keep: frozenset[Cell]) -> bytes:
        """Return the sheet's bytes with these cells written; None empties one, its style stays.

        With `forget`, what formulas last came to is left out, but for those in `keep`: every reader calculates anew,
        and none takes an old figure for today's.
        """
        edits: list[Edit] = self._forgotten(entries, keep) if forget else []
        by_row: dict[int, dict[int, Entry | None]] = {}
        for cell, entry in entries.items():
            by_row.setdefault(cell.row, {})[cell.column] = entry
        new_rows: dict[int, list[str]] = {}
        for row, columns in sorted(by_row.items()):
            element = self._rows.get(row)
            for column, entry in sorted(columns.items()):
                present = self._cells.get((row, column))
                if present is not None:
                    edits.append(
                        (present.start, present.end, self._cell(row, column, entry, present).encode())
                    )
                elif entry is not None and element is not None and element.inner != element.end:
                    at = self._gap(element, column)
                    edits.append((at, at, self._cell(row, column, entry, None).encode()))
                elif entry is not None:
                    new_rows.setdefault(row, []).append(self._cell(row, column, entry, None))
        grown = {
            cell.row
            for cell, entry in entries.items()
            if entry and (cell.row, cell.column) not in self._cells
        }
        edits += self._unspanned(grown - new_rows.keys())
        edits += self._rows_added(new_rows)
        return replaced(self._data, _joined(edits + self._dimension(entries)))

    def _placed(self) -> list[tuple[int, Element]]:
        rows, row = [], 0
        for element in self.root.each("sheetData", "row"):
            at = element.attributes.get("r")
            row = int(at) if at else row + 1
            rows.append((row, element))
        return rows

    def _default_style(self, cell: Cell) -> int:
        """The style of a cell that is not there: its row's, or its column's."""
        row = self._rows.get(cell.row)
        if row is not None and row.attributes.get("customFormat", "0") in ("1", "true"):
            return int(row.attributes.get("s", "0"))
        for column in self.root.each("cols", "col"):
            if int(column.attributes["min"]) <= cell.column <= int(column.attributes["max"]):
                return int(column.attributes.get("style", "0"))
        return 0

    def _cell(self, row: int, column: int, entry: Entry | None, present: Element | None) -> str:
        attributes = {"r": f"{letters(column)}{row}"}
        style = None if entry is None else entry.style
        if style is None:
            style = self.held(Cell(self.name, row, column)).style
        if style:
            attributes["s"] = str(style)
        if present is not None:
            attributes |= {
                key: value
                for key, value in present.attributes.items()
                if key not in ("r", "s", "t", "vm", "cm")
            }
        name = f"{self._prefix}c"
        if entry is None:
            return tag(name, attributes)
        if entry.number:
            return tag(name, attributes, f"<{self._prefix}v>{entry.text}</{self._prefix}v>")
        words = tag(f"{self._prefix}t", {"xml:space": "preserve"}, as_text(entry.text))
        return tag(name, attributes | {"t": "inlineStr"}, tag(f"{self._prefix}is", {}, words))

    def _gap(self, row: Element, column: int) -> int:
        """Where a new cell goes in: before the first one to its right."""
        at = 0
        for cell in row.each("c"):
            where = cell.attributes.get("r")
            at = area(where).left if where else at + 1
            if at > column:
                return cell.start
        return row.close

    def _unspanned(self, rows: Iterable[int]) -> Iterator[Edit]:
        """Yield what takes out which columns these rows say they use: it may be left out, and must not be wrong."""
        for row in rows:
            element = self._rows[row]
            if "spans" in element.attributes:
                first = tag(element.name, _without_spans(element)).removesuffix("/>") + ">"
                yield element.start, element.inner, first.encode()

    def _rows_added(self, rows: Mapping[int, list[str]]) -> list[Edit]:
        data = self.root.first("sheetData")
        if data is None or not rows:
            return []
        edits: list[Edit] = []
        inner: list[str] = []
        for row, cells in rows.items():
            present = self._rows.get(row)
            if present is not None:  # <row r="9"/>: it is there, without cells
                edits.append(
                    (
                        present.start,
                        present.end,
                        tag(present.name, _without_spans(present), "".join(cells)).encode(),
                    )
                )
                continue
            text = tag(f"{self._prefix}row", {"r": str(row)}, "".join(cells))
            following = [element.start for number, element in self._rows.items() if number > row]
            if data.inner == data.end:
                inner.append(text)
            else:
                at = min(following, default=data.close)
                edits.append((at, at, text.encode()))
        if inner:
            edits.append((data.start, data.end, tag(data.name, data.attributes, "".join(inner)).encode()))
        return edits

    def _forgotten(self, entries: Mapping[Cell, Entry | None], keep: frozenset[Cell]) -> list[Edit]:
        edits: list[Edit] = []
        for (row, column), element in self._cells.items():
            cell = Cell(self.name, row, column)
            if element.first("f") is None or cell in entries or cell in keep:
                continue
            edits += [(value.start, value.end, b"") for value in element.each("v")]
        return edits

    def _dimension(self, entries: Mapping[Cell, Entry | None]) -> list[Edit]:
        """Widen the range that the sheet says it uses."""
        element = self.root.first("dimension")
        written = [cell for cell, entry in entries.items() if entry is not None]
        if element is None or not written:
            return []
        used = area(element.attributes.get("ref", "A1"))
        top, left = min(used.top, *(c.row for c in written)), min(used.left, *(c.column for c in written))
        bottom = max(used.top + used.rows - 1, *(c.row for c in written))
        right = max(used.left + used.columns - 1, *(c.column for c in written))
        said = tag(
            element.name, {**element.attributes, "ref": f"{letters(left)}{top}:{letters(right)}{bottom}"}
        )
        return [(element.start, element.end, said.encode())]


def _without_spans(row: Element) -> dict[str, str]:
    return {key: value for key, value in row.attributes.items() if key != "spans"}


def _joined(edits: Sequence[Edit]) -> list[Edit]:
    """Join insertions at one place into one, in the order in which they were made."""
    joined: dict[tuple[int, int], bytes] = {}
    for start, end, new in edits:
        joined[start, end] = joined.get((start, end), b"") + new
    return [(start, end, new) for (start, end), new in joined.items()]


def string(element: Element) -> str:
    """Return the text of a string item: its runs joined, without what tells how to pronounce it."""
    return "".join(
        child.text if child.local == "t" else "".join(run.text for run in child.each("t"))
        for child in element.children
        if child.local in ("t", "r")
    )


def shared_strings(data: bytes, what: str) -> list[str]:
    """Return a workbook's shared strings."""
    return [from_text(string(item)) for item in parse(data, what).each("si")]

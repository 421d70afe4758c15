"""What a workbook's cells are to show, and what has to be written for that. Pure: records and cells in, entries out.

Every cell is worked out anew from what stands, and compared with what it holds:

- it holds what it is to show: nothing is done;
- it is empty, or was filled by us: it is written, or emptied where nothing is to be shown any more;
- it holds what somebody else put there: it is left alone, and the record that should stand there is refused. A row
  without a name that holds such a cell is somebody's, and gets no piece.

What was filled is remembered by what a cell is for, and a piece's row is found by its name: whoever moves, sorts or
inserts rows and columns takes it along.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from gaugepost.contract import Publication
from gaugepost.contract.text import is_number, neutralised
from gaugepost_adapters.destinations.csv_rows import NUMBERS
from gaugepost_adapters.destinations.workbook.layout import HOME, ONCE, Block, Layout, Slot
from gaugepost_adapters.destinations.workbook.ooxml.address import Cell
from gaugepost_adapters.destinations.workbook.ooxml.sheet import Held, Sheet
from gaugepost_adapters.destinations.workbook.records import (
    Measured,
    Piece,
    decision,
    shown,
    standing,
    summed_up,
)

_PIECE, _LOT = "name of the piece here", "name of its lot"
"""Whose row it was, whoever wrote the name: purposes that are no cell's."""
_LAST_DIGIT = 1e-14
"""Of a number: smaller differences are a spreadsheet's own."""
_INSTANT_D = 1e-8
"""Of a time, in days: not quite a millisecond."""
_FIGURES = NUMBERS | {"attempt", "count", "sequence"}
"""What is shown as a number."""

Record = tuple[tuple[int, int], Publication]
"""A record and its order: epoch of the journal, counted as they were met, and sequence."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What a cell is to show; `kind` is number, text or time, a time's text RFC 3339."""

    text: str
    kind: str = "text"
    of: tuple[str, ...] = ()
    """Ids of the records it is made of."""


@dataclass(slots=True)
class Plan:
    """What is to be written, and what can't be."""

    entries: dict[Cell, Shown | None] = field(default_factory=dict)
    """Cells to write; None empties one."""
    ours: dict[Slot, str] = field(default_factory=dict)
    """What is filled in once this is written, by what it is for; and whose rows those are."""
    emptied: dict[Slot, str] = field(default_factory=dict)
    """What was filled in and is to be taken out, by what it was for."""
    refused: dict[str, str] = field(default_factory=dict)
    """Records that can't be shown, by id, and why."""


def plan(
    layout: Layout,
    sheets: Mapping[str, Sheet],
    records: Sequence[Record],
    ours: Mapping[Slot, str],
    fresh: Iterable[str],
    zone: ZoneInfo,
    *,
    dated_from_1904: bool = False,
) -> Plan:
    """Return what is to be written so that the sheets show what stands of `records`.

    `ours` is what was filled in before, as an earlier plan said; only records of `fresh` (ids) may be
    refused, the others were taken before.
    """
    fresh_ids = set(fresh)
    refused: dict[str, str] = {}
    while True:
        taken = [each for each in records if each[1]["id"] not in refused]
        made = _Filling(layout, sheets, taken, ours, zone, dated_from_1904=dated_from_1904).made()
        new = {name: why for name, why in made.refused.items() if name in fresh_ids and name not in refused}
        if not new:
            made.refused = refused
            return made
        refused |= new


class _Filling:
    def __init__(
        self,
        layout: Layout,
        sheets: Mapping[str, Sheet],
        records: Sequence[Record],
        ours: Mapping[Slot, str],
        zone: ZoneInfo,
        *,
        dated_from_1904: bool,
    ) -> None:
        self._layout, self._sheets, self._zone = layout, sheets, zone
        self._ours = self._found_again(ours)
        self._origin = datetime(1904, 1, 1) if dated_from_1904 else datetime(1899, 12, 30)  # noqa: DTZ001 - a wall clock's
        self._plan = Plan()
        self._wanted: dict[Cell, Shown] = {}
        names = {block.fill.characteristic for block in layout.blocks}
        self._standing = [m for m in standing(records) if m.text("characteristic") in names]
        self._seen: set[str] = set()
        """Ids of what is shown somewhere."""

    def made(self) -> Plan:
        rows = self._placed()
        for index, piece in rows.items():
            here = [m for m in self._standing if piece is None or m.piece == piece]
            for block in self._layout.blocks:
                self._fill(
                    block, index, [m for m in here if m.text("characteristic") == block.fill.characteristic]
                )
        for block in self._layout.blocks:
            self._compare_limits(block)
        self._fill_cells()
        self._refuse_homeless()
        self._settle()
        if self._plan.ours and self._layout.home:
            self._plan.ours[HOME] = self._layout.home
        return self._plan

    def held(self, cell: Cell) -> Held:
        return self._sheets[cell.sheet].held(cell)

    def _found_again(self, ours: Mapping[Slot, str]) -> dict[Cell, str]:
        """Return where what was filled in before is now: in the rows that have their pieces' names, else as it was."""
        layout = self._layout
        now = [
            (self._written(layout.lots[i]) if layout.lots else "", self._written(cell))
            for i, cell in enumerate(layout.pieces)
        ]
        was = {
            slot.line: (ours.get(Slot(slot.line, _LOT), "") if layout.lots else "", name)
            for slot, name in ours.items()
            if slot.purpose == _PIECE
        }
        moved = {line: line for line, piece in was.items() if line < len(now) and now[line] == piece}
        for line, piece in was.items():
            if line not in moved and piece in now and (there := now.index(piece)) not in moved.values():
                moved[line] = there
        # Single cells were noted by their addresses once.
        cells = {Slot(ONCE, f"{name} in {cell}"): cell for cell, name in layout.cells.items()}
        cells |= {slot: cell for cell, slot in layout.slots.items()}
        found: dict[Cell, str] = {}
        for slot, text in ours.items():
            cell = cells.get(Slot(moved.get(slot.line, slot.line), slot.purpose))
            if cell is not None and (slot.line in moved or slot.line not in moved.values()):
                found[cell] = text
        return found

    def _placed(self) -> dict[int, Piece | None]:
        """Return which piece each row (by its index) shows; None for a sheet of one piece, the last measured."""
        layout = self._layout
        if not layout.pieces:
            return {0: self._standing[-1].piece} if self._standing else {}
        names = [self._name(cell) for cell in layout.pieces]
        lots = [self._name(cell) for cell in layout.lots] if layout.lots else [""] * len(names)
        strange = self._strange()
        free = [i for i in range(len(names)) if i not in strange]
        rows: dict[int, Piece | None] = {}
        row_of: dict[str, int] = {}
        for piece in dict.fromkeys(m.piece for m in self._standing if m.piece[1]):
            lot, name = piece
            fit = [i for i, text in enumerate(names) if text == name and i not in rows]
            exact = [i for i in fit if not layout.lots or lots[i] in (lot, "")]
            at = next(iter(sorted(exact, key=lambda i: lots[i] != lot)), None)
            if at is None and not layout.lots and name in row_of:
                other = rows[row_of[name]]
                self._refuse_piece(
                    piece, f"{layout.pieces[row_of[name]]} is piece {name} of lot {other[0] if other else ''}"
                )
                continue
            if at is None:
                at = next((i for i in free if not names[i] and i not in rows), None)
            if at is None:
                self._refuse_piece(piece, self._full(names))
                continue
            rows[at], row_of[name] = piece, at
            self._plan.ours |= {Slot(at, _PIECE): name, Slot(at, _LOT): lot}
            names[at] = name
            of = tuple(str(m.record["id"]) for m in self._standing if m.piece == piece)
            self._wanted[layout.pieces[at]] = Shown(name, "name", of)
            if layout.lots and lot:
                self._wanted[layout.lots[at]] = Shown(lot, "name", of)
        return rows

    def _written(self, cell: Cell) -> str:
        """Return a piece's or lot's name in a cell."""
        held = self.held(cell)
        return held.text.removesuffix(".0") if held.number else held.text

    def _name(self, cell: Cell) -> str:
        """Return a piece's or lot's name in a cell; what we wrote there and somebody cleared still stands."""
        return self._written(cell) or self._ours.get(cell, "")

    def _strange(self) -> dict[int, Cell]:
        """Return the rows in which somebody else filled cells, and one of those each."""
        found: dict[int, Cell] = {}
        for cell, slot in self._layout.slots.items():
            if cell not in self._layout.pieces and cell not in self._ours and not self.held(cell).empty:
                found.setdefault(slot.line, cell)
        return found

    def _full(self, names: Sequence[str]) -> str:
        said = f"the sheet is full: {len(names)} pieces, and no row for another"
        others = [cell for i, cell in self._strange().items() if not names[i]]
        if others:
            return f"{said}; {len(others)} without a piece's name are taken, as by {others[0]}: clear those cells"
        return f"{said}: widen pieces, or write another name as file"

    def _refuse_piece(self, piece: Piece, why: str) -> None:
        for m in self._standing:
            if m.piece == piece:
                self._plan.refused[str(m.record["id"])] = why

    def _fill(self, block: Block, index: int, here: Sequence[Measured]) -> None:
        positions: tuple[str | None, ...] = block.fill.positions or (None,)
        each = [shown(here, position, block.fill.reading) for position in positions]
        self._seen |= {
            str(m.record["id"]) for m in here if not block.fill.positions or m.text("position") in positions
        }
        for name, rows in block.shown.items():
            cells = rows[index]
            if len(cells) < len(each):
                of = tuple(str(m.record["id"]) for m in each if m)
                if word := summed_up(name, each):
                    self._wanted[cells[0]] = Shown(word, "text", of)
                continue
            for cell, measured in zip(cells, each, strict=True):
                if measured is not None and (found := _shown(name, measured)):
                    self._wanted[cell] = found

    def _compare_limits(self, block: Block) -> None:
        measured = [m for m in self._standing if m.text("characteristic") == block.fill.characteristic]
        if not measured or (block.lower is None and block.upper is None):
            return
        last = measured[-1]
        said = differing(block, self._sheets, last.text("lower"), last.text("upper"))
        if block.limits is not None:
            of = (str(last.record["id"]),)
            self._wanted[block.limits] = Shown(f"differ: {said}" if said else "as on the drawing", "text", of)
        elif said:
            for m in measured:
                self._plan.refused.setdefault(
                    str(m.record["id"]), f"{said}: put the sheet right, or add a cell for limits"
                )

    def _fill_cells(self) -> None:
        if not self._layout.cells or not self._standing:
            return
        last = self._standing[-1]
        for cell, name in self._layout.cells.items():
            if found := _shown(name, last):
                self._wanted[cell] = found

    def _refuse_homeless(self) -> None:
        """Refuse what the sheet has no cell for: better told than missed."""
        if not self._layout.pieces:
            return
        for m in self._standing:
            name, place = str(m.record["id"]), m.text("position")
            if not m.piece[1]:
                self._plan.refused.setdefault(name, "no piece is named: amend it with its piece")
            elif name not in self._seen and m.text("verdict"):
                where = f"at {place}" if place else "without a position"
                self._plan.refused.setdefault(
                    name, f"{m.text('characteristic')} was measured {where}, for which the sheet has no cell"
                )

    def _settle(self) -> None:
        """Hold what is wanted against what the cells hold."""
        for cell, slot in self._layout.slots.items():
            held, wanted = self.held(cell), self._wanted.get(cell)
            if wanted is not None and wanted.kind == "time":
                wanted = Shown(self._serial(wanted.text), "time", wanted.of)
            if wanted is None:
                before = self._ours.get(cell)
                if before is not None and not held.empty and _is(held, before):
                    self._plan.entries[cell] = None
                    self._plan.emptied[slot] = before
            elif _equal(held, wanted):
                # A name may have been typed before anything was measured: it goes with nothing that is voided.
                if cell in self._ours or wanted.kind != "name":
                    self._plan.ours[slot] = wanted.text
            elif held.empty or cell in self._ours:
                self._plan.entries[cell] = wanted
                self._plan.ours[slot] = wanted.text
            else:
                why = f"{cell}, for {slot.purpose}, holds {held.text!r}, which was not measured: clear it"
                for name in wanted.of:
                    self._plan.refused.setdefault(name, why)

    def _serial(self, moment: str) -> str:
        """Return a time as a spreadsheet counts: days, in the station's time zone."""
        wall = datetime.fromisoformat(moment).astimezone(self._zone).replace(tzinfo=None)
        return _plain(Decimal((wall - self._origin).total_seconds()) / 86_400)


def differing(block: Block, sheets: Mapping[str, Sheet], lower: str, upper: str) -> str:
    """Return how the limits that a sheet holds differ from the drawing's; empty where they do not."""
    said = []
    for name, drawn, cell in (("lower", lower, block.lower), ("upper", upper, block.upper)):
        if cell is None:
            continue
        held = sheets[cell.sheet].held(cell)
        here = held.text or ("not calculated yet" if held.formula else "empty")
        # 38,025 typed where a point is the decimal sign looks like a number.
        if held.text and not held.number:
            here = f"{held.text!r}, which is text and no number,"
        if not _equal(held, Shown(drawn, "number")):
            said.append(f"{name} limit {here} in {cell.address}, {drawn or 'none'} on the drawing")
    return "; ".join(said)


def _plain(days: Decimal) -> str:
    return format(days.quantize(Decimal("1E-9")), "f").rstrip("0").rstrip(".")


def _shown(name: str, measured: Measured) -> Shown | None:
    text = decision(measured) if name == "decision" else measured.text(name)
    if not text:
        return None
    kind = "time" if name == "measured_at" else "number" if name in _FIGURES and is_number(text) else "text"
    return Shown(text, "name" if name in ("piece", "lot") else kind, (str(measured.record["id"]),))


def is_figure(shown: Shown) -> bool:
    """Tell whether it is written as a number: measured ones and times, and names that are counted."""
    if shown.kind == "name":
        return (
            shown.text.isascii() and shown.text.isdecimal() and len(shown.text) < 15 and shown.text[:1] != "0"
        )
    return shown.kind in ("number", "time")


def needs_quoting(shown: Shown) -> bool:
    """Tell whether a person who edits the cell would make a formula, a number or a date of its text (1/2, 3-1, May 4).

    A name is quoted whatever it is: in some language it is a month, or the word for true.
    """
    if is_figure(shown):
        return False
    return (
        shown.kind == "name"
        or neutralised(shown.text) != shown.text
        or shown.text[:1] in tuple("'0123456789")
    )


def _equal(held: Held, wanted: Shown) -> bool:
    if wanted.kind == "name":  # somebody may have typed 7 as text, or as a number
        return held.text.removesuffix(".0") == wanted.text
    if wanted.kind == "time":
        return held.number and _near(held.text, wanted.text, _INSTANT_D)
    if is_figure(wanted) and wanted.text:
        return held.number and _near(held.text, wanted.text)
    return held.text == wanted.text and not held.number


def _is(held: Held, before: str) -> bool:
    """Tell whether a cell still holds what was written: a program may write a number's digits in another way."""
    return held.text == before or (held.number and is_number(before) and _near(held.text, before))


def _near(one: str, other: str, apart: float | None = None) -> bool:
    """Tell whether two texts are one number to a spreadsheet: some write 15 digits of it, whatever they read."""
    try:
        first, second = float(one), float(other)
    except ValueError:
        return False
    allowed = _LAST_DIGIT * max(abs(first), abs(second)) if apart is None else apart
    return abs(first - second) <= allowed

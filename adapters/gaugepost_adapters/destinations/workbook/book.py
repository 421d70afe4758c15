"""One workbook, from bytes to bytes: read it, work out what its cells are to show, write those. No I/O."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from gaugepost.contract import ValueRefused
from gaugepost_adapters.destinations.workbook.filling import (
    Plan,
    Record,
    Shown,
    is_figure,
    needs_quoting,
    plan,
)
from gaugepost_adapters.destinations.workbook.layout import Layout, Slot, layout, sheets_of
from gaugepost_adapters.destinations.workbook.ooxml import package as ooxml
from gaugepost_adapters.destinations.workbook.ooxml.address import Cell
from gaugepost_adapters.destinations.workbook.ooxml.markup import parse, replaced, tag, with_attributes
from gaugepost_adapters.destinations.workbook.ooxml.sheet import Entry, Sheet
from gaugepost_adapters.destinations.workbook.ooxml.styles import Styles
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings

_MOST_DIGITS = 17
_BEFORE_CALCULATION = ("definedNames", "externalReferences", "functionGroups", "sheets")
"""What may stand before `calcPr` in a workbook, the nearest first (ECMA-376, CT_Workbook)."""


@dataclass(frozen=True, slots=True)
class Book:
    """A workbook that can be filled."""

    package: ooxml.Package
    sheets: Mapping[str, Sheet]
    layout: Layout

    def plan(
        self, records: Sequence[Record], ours: Mapping[Slot, str], fresh: Iterable[str], zone: ZoneInfo
    ) -> Plan:
        """Return what is to be written for `records`; see `filling.plan`."""
        dated = self.package.dated_from_1904
        return plan(self.layout, self.sheets, records, ours, fresh, zone, dated_from_1904=dated)

    def filled(self, entries: Mapping[Cell, Shown | None]) -> bytes:
        """Return the workbook's bytes with these cells written, and every formula to be calculated anew.

        What formulas last came to is left out: whoever reads it without calculating finds nothing rather than an old
        figure. Limits that are read back keep theirs.

        Raises:
            ValueRefused: it would not hold what was written.
        """
        changed: dict[str, bytes] = {}
        styles = (
            Styles(self.package.parts[self.package.styles], self.package.styles)
            if self.package.styles
            else None
        )
        made = {
            cell: self._entry(self.sheets[cell.sheet], cell, shown, styles) for cell, shown in entries.items()
        }
        for name, sheet in self.sheets.items():
            here = {cell: entry for cell, entry in made.items() if cell.sheet == name}
            data = sheet.written(here, forget=True, keep=self.layout.read)
            if data != self.package.parts[self.package.sheets[name]]:
                changed[self.package.sheets[name]] = data
        if styles is not None:
            changed[self.package.styles] = styles.data()
        changed[self.package.workbook] = _calculated_on_load(self.package.parts[self.package.workbook])
        self._read_back(changed, made)
        return self.package.with_parts(changed)

    def _read_back(self, changed: Mapping[str, bytes], entries: Mapping[Cell, Entry | None]) -> None:
        """Find what was written in what will be the file: nothing is told to be filled in that is not."""
        for name in {cell.sheet for cell in entries}:
            part = self.package.sheets[name]
            written = Sheet(name, changed.get(part, self.package.parts[part]), (), part)
            for cell, entry in entries.items():
                held = written.held(cell)
                there = (
                    held.empty if entry is None else (held.text, held.number) == (entry.text, entry.number)
                )
                if cell.sheet == name and not there:
                    raise ValueRefused(
                        f"{part} takes nothing in {cell.address}: its rows or cells are out of order",
                        hint="open it in an office program and save it again",
                    )

    def _entry(self, sheet: Sheet, cell: Cell, shown: Shown | None, styles: Styles | None) -> Entry | None:
        if shown is None:
            return None
        style = sheet.held(cell).style
        if styles is None:
            return Entry(_digits(shown), is_figure(shown))
        if shown.kind == "time":
            return Entry(shown.text, True, styles.as_time(style))
        return Entry(
            _digits(shown), is_figure(shown), styles.as_written(style) if needs_quoting(shown) else None
        )


def book(data: bytes, settings: WorkbookSettings, ours: Mapping[Slot, str]) -> Book:
    """Return the workbook in `data`; `ours` is what was filled in before.

    Raises:
        ValueRefused: it can't be filled without harm, or is not as the settings say.
    """
    with damage_refused():
        package = ooxml.read(data)
        sheets = sheets_of(package)
        return Book(package, sheets, layout(settings, package, sheets, ours))


@contextmanager
def damage_refused() -> Iterator[None]:
    """Refuse what is well-formed and makes no sense: numbers that are none, parts and attributes that are missing."""
    try:
        yield
    except (KeyError, IndexError, ValueError) as damage:
        raise ValueRefused(
            f"its markup makes no sense ({damage!r})", hint="open it in an office program and save it again"
        ) from damage


def _digits(shown: Shown) -> str:
    """Return a number's digits, at most those that the nearest binary number has: some readers take no more."""
    long = is_figure(shown) and sum(map(str.isdigit, shown.text)) > _MOST_DIGITS
    return repr(float(shown.text)) if long else shown.text


def _calculated_on_load(data: bytes) -> bytes:
    """Return the workbook part, saying that every formula is to be calculated when it is opened."""
    root = parse(data, "workbook")
    present = root.first("calcPr")
    if present is not None:
        return replaced(data, [with_attributes(data, present, fullCalcOnLoad="1")])
    prefix, colon, _ = root.name.rpartition(":")
    before = next(element for name in _BEFORE_CALCULATION if (element := root.first(name)))
    return replaced(
        data, [(before.end, before.end, tag(f"{prefix}{colon}calcPr", {"fullCalcOnLoad": "1"}).encode())]
    )

"""A sheet looked at before anyone measures: what would be filled where, and what is in the way. Nothing is written."""

from __future__ import annotations

import difflib
import errno
import os
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path

from gaugepost.contract import AdapterSettings, StationFacts, Unreachable, ValueRefused
from gaugepost.contract.sheets import CharacteristicEntry, Combine, Fault, Looked, exact_text, from_mm
from gaugepost_adapters.destinations.workbook import saving
from gaugepost_adapters.destinations.workbook.book import Book, damage_refused
from gaugepost_adapters.destinations.workbook.filling import Plan, Record, differing
from gaugepost_adapters.destinations.workbook.layout import Block, Slot, layout, sheets_of
from gaugepost_adapters.destinations.workbook.memory import Memory
from gaugepost_adapters.destinations.workbook.ooxml import package as ooxml
from gaugepost_adapters.destinations.workbook.ooxml.address import Cell
from gaugepost_adapters.destinations.workbook.places import ONLY, Places
from gaugepost_adapters.destinations.workbook.records import KINDS
from gaugepost_adapters.destinations.workbook.settings import Fill, WorkbookSettings

Characteristics = Mapping[str, CharacteristicEntry]


def look(settings: AdapterSettings, station: StationFacts, characteristics: Characteristics) -> Looked:
    """Return what would be filled where, and what is in the way: in the station file, the sheet or between them."""
    if not isinstance(settings, WorkbookSettings):
        raise TypeError(f"settings of workbook are WorkbookSettings, not {type(settings).__name__}")
    faults = [
        fault
        for number, fill in enumerate(settings.fill)
        for fault in _fill_faults(number, fill, characteristics)
    ]
    places = Places(settings, station.data)
    key, path = ("template", places.template) if places.template else ("file", places.path(ONLY))
    lines = [f"{path}{', the template of every lot' if settings.by_lot else ''}"]
    try:
        data = saving.read(path).data
        known, ours = _remembered(places)
        with damage_refused():
            opened = _opened(settings, data, {fault.key[1] for fault in faults}, ours)
    except FileNotFoundError:
        faults.append(
            Fault(
                f"there is no workbook {path}",
                f"put it there, or make one: gaugepost workbook new STATION {path}",
                (key,),
            )
        )
    except OSError as error:
        faults.append(
            Fault(
                f"{path} can't be read: {error.strerror}",
                "give the service's user the right to read it",
                (key,),
            )
        )
    except ValueRefused as refused:
        faults.append(Fault(f"{path} can't be filled in: {refused.finding}", refused.hint, (key,)))
    else:
        if isinstance(opened, list):
            faults += opened
        else:
            faults += _limit_faults(settings, opened, characteristics)
            plan = opened.plan(known, ours, (), station.zone)
            faults += _strange(opened, plan)
            lines += _lines(settings, opened, plan, characteristics)
            faults += _shut(places.path(ONLY), key, is_there=not settings.by_lot)
    if not settings.by_lot:
        lines += _held_open(path)
    return Looked(str(path), tuple(faults), tuple(lines), KINDS)


def _fill_faults(number: int, fill: Fill, characteristics: Characteristics) -> Iterator[Fault]:
    """Yield what an entry says that the station file's characteristics do not."""
    name = fill.characteristic
    entry = characteristics.get(name)
    if entry is None:
        meant = difflib.get_close_matches(name, characteristics, n=1) or list(characteristics)[:1]
        remedy = f'write characteristic = "{meant[0]}"' if meant else ""
        yield Fault(
            f'"{name}" is no characteristic of this station: its cells would stay empty',
            remedy,
            ("fill", number, "characteristic"),
        )
        return
    at = ("fill", number, "positions")
    listed = ", ".join(f'"{place}"' for place in entry.positions)
    if strange := [place for place in fill.positions if place not in entry.positions]:
        remedy = f"write positions = [{listed}]" if listed else "take positions out"
        yield Fault(f'{name} is not measured at "{strange[0]}"', remedy, at)
    elif entry.combine is Combine.EACH and entry.positions and not fill.positions:
        yield Fault(
            f"{name} is judged at each of its places, and no cell shows one",
            f"write positions = [{listed}], and as many cells a piece",
            at,
        )
    if fill.reading is not None and fill.reading > entry.readings:
        yield Fault(
            f"{name} is read {entry.readings} times at a place: there is no reading {fill.reading}",
            f"write reading = {entry.readings}, or take it out",
            ("fill", number, "reading"),
        )


def _opened(
    settings: WorkbookSettings, data: bytes, told: set[str | int], ours: Mapping[Slot, str]
) -> Book | list[Fault]:
    """Return the workbook, or everything that keeps it from being filled but for entries of which that was `told`.

    Raises:
        ValueRefused: of the file itself.
    """
    package = ooxml.read(data)
    sheets = sheets_of(package)
    faults = []
    for number, fill in enumerate(settings.fill):
        try:
            layout(settings.model_copy(update={"fill": (fill,), "cells": {}}), package, sheets, ours)
        except ValueRefused as refused:
            faults.append(Fault(refused.finding, refused.hint, ("fill", number)))
    if not faults:
        try:
            return Book(package, sheets, layout(settings, package, sheets, ours))
        except ValueRefused as refused:
            return [Fault(refused.finding, refused.hint)]
    first = faults[0]
    if len(faults) > 1 and all(fault.finding == first.finding for fault in faults):
        return [Fault(first.finding, first.remedy)]  # not the entries' own
    return [fault for fault in faults if fault.key[1] not in told]


def _limit_faults(
    settings: WorkbookSettings, book: Book, characteristics: Characteristics
) -> Iterator[Fault]:
    for number, (fill, block) in enumerate(zip(settings.fill, book.layout.blocks, strict=True)):
        entry = characteristics.get(fill.characteristic)
        if entry is not None and (said := differing(block, book.sheets, *_drawn(entry))):
            yield Fault(
                f"{fill.characteristic}: {said}", "put the sheet or the station file right", ("fill", number)
            )


def _drawn(entry: CharacteristicEntry) -> tuple[str, str]:
    """Return the drawing's limits as records carry them."""
    lower, upper = (
        "" if size is None else exact_text(from_mm(size, entry.unit))
        for size in (entry.lower_mm, entry.upper_mm)
    )
    return lower, upper


def _remembered(places: Places) -> tuple[list[Record], dict[Slot, str]]:
    """Return the records that were handed over so far, and what was filled in."""
    if places.template is None and places.memory.exists():
        try:
            with closing(Memory(places.memory, only_to_read=True)) as memory:
                return memory.known(ONLY, ()), memory.ours(ONLY)
        except sqlite3.Error:  # one of an older program: it is the delivery that tells
            pass
    return [], {}


def _strange(book: Book, plan: Plan) -> Iterator[Fault]:
    """Yield the cells that hold what nobody measured, those of one purpose together."""
    found: dict[str, list[Cell]] = {}
    for cell, slot in book.layout.slots.items():
        named = slot.purpose in ("pieces", "lots")
        if slot not in plan.ours and not named and not book.sheets[cell.sheet].held(cell).empty:
            found.setdefault(slot.purpose, []).append(cell)
    for purpose, cells in found.items():
        first = cells[0]
        held = book.sheets[first.sheet].held(first).text
        more = f" and {len(cells) - 1} more" if len(cells) > 1 else ""
        yield Fault(
            f"{first}, for {purpose}, holds {held!r}{more}, which was not measured",
            "clear what is to be filled in, or name other cells",
        )


def _lines(
    settings: WorkbookSettings, book: Book, plan: Plan, characteristics: Characteristics
) -> Iterator[str]:
    made = book.layout
    if made.pieces:
        names = [not book.sheets[cell.sheet].held(cell).empty for cell in made.pieces]
        yield f"pieces: {len(names)} in {_area(made.pieces)}, {sum(names)} of them with a name now"
    for fill, block in zip(settings.fill, made.blocks, strict=True):
        yield from _block_lines(fill, block, characteristics.get(fill.characteristic))
    for cell, name in made.cells.items():
        yield f"{name} of what was filled in last: {cell}"
    if left_out := [
        name for name in characteristics if name not in {fill.characteristic for fill in settings.fill}
    ]:
        yield f"not in this sheet: {', '.join(left_out)}"
    filled = sum(slot in plan.ours for slot in made.slots.values())
    waiting = len(plan.entries)
    yield f"filled in: {filled - sum(entry is not None for entry in plan.entries.values())} cells" + (
        f"; {waiting} to be written" if waiting else ""
    )


def _block_lines(fill: Fill, block: Block, entry: CharacteristicEntry | None) -> Iterator[str]:
    places = f" at {', '.join(fill.positions)}" if fill.positions else ""
    reading = f", reading {fill.reading}" if fill.reading else ""
    shown = (f"{name} in {_area([c for row in rows for c in row])}" for name, rows in block.shown.items())
    yield f"{fill.characteristic}{places}{reading}: {', '.join(shown)}"
    held = [(name, cell) for name, cell in (("lower", block.lower), ("upper", block.upper)) if cell]
    if held and entry is not None:
        drawn = dict(zip(("lower", "upper"), _drawn(entry), strict=True))
        said = ", ".join(f"{name} {drawn[name] or 'none'} {entry.unit} in {cell}" for name, cell in held)
        yield f"  limits: {said}"


def _area(cells: Sequence[Cell]) -> str:
    first, last = cells[0], cells[-1]
    return str(first) if first == last else f"{first}:{last.address}"


def _shut(path: Path, key: str, *, is_there: bool) -> Iterator[Fault]:
    """Yield why no new version could take the place of `path`; where it is not there yet, why none could be made."""
    folder = path.parent
    if not folder.exists():  # a lot's is made; what else is missing was told
        return
    if os.statvfs(folder).f_flag & os.ST_RDONLY:
        yield Fault(f"nothing can be written in {folder}: {os.strerror(errno.EROFS)}", saving.MOUNT, (key,))
        return
    for target in (path, folder) if is_there else (folder,):
        if not os.access(target, os.W_OK, effective_ids=True):
            said = f"{target} can't be written: {os.strerror(errno.EACCES)}"
            yield Fault(said, "give the service's user the right to write the file and in its folder", (key,))
            return


def _held_open(path: Path) -> Iterator[str]:
    try:
        saving.check_free(path)
    except Unreachable as held:
        yield f"now: {held.finding}; {held.hint}"
    except OSError:  # it is not there, or may not be written: told above, or by the delivery
        return

"""What the tests of workbooks share: a sheet made by a library of others, filled, and read back by it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from openpyxl import Workbook as NewBook, load_workbook
from openpyxl.workbook.defined_name import DefinedName

from gaugepost.contract import Outcome, Publication, StationFacts
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind, Record
from gaugepost_adapters.destinations.workbook.destination import Workbook
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings

EPOCH = "5d0c6c1e-9a53-4b57-8a2e-1f62b8a5f0aa"
BERLIN = ZoneInfo("Europe/Berlin")
ROWS = 12
FILL: dict[str, Any] = {
    "characteristic": "bore",
    "value": "C5:C16",
    "verdict": "D5:D16",
    "decision": "E5:E16",
    "measured_at": "F5:F16",
    "id": "G5:G16",
}
PLAIN: dict[str, Any] = {"file": "sheet.xlsx", "pieces": "B5:B16", "lots": "A5:A16", "fill": [FILL]}


def sheet(path: Path) -> NewBook:
    """Write an inspection sheet as somebody may have it: heads, limits, formulas, names; nothing measured yet."""
    book = NewBook()
    page = book.active
    assert page is not None
    page.title = "Measured"
    for column, head in enumerate(("Lot", "Piece", "Bore", "Verdict", "Decision", "When", "Id"), 1):
        page.cell(4, column, head)
    page["B2"], page["B3"] = 38, 38.025
    page["K1"] = "=MAX(C5:C16)"
    page["K2"] = "=COUNT(C5:C16)"
    book.defined_names["bore"] = DefinedName("bore", attr_text="Measured!$C$5:$C$16")
    book.defined_names["pieces"] = DefinedName("pieces", attr_text="Measured!$B$5:$B$16")
    book.save(path)
    return book


def record(sequence: int, kind: Kind = Kind.READING, **fields: Any) -> Publication:
    """Return a record as published: a judged reading of piece 1, unless `fields` say otherwise."""
    given: dict[str, Any] = {
        "kind": kind,
        "measured_at": 1_764_061_200_000 + sequence * 1000,
        "clock_ms": sequence,
    }
    if kind in (Kind.READING, Kind.RESULT, Kind.AMENDMENT, Kind.REJUDGED):
        given |= {
            "gauge": "bore-38", "characteristic": "bore", "lot": "L1", "piece": "1", "attempt": 1, "unit": "mm",
            "value": Decimal("38.0121"), "lower": Decimal("38.000"), "upper": Decimal("38.025"),
            "verdict": "in-limits", "decision": "accept",
        }  # fmt: skip
    return publish(Entry(sequence, bytes([sequence % 256]) * 32, Record(**given | fields)), EPOCH, "bench 1")


def make(folder: Path, **settings: Any) -> Workbook:
    return Workbook(WorkbookSettings(**PLAIN | settings), StationFacts("bench 1", BERLIN, folder))


@asynccontextmanager
async def opened(folder: Path, **settings: Any) -> AsyncIterator[Workbook]:
    destination = make(folder, **settings)
    try:
        await destination.open()
        yield destination
    finally:
        await destination.close()


async def deliver(folder: Path, *batch: Publication, **settings: Any) -> Outcome:
    async with opened(folder, **settings) as destination:
        return await destination.deliver(batch, "key")


def values(path: Path, cells: str, page: str | None = None) -> list[Any]:
    """Return what the cells of a range hold, row by row, as the library reads it."""
    book = load_workbook(path)
    found = (book[page] if page else book.worksheets[0])[cells]
    book.close()
    rows = found if isinstance(found, tuple) else ((found,),)
    return [cell.value for row in rows for cell in row]


def edited(path: Path, **cells: Any) -> None:
    """Change cells of the first sheet, as somebody does who opens it, types and saves."""
    book = load_workbook(path)
    for address, value in cells.items():
        book.worksheets[0][address] = value
    book.save(path)
    book.close()


def ids(path: Path) -> Sequence[str]:
    """Return every id that the sheet shows, in the order of its rows."""
    return [value for value in values(path, "G5:G404") if value]


@contextmanager
def being_edited(path: Path) -> Iterator[None]:
    """Have the mark of an office program beside the workbook, as while somebody has it open."""
    mark = path.with_name(f".~lock.{path.name}#")
    mark.write_text(",anna,bench-pc,25.11.2026 09:00,file:///;")
    try:
        yield
    finally:
        mark.unlink()

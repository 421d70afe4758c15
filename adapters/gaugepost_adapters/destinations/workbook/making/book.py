"""The parts of a new workbook put together: the sheet, its charts, and the defined names that stay when cells move."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence

from openpyxl import Workbook
from openpyxl.workbook.defined_name import DefinedName

from gaugepost.contract import StationFacts
from gaugepost.contract.sheets import Wanted
from gaugepost_adapters.destinations.workbook.making import charts, grid as at, page
from gaugepost_adapters.destinations.workbook.making.blocks import Block
from gaugepost_adapters.destinations.workbook.making.grid import Grid
from gaugepost_adapters.destinations.workbook.making.names import LAST, LIMITS, LOTS, PIECES, SHEET, name_of

_A4, _LETTER = "9", "1"


def workbook(blocks: Sequence[Block], station: StationFacts, wanted: Wanted) -> bytes:
    """Return the workbook's bytes."""
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = SHEET
    lead = 1 if wanted.by_lot else 2
    fields = lead + sum(len(block.fields) for block in blocks)
    grid = Grid(SHEET, page.TOP, wanted.pieces, fields, wanted.across)
    placed = page.placed(blocks, lead)
    page.write(sheet, grid, placed, station.name, lead, _LETTER if wanted.letter else _A4)
    charts.write(book, sheet, grid, placed)
    for name, cells in _names(grid, placed, lead):
        book.defined_names[name] = DefinedName(name, attr_text=cells)
    book.properties.title, book.properties.creator = f"Inspection at {station.name}", "gaugepost"
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _names(grid: Grid, blocks: Sequence[page.Placed], lead: int) -> Iterator[tuple[str, str]]:
    yield PIECES, grid.named(lead - 1)
    if lead > 1:
        yield LOTS, grid.named(0)
    for name, where in page.LAST:
        yield LAST[name], f"{SHEET}!${where[0]}${where[1:]}"
    for each in blocks:
        block = each.block
        for shows in dict.fromkeys(field.shows for field in block.fields):
            first, count = block.places(shows)
            yield name_of(block, shows), grid.named(each.field + first, count)
        for name, line in zip(LIMITS, (at.LOWER, at.UPPER, at.COMPARED), strict=True):
            yield name_of(block, name), grid.named_cell(line, each.field)

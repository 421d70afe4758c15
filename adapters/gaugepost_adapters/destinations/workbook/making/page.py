"""The inspection sheet itself: heads, limits, empty rows, formats that tell by word and sign, and how it is printed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from openpyxl.formatting.rule import Rule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.styles.fonts import DEFAULT_FONT
from openpyxl.styles.numbers import NumberFormat
from openpyxl.worksheet.header_footer import HeaderFooterItem, _HeaderFooterPart
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from gaugepost_adapters.destinations.workbook.making import grid as at
from gaugepost_adapters.destinations.workbook.making.blocks import Block
from gaugepost_adapters.destinations.workbook.making.grid import Grid
from gaugepost_adapters.destinations.workbook.ooxml.address import letters

TOP = 6
"""First row of the table; above it stand the title, what was measured last, and what the signs mean."""
LAST = (("lot", "B2"), ("operator", "B3"), ("measured_at", "B4"))
"""What is shown of the record filled in last, and where."""
_SIGNS = (
    "✓ accept    ✗ reject    ? undecided, not judged    ! suspect: a later check failed    "
    "▲ above the upper limit    ▼ below the lower limit"
)
_THIN, _THICK = Side("thin", "8A8F98"), Side("medium", "3A4048")
_BOX = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)
_GREEN, _RED, _AMBER = "DCEFE3", "F4CDBF", "FBEFC6"


@dataclass(frozen=True, slots=True)
class Placed:
    """A block and the first of its fields in the grid."""

    block: Block
    field: int
    lead: int
    """How many fields of names stand before all blocks; the last is the piece's."""


def placed(blocks: Sequence[Block], lead: int) -> list[Placed]:
    """Return the blocks behind `lead` fields of names."""
    found, field = [], lead
    for block in blocks:
        found.append(Placed(block, field, lead))
        field += len(block.fields)
    return found


def write(page: Worksheet, grid: Grid, blocks: Sequence[Placed], station: str, lead: int, paper: str) -> None:
    """Write the whole sheet; `lead` is the number of fields for names, the last of which is the piece's."""
    _head(page, station)
    _names(page, grid, lead)
    for each in blocks:
        _block(page, grid, each)
        for cells, rule in _rules(grid, each):
            page.conditional_formatting.add(cells, rule)
    _widths(page, grid, blocks, lead)
    row, column = grid.cell(grid.piece(0), lead)
    page.freeze_panes = f"{letters(column)}{row}"
    _printed(page, grid, station, paper)


def _font(*, bold: bool = False, italic: bool = False, size: int = 11) -> Font:
    return Font(name=DEFAULT_FONT.name, sz=size, b=bold, i=italic)


def _head(page: Worksheet, station: str) -> None:
    page["A1"] = f"Inspection at {station}"
    page["A1"].font = _font(bold=True, size=15)
    for name, where in LAST:
        label = f"A{where[1:]}"
        page[label] = {"lot": "last lot", "operator": "operator", "measured_at": "measured at"}[name]
        page[label].font = _font(italic=True)
        page[where].alignment = Alignment(horizontal="left", shrink_to_fit=True)
        page[where].border = Border(bottom=_THIN)
    page[LAST[2][1]].number_format = "yyyy-mm-dd hh:mm"
    page["C2"] = _SIGNS
    page["C2"].font = _font(size=9)


def _names(page: Worksheet, grid: Grid, lead: int) -> None:
    for line, title in enumerate(at.TITLES):
        cell = page.cell(*grid.cell(line, lead - 1), title or None)
        cell.font = _font(italic=True)
        cell.alignment = Alignment(horizontal="right")
    for field, head in enumerate(("lot", "piece")[2 - lead :]):
        cell = page.cell(*grid.cell(at.HEAD, field), head)
        cell.font, cell.border = _font(bold=True), _BOX
        cell.alignment = Alignment(horizontal="center", vertical="center")
        for number in range(grid.pieces):
            name = page.cell(*grid.cell(grid.piece(number), field))
            name.border, name.alignment = _BOX, Alignment(horizontal="center")


def _block(page: Worksheet, grid: Grid, each: Placed) -> None:
    block = each.block
    for line, value in (
        (at.TITLE, block.title),
        (at.ABOUT, block.about),
        (at.UPPER, block.upper),
        (at.NOMINAL, block.nominal),
        (at.LOWER, block.lower),
    ):
        cell = page.cell(*grid.cell(line, each.field), value)
        cell.font = _font(bold=line != at.ABOUT)
        cell.alignment = Alignment(horizontal="left", indent=1)
        if line in (at.UPPER, at.NOMINAL, at.LOWER):
            cell.number_format = block.format
    page.cell(*grid.cell(at.COMPARED, each.field)).alignment = Alignment(horizontal="left", indent=1)
    for number, field in enumerate(block.fields):
        head = page.cell(*grid.cell(at.HEAD, each.field + number), field.head)
        head.font, head.alignment = _font(bold=True), Alignment("center", "center", wrap_text=True)
        for line in (at.HEAD, *(grid.piece(piece) for piece in range(grid.pieces))):
            below = page.cell(*grid.cell(line, each.field + number))
            below.border = _edged(grid, first=number == 0)
            if line != at.HEAD:
                below.number_format = field.format
                below.alignment = Alignment("left" if field.shows in ("reasons", "id") else "center")


def _edged(grid: Grid, *, first: bool) -> Border:
    """Return a cell's border; a thick line tells where the next characteristic begins."""
    edge = _THICK if first else _THIN
    across = grid.across
    return Border(left=_THIN if across else edge, top=edge if across else _THIN, right=_THIN, bottom=_THIN)


def _rules(grid: Grid, each: Placed) -> Iterator[tuple[str, Rule]]:
    """Yield what makes a cell tell its word by a sign, bold letters and colour; each of them says it alone."""
    shows = [field.shows for field in each.block.fields]
    if "decision" in shows:
        cells = _cells(grid, each, "decision")
        yield cells, _word("accept", "✓", _GREEN)
        yield cells, _word("reject", "✗", _RED, strong=True)
        yield cells, _word("suspect", "!", _AMBER, strong=True)
        yield cells, _word("undecided", "?", _AMBER)
    if "verdict" in shows:
        cells = _cells(grid, each, "verdict")
        yield cells, _word("oversize", "▲", _RED, strong=True)
        yield cells, _word("undersize", "▼", _RED, strong=True)
        yield cells, _word("not-judged", "?", _AMBER)
    if "value" in shows:
        cells = _cells(grid, each, "value")
        first = grid.address(grid.piece(0), each.field + each.block.places("value")[0])
        for limit, line, compared, sign in (
            (each.block.upper, at.UPPER, ">", "▲"),
            (each.block.lower, at.LOWER, "<", "▼"),
        ):
            if limit is not None:
                there = grid.address(line, each.field, fixed="line field")
                test = f"AND(ISNUMBER({first}),ISNUMBER({there}),{first}{compared}{there})"
                style = _style(_RED, strong=True, form=f'"{sign} "{each.block.format}')
                yield cells, Rule("expression", formula=[test], dxf=style)
    compared_at = grid.address(at.COMPARED, each.field)
    differs = f'LEFT({compared_at},6)="differ"'
    yield compared_at, Rule("expression", formula=[differs], dxf=_style(_RED, strong=True, form='"! "@'))


def _cells(grid: Grid, each: Placed, shows: str) -> str:
    first, count = each.block.places(shows)
    return grid.range(each.field + first, count)


def _word(word: str, sign: str, colour: str, *, strong: bool = False) -> Rule:
    style = _style(colour, strong=strong, form=f'"{sign} "@')
    return Rule("cellIs", operator="equal", formula=[f'"{word}"'], dxf=style)


def _style(colour: str, *, strong: bool, form: str) -> DifferentialStyle:
    return DifferentialStyle(
        font=Font(bold=True) if strong else None,
        numFmt=NumberFormat(numFmtId=200 + sum(map(ord, form)), formatCode=form),
        fill=PatternFill(bgColor=colour, fill_type="solid"),
    )


def _widths(page: Worksheet, grid: Grid, blocks: Sequence[Placed], lead: int) -> None:
    fields = [field for each in blocks for field in each.block.fields]
    if not grid.across:
        for number in range(lead):
            page.column_dimensions[letters(1 + number)].width = 15
        for number, field in enumerate(fields):
            page.column_dimensions[letters(1 + lead + number)].width = field.width
        return
    for line in range(len(at.TITLES)):
        page.column_dimensions[letters(1 + line)].width = 15
    page.column_dimensions[letters(1)].width = 24
    page.column_dimensions[letters(1 + at.HEAD)].width = max(len(field.head) for field in fields) + 3
    widest = min(18, max(field.width for field in fields))
    for number in range(grid.pieces):
        page.column_dimensions[letters(1 + grid.piece(number))].width = widest


def _printed(page: Worksheet, grid: Grid, station: str, paper: str) -> None:
    page.page_setup.orientation, page.page_setup.paperSize = "landscape", paper
    page.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = (0, 1) if grid.across else (1, 0)
    page.print_area = f"A1:{letters(max(grid.right, 6))}{grid.bottom}"
    if grid.across:
        page.print_title_cols = f"A:{letters(len(at.TITLES))}"
    else:
        page.print_title_rows = f"{TOP}:{TOP + len(at.TITLES) - 1}"
    page.print_options.horizontalCentered = True
    page.page_margins.left = page.page_margins.right = 0.4
    page.page_margins.top = page.page_margins.bottom = 0.6
    page.oddFooter = HeaderFooterItem(
        left=_HeaderFooterPart(station.replace("&", "&&")),
        center=_HeaderFooterPart("&P / &N"),
        right=_HeaderFooterPart("&F, &D"),
    )

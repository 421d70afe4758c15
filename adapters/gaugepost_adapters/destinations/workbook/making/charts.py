"""A run chart of each characteristic: its values in the order of the pieces, between the limits that the sheet has."""

from __future__ import annotations

from collections.abc import Sequence

from openpyxl.chart import LineChart, Reference, Series
from openpyxl.chart.legend import Legend
from openpyxl.chart.series import Series as Line
from openpyxl.workbook import Workbook
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from gaugepost_adapters.destinations.workbook.making import grid as at
from gaugepost_adapters.destinations.workbook.making.grid import Grid
from gaugepost_adapters.destinations.workbook.making.page import Placed
from gaugepost_adapters.destinations.workbook.ooxml.address import letters

_MARKERS = ("circle", "square", "triangle", "diamond", "x", "star", "plus")
"""Places are told apart by them, with or without colours."""
_INK = ("1F4E79", "7A3E00", "2F6B3A", "5B2A86", "8A1C3B", "3A4048", "006D77")
_ROWS = 15
"""Rows of the sheet that a chart covers: 7.94 cm, a little more than it is high."""
_ROW_PT = 15
"""Height of a row in points. Programs differ in what they take where none is said, and charts would overlap."""
_A_PAGE = 3
"""Charts on a page: 23.8 cm of the 25.4 cm that letter paper has between its margins."""


def write(book: Workbook, page: Worksheet, grid: Grid, blocks: Sequence[Placed]) -> None:
    """Add a sheet of charts, and one of the lines that their limits are drawn by."""
    charts, limits = book.create_sheet("Charts"), book.create_sheet("Chart limits")
    limits["A1"] = (
        "The limits of the inspection sheet, once for each piece: what the charts' lines are drawn by."
    )
    drawn = [each for each in blocks if any(field.shows == "value" for field in each.block.fields)]
    for number, each in enumerate(drawn):
        chart = _chart(page, grid, each, _limits(limits, grid, each, 1 + 2 * number))
        charts.add_chart(chart, f"A{1 + number * _ROWS}")
        if number and number % _A_PAGE == 0:
            charts.row_breaks.append(Break(id=number * _ROWS))
    charts.sheet_format.defaultRowHeight, charts.sheet_format.customHeight = _ROW_PT, True
    charts.page_setup.orientation, limits.page_setup.orientation = "portrait", "landscape"
    charts.page_setup.paperSize = limits.page_setup.paperSize = page.page_setup.paperSize
    limits.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    limits.page_setup.fitToWidth, limits.page_setup.fitToHeight = 1, 0
    charts.page_margins.left = charts.page_margins.right = 0.5
    charts.page_margins.top = charts.page_margins.bottom = 0.5


def _limits(page: Worksheet, grid: Grid, each: Placed, column: int) -> list[Line]:
    """Write the two limits of a characteristic, one row a piece, and return their lines."""
    lines = []
    for offset, (limit, line, title, dash) in enumerate(
        (
            (each.block.upper, at.UPPER, "upper limit", "dash"),
            (each.block.lower, at.LOWER, "lower limit", "sysDot"),
        )
    ):
        here = column + offset
        page.cell(2, here, f"{each.block.title} {title}")
        page.column_dimensions[letters(here)].width = 28
        if limit is None:
            continue
        for number in range(grid.pieces):
            cell = page.cell(3 + number, here, f"={grid.named_cell(line, each.field)}")
            cell.number_format = each.block.format
        series = Series(Reference(page, here, 3, here, 2 + grid.pieces), title=title)
        series.graphicalProperties.line.solidFill = "A23B2A"
        series.graphicalProperties.line.dashStyle = dash
        series.graphicalProperties.line.width = 15_000
        series.marker.symbol = "none"
        series.smooth = False
        lines.append(series)
    return lines


def _chart(page: Worksheet, grid: Grid, each: Placed, limits: Sequence[Line]) -> LineChart:
    chart = LineChart()
    chart.title = f"{each.block.title} ({each.block.about})"
    chart.height = 7.8
    chart.width = 16.5  # type: ignore[assignment]  # in cm; stubs take it for a whole number
    first, count = each.block.places("value")
    for number in range(count):
        series = Series(_pieces(page, grid, each.field + first + number), title=_title(each, number))
        series.graphicalProperties.line.solidFill = _INK[number % len(_INK)]
        series.graphicalProperties.line.width = 12_000
        series.marker.symbol = _MARKERS[number % len(_MARKERS)]
        series.marker.size = 6
        series.marker.graphicalProperties.solidFill = _INK[number % len(_INK)]
        series.smooth = False
        chart.series.append(series)
    chart.series += limits
    chart.set_categories(_pieces(page, grid, each.lead - 1))
    chart.display_blanks = "gap"
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.title, chart.y_axis.title = "piece", None
    chart.y_axis.number_format = each.block.format
    chart.y_axis.majorGridlines = None
    chart.legend = Legend("b")
    return chart


def _title(each: Placed, number: int) -> str:
    return each.block.positions[number] if each.block.positions else "value"


def _pieces(page: Worksheet, grid: Grid, field: int) -> Reference:
    """Return one field of all pieces."""
    top, left = grid.cell(grid.piece(0), field)
    bottom, right = grid.cell(grid.piece(grid.pieces - 1), field)
    return Reference(page, left, top, right, bottom)

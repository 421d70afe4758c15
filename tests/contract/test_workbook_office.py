"""A real spreadsheet program opens what was filled in, calculates it, and what it saves is filled on."""

from __future__ import annotations

import shutil
from contextlib import closing
from decimal import Decimal
from pathlib import Path

import pytest
from openpyxl import load_workbook
from openpyxl.chart import LineChart, Reference
from openpyxl.comments import Comment
from openpyxl.formatting.rule import Rule

from gaugepost.contract import Unreachable
from tests.bench_tools.office import Office
from tests.contract.workbook_bench import deliver, opened, record, sheet, values

pytestmark = pytest.mark.asyncio


def furnished(path: Path) -> None:
    """Write a sheet with what people put into theirs: a chart, a conditional format, a comment, another sheet."""
    sheet(path)
    with closing(load_workbook(path)) as book:
        page = book.worksheets[0]
        chart = LineChart()
        chart.add_data(Reference(page, min_col=3, min_row=4, max_row=16), titles_from_data=True)
        page.add_chart(chart, "M2")
        page.conditional_formatting.add("C5:C16", Rule("cellIs", operator="greaterThan", formula=["$B$3"]))
        page["A1"].comment = Comment("made by hand", "anna")
        page["K4"] = '=COUNTIF(E5:E16,"reject")'
        book.create_sheet("Other & more")["A1"] = "=Measured!K1*2"
        book.save(path)


async def test_a_spreadsheet_program_reads_and_goes_on(tmp_path: Path) -> None:
    """Values are numbers, formulas come out anew, text stays text, what else the file had is there; then it goes on."""
    file, office = tmp_path / "sheet.xlsx", Office(tmp_path)
    furnished(file)
    await deliver(
        tmp_path,
        record(1),
        record(2, piece="=2+2", value=Decimal("38.0333"), verdict="oversize", decision="reject"),
    )
    saved = office.saved(file)
    with closing(load_workbook(saved, data_only=True)) as book:
        page = book.worksheets[0]
        assert [cell.value for cell in page["A5:E5"][0]] == ["L1", 1, 38.0121, "in-limits", "accept"]
        assert [cell.value for cell in page["A6:E6"][0]] == ["L1", "=2+2", 38.0333, "oversize", "reject"]
        assert page["B6"].data_type == "s", "a piece's name was calculated"
        assert (page["K1"].value, page["K2"].value, page["K4"].value) == (38.0333, 2, 1)
        charts = page._charts  # type: ignore[attr-defined]  # the library has no public name for them
        assert book["Other & more"]["A1"].value == 76.0666
        assert (len(charts), len(page.conditional_formatting)) == (1, 1)
        assert page["A1"].comment.text == "made by hand"
    shutil.copy(saved, file)
    outcome = await deliver(tmp_path, record(3, piece="3"), record(4, attempt=2, value=Decimal("38.0100")))
    assert outcome.refused == []
    assert values(file, "B5:C7") == [1, 38.01, "=2+2", 38.0333, 3, 38.0121]


@pytest.mark.attack
async def test_it_waits_while_a_spreadsheet_program_has_it_open(tmp_path: Path) -> None:
    """Nothing is written while the program holds the file; it is told who does, and afterwards nothing is missing."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    async with opened(tmp_path) as destination:
        before = file.read_bytes()
        with Office(tmp_path).open(file):
            for _ in range(3):
                with pytest.raises(Unreachable, match="is open in an office program, by ") as told:
                    await destination.deliver([record(1)], "key")
                assert "nothing is lost" in told.value.hint
            assert file.read_bytes() == before
        await destination.deliver([record(1)], "key")
    assert values(file, "C5") == [38.0121]


@pytest.mark.attack
async def test_every_digit_arrives(tmp_path: Path) -> None:
    """A value in inches with all its digits is, to the program, the nearest number there is (IEEE 754 binary64)."""
    sheet(tmp_path / "sheet.xlsx")
    exact = [Decimal(38_0121 + n) / 10_000 / Decimal("25.4") for n in range(12)]
    await deliver(tmp_path, *(record(n + 1, piece=str(n), value=value) for n, value in enumerate(exact)))
    saved = Office(tmp_path).saved(tmp_path / "sheet.xlsx")
    # the program writes 15 digits and is right to the last of them
    assert [float(f"{value:.15g}") for value in values(saved, "C5:C16")] == [
        float(f"{value:.15g}") for value in exact
    ]

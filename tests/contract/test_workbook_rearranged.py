"""A sheet that somebody rearranged: renamed, copied beside itself, moved. What was filled in is still known as ours."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from openpyxl.workbook.defined_name import DefinedName

from gaugepost.contract import StationFacts, Unreachable
from gaugepost_adapters.destinations.workbook.looking import look
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings
from tests.contract.workbook_bench import BERLIN, PLAIN, deliver, record, sheet, values

pytestmark = pytest.mark.asyncio

BY_NAME: dict[str, Any] = {
    "pieces": "pieces", "lots": None, "fill": [{"characteristic": "bore", "value": "bore"}],
}  # fmt: skip


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "sheet.xlsx"
    sheet(path)
    return path


def named(path: Path, page: str | None = None, **names: str) -> None:
    """Give ranges names, which the whole workbook or, where `page` is given, that sheet alone knows."""
    with closing(load_workbook(path)) as book:
        known = book[page].defined_names if page else book.defined_names
        for name, cells in names.items():
            known[name] = DefinedName(name, attr_text=cells)
        book.save(path)


def copied(path: Path) -> None:
    """Copy the sheet within its workbook: an office program gives the copy names of its own, spelled alike."""
    with closing(load_workbook(path)) as book:
        book.copy_worksheet(book["Measured"]).title = "Measured (2)"
        book.save(path)
    names = {"pieces": "'Measured (2)'!$B$5:$B$16", "bore": "'Measured (2)'!$C$5:$C$16"}
    named(path, "Measured (2)", **names)


async def test_a_single_cell_that_was_moved_is_still_ours(file: Path, tmp_path: Path) -> None:
    """A cell that shows who measured is followed by its name, and goes on being filled where it is now."""
    named(file, who="Measured!$B$1")
    shown: dict[str, Any] = {"cells": {"who": "operator"}}
    await deliver(tmp_path, record(1, operator="M1"), **shown)
    with closing(load_workbook(file)) as book:
        book["Measured"].move_range("B1", rows=1, cols=5)
        book.save(file)
    named(file, who="Measured!$G$2")
    assert (await deliver(tmp_path, record(2, piece="2", operator="M2"), **shown)).refused == []
    assert values(file, "G2") == ["M2"]


async def test_a_sheet_may_be_renamed(file: Path, tmp_path: Path) -> None:
    """Where addresses name no sheet, the first one may be called what it likes."""
    shown: dict[str, Any] = {"cells": {"B1": "operator"}}
    await deliver(tmp_path, record(1, operator="M1"), **shown)
    with closing(load_workbook(file)) as book:
        book["Measured"].title = "Series 2"
        book.save(file)
    assert (await deliver(tmp_path, record(2, piece="2", operator="M2"), **shown)).refused == []
    assert (values(file, "B1"), values(file, "B5:C6")) == (["M2"], [1, 38.0121, 2, 38.0121])


@pytest.mark.parametrize("first", ["a cover", "a copy"])
async def test_a_sheet_may_get_another_one_in_front(first: str, file: Path, tmp_path: Path) -> None:
    """What was filled goes on being filled where no sheet is named; what is put before it is not written into."""
    shown: dict[str, Any] = {"cells": {"B1": "operator"}}
    await deliver(tmp_path, record(1, operator="M1"), **shown)
    with closing(load_workbook(file)) as book:
        page = book.copy_worksheet(book["Measured"]) if first == "a copy" else book.create_sheet()
        page.title = "New"
        book.move_sheet(page, -1)
        book.save(file)
    before = values(file, "A1:G16", "New")
    assert (await deliver(tmp_path, record(2, piece="2", operator="M2"), **shown)).refused == []
    assert values(file, "A1:G16", "New") == before
    assert (values(file, "B1", "Measured"), values(file, "B5:C6", "Measured")) == (
        ["M2"], [1, 38.0121, 2, 38.0121],
    )  # fmt: skip
    looked = look(WorkbookSettings(**PLAIN | shown), StationFacts("bench 1", BERLIN, tmp_path), {})
    assert "pieces: 12 in Measured!B5:B16, 2 of them with a name now" in looked.lines


async def test_a_cell_that_an_older_program_filled_is_ours(file: Path, tmp_path: Path) -> None:
    """It remembered single cells by their addresses: nobody has to clear them after an update."""
    shown: dict[str, Any] = {"cells": {"B1": "operator"}}
    await deliver(tmp_path, record(1, operator="M1"), **shown)
    (memory,) = (tmp_path / "workbooks").glob("*.db")
    with closing(sqlite3.connect(memory)) as database, database:
        renamed = database.execute(
            "UPDATE shown SET purpose = 'operator in Measured!B1' WHERE purpose = 'operator in B1'"
        )
        assert renamed.rowcount == 1
    assert (await deliver(tmp_path, record(2, piece="2", operator="M2"), **shown)).refused == []
    assert values(file, "B1") == ["M2"]


async def test_a_copy_of_the_sheet_is_not_filled(file: Path, tmp_path: Path) -> None:
    """The names that a copy of the sheet brings with it do not draw what is measured away from the first one."""
    copied(file)
    assert (await deliver(tmp_path, record(1), **BY_NAME)).refused == []
    assert values(file, "B5:C5", "Measured") == [1, 38.0121]
    assert values(file, "B5:C5", "Measured (2)") == [None, None]


async def test_a_copy_is_filled_where_it_is_named(file: Path, tmp_path: Path) -> None:
    """With `sheet` a sheet's own names count before the workbook's, as they do in its formulas."""
    copied(file)
    assert (await deliver(tmp_path, record(1), sheet="measured (2)", **BY_NAME)).refused == []
    assert values(file, "B5:C5", "Measured (2)") == [1, 38.0121]
    assert values(file, "B5:C5", "Measured") == [None, None]


async def test_a_name_that_two_sheets_have_is_asked_about(file: Path, tmp_path: Path) -> None:
    """Where no sheet is named and several have such a name for themselves, none is filled by guess."""
    copied(file)
    named(file, "Measured", bore="Measured!$C$5:$C$16")
    with closing(load_workbook(file)) as book:
        del book.defined_names["bore"]
        book.save(file)
    with pytest.raises(Unreachable, match=r"'bore' of its own: Measured, Measured \(2\)") as told:
        await deliver(tmp_path, record(1), **BY_NAME)
    assert 'sheet = "Measured"' in told.value.hint
    assert values(file, "C5") == values(file, "C5", "Measured (2)") == [None]
    assert (await deliver(tmp_path, record(1), sheet="Measured", **BY_NAME)).refused == []
    assert values(file, "B5:C5", "Measured") == [1, 38.0121]


async def test_an_ending_may_be_written_large(tmp_path: Path) -> None:
    """A file that some other computer named SHEET.XLSX is a workbook like any other."""
    sheet(tmp_path / "SHEET.XLSX")
    assert (await deliver(tmp_path, record(1), file="SHEET.XLSX")).refused == []
    assert values(tmp_path / "SHEET.XLSX", "B5:C5") == [1, 38.0121]

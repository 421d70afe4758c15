"""An inspection sheet shows what stands of the records, whatever is voided, amended or measured again."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from openpyxl.utils.datetime import CALENDAR_MAC_1904, CALENDAR_WINDOWS_1900

from gaugepost.contract import Publication
from gaugepost.contract.kit.destinations import CHECKS, Check, FarSide
from gaugepost.core.record import Kind
from gaugepost_adapters.destinations.workbook.memory import OF_A_PLACE, Memory
from gaugepost_adapters.destinations.workbook.places import Places
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings
from tests.contract.workbook_bench import (
    FILL,
    PLAIN,
    being_edited,
    deliver,
    edited,
    ids,
    make,
    opened,
    record,
    sheet,
    values,
)

pytestmark = pytest.mark.asyncio


@pytest.mark.parametrize("check", CHECKS)
async def test_it_keeps_the_promises_of_every_destination(check: Check, tmp_path: Path) -> None:
    """The kit, with a sheet of 400 rows as far side that shows ids, cut off while a person has it open."""
    sheet(tmp_path / "sheet.xlsx")
    rows = {"pieces": "B5:B404", "lots": "A5:A404"}
    fill = [{"characteristic": f"D{n}", "id": f"{column}5:{column}404"} for n, column in enumerate("GHI")]

    def held() -> list[str]:
        found = [name for name in values(tmp_path / "sheet.xlsx", "G5:I404") if name and "-" in str(name)]
        return sorted(found, key=lambda name: int(name.rpartition("-")[2]))

    await check(
        FarSide(
            lambda: make(tmp_path, fill=fill, **rows), held, lambda: being_edited(tmp_path / "sheet.xlsx")
        )
    )


async def test_a_measurement_fills_its_row(tmp_path: Path) -> None:
    """Lot, piece, value, verdict, decision and id stand in one row; numbers are numbers, to the last digit."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1, value=Decimal("38.012100003")), record(2, piece="2b", lot=None))
    rows = values(tmp_path / "sheet.xlsx", "A5:E6")
    assert rows == ["L1", 1, 38.012100003, "in-limits", "accept", None, "2b", 38.0121, "in-limits", "accept"]
    assert ids(tmp_path / "sheet.xlsx") == [record(1)["id"], record(2)["id"]]


async def test_voids_amendments_and_attempts_are_followed(tmp_path: Path) -> None:
    """A cell shows the last attempt that stands: after a void the one before, after an amendment at its new place."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    async with opened(tmp_path) as destination:
        for each, row, shown in [
            (record(1, value=Decimal("38.001")), 5, 38.001),
            (record(2, value=Decimal("38.002"), attempt=2), 5, 38.002),
            (record(3, Kind.VOID, replaces=2), 5, 38.001),
            (record(4, Kind.AMENDMENT, replaces=1, piece="9", value=Decimal("38.001")), 6, 38.001),
        ]:
            await destination.deliver([each], "key")
            assert values(file, f"C{row}") == [shown]
        assert values(file, "A5:G5") == [None] * 7, "a row that nothing stands for any more is empty again"
        assert values(file, "A6:B6") == ["L1", 9]
        await destination.deliver([record(5, Kind.VOID, replaces=4)], "key")
    assert values(file, "A5:G16") == [None] * 84


async def test_a_piece_has_a_cell_for_each_position(tmp_path: Path) -> None:
    """Piece and position say which cell; an amendment moves a value to another, a void empties its own alone."""
    file, bore = tmp_path / "sheet.xlsx", "bore"
    sheet(file)
    fill = [{"characteristic": bore, "positions": ["top", "mid"], "value": "C5:D16", "verdict": "E5:F16"}]
    sizes = {name: Decimal(f"38.00{name}") for name in "12345"}
    steps: list[tuple[Any, list[Any]]] = [
        (record(1, position="top", value=sizes["1"]), [1, 38.001, None, 0, None, None]),
        (record(2, position="mid", value=sizes["2"]), [1, 38.001, 38.002, 0, None, None]),
        (record(3, piece="2", position="mid", value=sizes["3"]), [1, 38.001, 38.002, 2, None, 38.003]),
        (record(4, position="top", attempt=2, value=sizes["4"]), [1, 38.004, 38.002, 2, None, 38.003]),
        (record(5, Kind.AMENDMENT, replaces=4, piece="2", position="top", value=sizes["4"]),
         [1, 38.001, 38.002, 2, 38.004, 38.003]),
        (record(6, Kind.VOID, replaces=2), [1, 38.001, None, 2, 38.004, 38.003]),
        (record(7, Kind.VOID, replaces=1), [None, None, None, 2, 38.004, 38.003]),
        (record(8, position="mid", value=sizes["5"]), [1, None, 38.005, 2, 38.004, 38.003]),
    ]  # fmt: skip
    async with opened(tmp_path, fill=fill) as destination:
        for each, shown in steps:
            outcome = await destination.deliver([each], "key")
            assert outcome.refused == []
            assert values(file, "B5:D6") == [name or None for name in shown]
    assert values(file, "E5:F6") == [None, "in-limits", "in-limits", "in-limits"]


async def test_a_failed_check_shows_as_suspect(tmp_path: Path) -> None:
    """What a later check put in doubt is no longer shown as accepted."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1), record(2, piece="2", gauge="bore-40"))
    await deliver(tmp_path, record(3, Kind.SUSPECT, gauge="bore-38", first=1, last=2))
    assert values(tmp_path / "sheet.xlsx", "E5:E6") == ["suspect", "accept"]


async def test_what_was_lifted_is_no_longer_suspect(tmp_path: Path) -> None:
    """Once somebody lifts a doubt the cell shows the decision again, unless another mark is open."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    doubt: dict[str, Any] = {"gauge": "bore-38", "first": 1, "last": 2, "count": 2}
    await deliver(tmp_path, record(1), record(2, piece="2"))
    await deliver(tmp_path, record(3, Kind.SUSPECT, **doubt), record(4, Kind.SUSPECT, **doubt | {"last": 1}))
    assert values(file, "E5:E6") == ["suspect", "suspect"]
    await deliver(tmp_path, record(5, Kind.LIFTED, replaces=3, **doubt))
    assert values(file, "E5:E6") == ["suspect", "accept"]
    await deliver(tmp_path, record(6, Kind.LIFTED, replaces=4, **doubt | {"last": 1}))
    assert values(file, "E5:E6") == ["accept", "accept"]


async def test_what_is_judged_again_is_shown(tmp_path: Path) -> None:
    """Under a corrected certificate a value and its decision change, a result's too; what was in doubt stays so."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    new: dict[str, Any] = {"value": Decimal("38.0262"), "verdict": "oversize", "decision": "reject"}
    result = record(2, Kind.RESULT, piece="2", value=Decimal("38.0110"))
    await deliver(tmp_path, record(1), result, record(3, piece="2", verdict=None, decision=None))
    await deliver(
        tmp_path,
        record(4, Kind.REJUDGED, code="reading", replaces=1, **new),
        record(5, Kind.REJUDGED, code="result", replaces=2, piece="2", **new),
        record(7, Kind.REJUDGED, code="form", replaces=6, piece="2"),
    )
    assert values(file, "C5:E6") == [38.0262, "oversize", "reject"] * 2
    await deliver(tmp_path, record(8, Kind.SUSPECT, gauge="bore-38", first=1, last=1))
    assert values(file, "E5:E6") == ["suspect", "reject"]


async def test_a_lost_memory_comes_back_with_the_records(tmp_path: Path) -> None:
    """Handed over again from the beginning, the records give the sheet that they gave before, none twice."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    told = [record(1), record(2, attempt=2), record(3, Kind.VOID, replaces=2), record(4, piece="2")]
    for each in told:
        await deliver(tmp_path, each)
    before = values(file, "A5:G16")
    shutil.rmtree(tmp_path / "workbooks")
    for each in told:
        assert (await deliver(tmp_path, each)).refused == []
    assert values(file, "A5:G16") == before


async def test_what_somebody_typed_is_left_alone(tmp_path: Path) -> None:
    """A piece's cell that holds what was not measured is not overwritten: refused, and taken once it is clear."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    edited(file, B5=1, C5=38.9)
    (refusal,) = (await deliver(tmp_path, record(1), record(2, piece="2"))).refused
    assert refusal.id == record(1)["id"]
    assert refusal.answer == "Measured!C5, for bore value, holds '38.9', which was not measured: clear it"
    assert values(file, "B5:C6") == [1, 38.9, 2, 38.0121]
    edited(file, C5=None)
    assert (await deliver(tmp_path, record(1))).refused == []
    assert values(file, "B5:C5") == [1, 38.0121]


async def test_a_row_that_somebody_uses_gets_no_piece(tmp_path: Path) -> None:
    """A row without a name in which somebody typed is passed over; only where no other is left, it is named."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    edited(file, C5=38.9)
    outcome = await deliver(tmp_path, *(record(n, piece=str(n)) for n in range(1, 13)))
    assert values(file, "B5:C6") == [None, 38.9, 1, 38.0121]
    (refusal,) = outcome.refused
    assert refusal.answer.startswith("the sheet is full: 12 pieces, and no row for another; 1 without")
    assert refusal.answer.endswith("taken, as by Measured!C5: clear those cells")


async def test_a_value_that_somebody_changed_is_put_right(tmp_path: Path) -> None:
    """A measured value can't be edited in the sheet: the next record brings it back."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    await deliver(tmp_path, record(1, value=Decimal("38.031"), verdict="oversize", decision="reject"))
    edited(file, C5=38.021, E5="accept")
    await deliver(tmp_path, record(2, piece="2"))
    assert values(file, "C5:E5") == [38.031, "oversize", "reject"]


async def test_a_piece_that_was_listed_gets_its_own_row(tmp_path: Path) -> None:
    """Names typed beforehand stay, as number or as text, and a void does not take them away."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    edited(file, B7=3, B8="2b")
    await deliver(tmp_path, record(1, piece="3"), record(2, piece="2b"), record(3, piece="1"))
    assert values(file, "B5:C8") == [1, 38.0121, None, None, 3, 38.0121, "2b", 38.0121]
    await deliver(tmp_path, record(4, Kind.VOID, replaces=1))
    assert values(file, "B7:C7") == [3, None]


async def test_a_full_sheet_refuses_only_what_it_has_no_row_for(tmp_path: Path) -> None:
    """Pieces beyond the last row are set aside and said; those with a row go on being filled in."""
    sheet(tmp_path / "sheet.xlsx")
    outcome = await deliver(
        tmp_path, *(record(n, piece=str(n)) for n in range(1, 14)), record(14, attempt=2, piece="1")
    )
    assert outcome.through == 14
    assert [(refusal.id, refusal.answer) for refusal in outcome.refused] == [
        (
            record(13)["id"],
            "the sheet is full: 12 pieces, and no row for another: widen pieces, or write another name as file",
        )
    ]
    assert values(tmp_path / "sheet.xlsx", "G5") == [record(14)["id"]]


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+7", "-2", "@x", "007", "'quoted", "=cmd|' /C calc'!A0", "\t=1", "1/2", "3-1", "MAR1", "TRUE"],
)
async def test_text_never_becomes_a_formula(text: str, tmp_path: Path) -> None:
    """A piece's name that looks like a formula, a number or a date is text, and stays so when somebody edits it."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1, piece=text))
    with closing(load_workbook(tmp_path / "sheet.xlsx")) as book:
        cell = book["Measured"]["B5"]
        assert (cell.value, cell.data_type, cell.quotePrefix) == (text, "s", True)


async def test_limits_are_compared_with_the_drawings(tmp_path: Path) -> None:
    """A cell says whether the sheet's limits are the drawing's; without one, nothing is filled in against them."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    compared = {**FILL, "lower": "B2", "upper": "B3"}
    said = [{**compared, "limits": "C3"}]
    await deliver(tmp_path, record(1), fill=said)
    assert values(file, "C3") == ["as on the drawing"]
    await deliver(tmp_path, record(2, upper=Decimal("38.039")), fill=said)
    differing = "upper limit 38.025 in B3, 38.039 on the drawing"
    assert values(file, "C3") == [f"differ: {differing}"]
    outcome = await deliver(tmp_path, record(3, piece="3", upper=Decimal("38.039")), fill=[compared])
    assert [each.answer for each in outcome.refused] == [
        f"{differing}: put the sheet right, or add a cell for limits"
    ]


async def test_a_limit_that_is_text_is_said_so(tmp_path: Path) -> None:
    """A limit that was typed with the other decimal sign reads like the drawing's and is text: that is what is told."""
    sheet(tmp_path / "sheet.xlsx")
    edited(tmp_path / "sheet.xlsx", B3="38,025")
    outcome = await deliver(tmp_path, record(1), fill=[{**FILL, "upper": "B3"}])
    (refused,) = outcome.refused
    assert "upper limit '38,025', which is text and no number, in B3, 38.025 on the drawing" in refused.answer


async def test_each_lot_has_a_workbook_of_its_own(tmp_path: Path) -> None:
    """A lot's workbook is made from the template; what is amended into another lot leaves the first one."""
    sheet(tmp_path / "template.xlsx")
    each: dict[str, Any] = {"file": "lots/{lot}.xlsx", "template": "template.xlsx"}
    await deliver(tmp_path, record(1, lot="A"), record(2, lot="B/1"), **each)
    moved = record(3, Kind.AMENDMENT, replaces=1, lot="B/1", piece="5")
    await deliver(tmp_path, moved, **each)
    assert values(tmp_path / "lots" / "a.xlsx", "A5:C5") == [None, None, None]
    assert values(tmp_path / "lots" / "b%2f1.xlsx", "A5:C6") == ["B/1", 1, 38.0121, "B/1", 5, 38.0121]
    assert values(tmp_path / "template.xlsx", "A5:C5") == [None, None, None]


async def test_defined_names_move_along(tmp_path: Path) -> None:
    """Where cells are given by their names, rows and columns that somebody inserted change nothing."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    names: dict[str, Any] = {
        "pieces": "pieces", "lots": None, "fill": [{"characteristic": "bore", "value": "bore"}],
    }  # fmt: skip
    await deliver(tmp_path, record(1), **names)
    with closing(load_workbook(file)) as book:
        page = book["Measured"]
        page.insert_rows(5, 3)
        book.defined_names["bore"].attr_text = "Measured!$C$8:$C$19"
        book.defined_names["pieces"].attr_text = "Measured!$B$8:$B$19"
        book.save(file)
    assert (await deliver(tmp_path, record(2, piece="2"), **names)).refused == []
    assert values(file, "B8:C9") == [1, 38.0121, 2, 38.0121]
    await deliver(tmp_path, record(3, Kind.VOID, replaces=1), **names)
    assert values(file, "B8:C9") == [None, None, 2, 38.0121]


async def test_rows_that_somebody_moved_are_followed(tmp_path: Path) -> None:
    """A piece's row is found by its name: sorted and with rows inserted, a void still empties the right one."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    await deliver(tmp_path, *(record(n, piece=str(n), value=Decimal(38) + n) for n in (1, 2, 3)))
    with closing(load_workbook(file)) as book:
        page = book["Measured"]
        rows = [[cell.value for cell in row] for row in page["A5:G7"]]
        for row, cells in zip(
            page["A5:G9"], [rows[2], [None] * 7, rows[0], [None] * 7, rows[1]], strict=True
        ):
            for cell, value in zip(row, cells, strict=True):
                cell.value = value
        book.save(file)
    await deliver(tmp_path, record(4, Kind.VOID, replaces=1), record(5, piece="2", attempt=2))
    assert values(file, "B5:C9") == [3, 41, None, None, None, None, None, None, 2, 38.0121]
    await deliver(tmp_path, record(6, Kind.VOID, replaces=5))
    assert values(file, "B9:C9") == [2, 40]


async def test_times_are_the_stations_wall_clock(tmp_path: Path) -> None:
    """A time is a spreadsheet's date and time, in the station's zone, in either of the two ways of counting days."""
    for first_day in (CALENDAR_WINDOWS_1900, CALENDAR_MAC_1904):
        folder = tmp_path / str(first_day.year)
        folder.mkdir()
        sheet(folder / "sheet.xlsx")
        with closing(load_workbook(folder / "sheet.xlsx")) as book:
            book.epoch = first_day
            book.save(folder / "sheet.xlsx")
        await deliver(folder, record(1))
        # 2025-11-25T09:00:01Z, an hour later in Berlin; cells know no zones
        assert values(folder / "sheet.xlsx", "F5") == [datetime(2025, 11, 25, 10, 0, 1)]  # noqa: DTZ001


async def test_a_sheet_without_pieces_shows_the_last(tmp_path: Path) -> None:
    """Where no cells are named for pieces, it shows the piece measured last, and after a void the one before."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)
    single: dict[str, Any] = {
        "pieces": None, "lots": None, "cells": {"B1": "piece"}, "fill": [{"characteristic": "bore", "value": "C5"}],
    }  # fmt: skip
    async with opened(tmp_path, **single) as destination:
        await destination.deliver([record(1), record(2, piece="2", value=Decimal("38.002"))], "key")
        assert values(file, "B1:C1")[0] == 2
        assert values(file, "C5") == [38.002]
        await destination.deliver([record(3, Kind.VOID, replaces=2)], "key")
        assert (values(file, "B1"), values(file, "C5")) == ([1], [38.0121])


async def test_what_no_cell_can_show_any_more_is_forgotten(tmp_path: Path) -> None:
    """The memory of a sheet that shows the last piece does not grow without end; the last records stay in it."""
    with closing(Memory(tmp_path / "memory.db")) as memory:
        for first in range(1, 100, 7):
            memory.keep([("sheet", record(n)) for n in range(first, first + 7)], {}, 10)
        assert sorted(order for order, _ in memory.known("sheet", ())) == [(1, n) for n in range(96, 106)]


async def test_a_piece_that_is_measured_without_end_is_not_remembered_without_end(tmp_path: Path) -> None:
    """Attempts beyond any that can be shown again are forgotten; voids and amendments of late are followed still."""
    file = tmp_path / "sheet.xlsx"
    sheet(file)

    def attempt(number: int, **fields: Any) -> Publication:
        return record(number, attempt=number, value=Decimal(number), **fields)

    async with opened(tmp_path) as workbook:
        amended = record(2, Kind.AMENDMENT, replaces=1, piece="2", value=Decimal(7))
        await workbook.deliver([attempt(1), amended], "key")
        for first in range(3, 603, 100):
            await workbook.deliver([attempt(number) for number in range(first, first + 100)], "key")
        assert values(file, "C5:C6") == [7, 602]
        await workbook.deliver([record(700, Kind.VOID, replaces=602)], "key")
        assert values(file, "C5:C6") == [7, 601]
    memory = Places(WorkbookSettings(**PLAIN), tmp_path).memory
    with closing(sqlite3.connect(memory)) as database:
        assert database.execute("SELECT count(*) FROM record").fetchone()[0] <= OF_A_PLACE + 2
        database.execute("DROP INDEX of_place")
        database.execute("ALTER TABLE record DROP COLUMN place")  # as a program before this one left it
    async with opened(tmp_path) as workbook:
        await workbook.deliver([record(701, Kind.VOID, replaces=601), attempt(702, piece="3")], "key")
        assert values(file, "C5:C7") == [7, 600, 702]

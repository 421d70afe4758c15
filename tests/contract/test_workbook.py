"""An inspection sheet shows what stands of the records, whatever is voided, amended or measured again."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from gaugepost.contract.kit.destinations import CHECKS, Check, FarSide
from tests.contract.workbook_bench import (
    being_edited,
    deliver,
    ids,
    make,
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

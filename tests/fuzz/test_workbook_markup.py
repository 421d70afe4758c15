"""Workbooks whose parts were damaged: each is filled or refused with a reason, and nothing else comes out."""

from __future__ import annotations

import io
import random
import re
import zipfile
from contextlib import closing
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook
from openpyxl.worksheet.table import Table

from gaugepost.contract import ValueRefused
from gaugepost_adapters.destinations.workbook.book import book
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings
from tests.contract.workbook_bench import PLAIN, edited, record, sheet

WORDS = (
    b"", b"-1", b"x", b"1.5", b"inf", b"nan", b"99999999999", b"A0", b"ZZZZ9", b"A1:B2:C3", b"r:id", b"<", b">", b'"',
    b"&#0;", b"\xff",
)  # fmt: skip
SETTINGS = WorkbookSettings(**PLAIN | {"cells": {"J1": "lot"}})
PLACES = (
    rb'="([^"]*)"',
    rb'( [\w:]+="[^"]*")',
    rb">([^<]+)<",
    rb"(<[\w:]+[^<>]*/>)",
    rb"(<[\w:]+[^<>]*>)",
    rb"(.)",
)
"""What is changed: an attribute's value, an attribute, text, an empty element, a tag, any byte."""


def whole(folder: Path) -> dict[str, bytes]:
    """Return the parts of a good workbook with a table, merged cells and names in it."""
    file = folder / "sheet.xlsx"
    sheet(file)
    edited(file, J20="a", K20="b", B7=3, B8="x")
    with closing(load_workbook(file)) as made:
        made.worksheets[0].add_table(Table(displayName="other", ref="J20:K24"))
        made.worksheets[0].merge_cells("M2:N3")
        made.save(file)
    with zipfile.ZipFile(file) as packed:
        return {info.filename: packed.read(info) for info in packed.infolist()}


def damaged(parts: dict[str, bytes], dice: random.Random) -> bytes:
    """Return the workbook with one to three places of its parts changed, or a part left out."""
    parts = dict(parts)
    for _ in range(dice.randint(1, 3)):
        name = dice.choice([name for name in parts if "theme" not in name and "docProps" not in name])
        data = parts[name]
        found = list(re.finditer(dice.choice(PLACES), data, re.DOTALL))
        if found:
            place, other = dice.choice(found), dice.choice(found)[1]
            new = dice.choice([dice.choice(WORDS), other, place[1] * 2])
            parts[name] = data[: place.start(1)] + new + data[place.end(1) :]
    if dice.random() < 0.05:
        del parts[dice.choice(list(parts))]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for name, data in parts.items():
            packed.writestr(name, data)
    return out.getvalue()


def outcome(data: bytes) -> str:
    records = [((0, n), record(n, piece=str(n))) for n in (1, 2)]
    try:
        opened = book(data, SETTINGS, {})
        plan = opened.plan(records, {}, {str(each["id"]) for _, each in records}, ZoneInfo("UTC"))
        filled = opened.filled(plan.entries)
    except ValueRefused as refused:
        return "refused" if refused.finding and refused.hint else f"refused without a word: {refused!r}"
    again = book(filled, SETTINGS, plan.ours).plan(records, plan.ours, (), ZoneInfo("UTC"))
    assert not again.entries, "what was filled in is not found there"
    return "filled"


@pytest.mark.attack
@pytest.mark.parametrize("seed", range(6))
def test_a_damaged_workbook_is_filled_or_refused(seed: int, tmp_path: Path) -> None:
    """Whatever is damaged, cells are filled and found again, or the file is refused with what to do."""
    dice, parts = random.Random(seed), whole(tmp_path)
    outcomes = [outcome(damaged(parts, dice)) for _ in range(300)]
    assert set(outcomes) == {"filled", "refused"}


@pytest.mark.parametrize(
    "method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA]
)
def test_turned_bytes_of_a_zip_are_refused_or_do_no_harm(method: int, tmp_path: Path) -> None:
    """Whichever bytes of the file are not as they were written, however it is packed: filled or refused, no fault."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as packed:
        for name, data in whole(tmp_path).items():
            packed.writestr(name, data)
    data, dice, outcomes = out.getvalue(), random.Random(method), set[str]()
    for _ in range(150):
        spoilt = bytearray(data)
        for _ in range(dice.randint(1, 3)):
            spoilt[dice.randrange(len(spoilt))] = dice.randrange(256)
        outcomes.add(outcome(bytes(spoilt)))
    assert "refused" in outcomes
    assert outcomes <= {"filled", "refused"}

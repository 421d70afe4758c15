"""A sheet over a restore or a salvage: the journal that goes on is one with the one before, and so are its doubts."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from gaugepost.contract import Publication
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind, Record
from tests.contract.workbook_bench import EPOCH, deliver, record, sheet, values

pytestmark = pytest.mark.asyncio

NEW = "9b1f7c52-4e0c-4d0e-b8a1-0d5a3c1f2b33"
NEWEST = "c2a4e6f8-1111-4222-8333-a5b6c7d8e9f0"
ANEW = "0f9e8d7c-2222-4333-9444-5a6b7c8d9e0f"


def of(journal: str, sequence: int, kind: Kind = Kind.READING, **fields: Any) -> Publication:
    """Return a record of another epoch than the bench's own."""
    if kind is Kind.READING:
        return {**record(sequence, **fields), "id": f"{journal}-{sequence}"}
    at: dict[str, Any] = {"measured_at": 1_764_061_200_000 + sequence * 1000, "clock_ms": sequence}
    return publish(Entry(sequence, bytes(32), Record(kind=kind, **at, **fields)), journal, "bench 1")


def went_on(before: str, after: str, sequence: int) -> Publication:
    """Return the record that says that one epoch goes on from another."""
    more: dict[str, Any] = {"first": 1, "last": sequence - 1, "count": sequence - 1}
    return of(after, sequence, Kind.SALVAGE, epoch=after, epoch_before=before, **more)


async def test_a_check_that_fails_after_a_restore_shows_what_was_before_as_suspect(tmp_path: Path) -> None:
    """What was measured before the backup is in doubt; what the restored journal does not know of is another matter."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, *(record(n, piece=str(n)) for n in (1, 2, 3, 4)))
    await deliver(tmp_path, went_on(EPOCH, NEW, 4), of(NEW, 5, piece="5"), went_on(NEW, NEWEST, 6))
    doubt = of(NEWEST, 8, Kind.SUSPECT, gauge="bore-38", first=2, last=7)
    await deliver(tmp_path, of(NEWEST, 7, piece="7"), doubt)
    assert values(tmp_path / "sheet.xlsx", "E5:E10") == [
        "accept",
        "suspect",
        "suspect",
        "accept",
        *["suspect"] * 2,
    ]
    await deliver(tmp_path, of(NEWEST, 9, Kind.LIFTED, gauge="bore-38", first=2, last=7, replaces=8))
    assert values(tmp_path / "sheet.xlsx", "E5:E10") == ["accept"] * 6


async def test_another_journal_puts_nothing_in_doubt(tmp_path: Path) -> None:
    """A journal that was begun anew counts from 1 too: its doubts are not about what the one before measured."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, *(record(n, piece=str(n)) for n in (1, 2)))
    doubt = of(NEW, 3, Kind.SUSPECT, gauge="bore-38", first=1, last=2)
    await deliver(tmp_path, of(NEW, 2, piece="5"), doubt)
    assert values(tmp_path / "sheet.xlsx", "E5:E7") == ["accept", "accept", "suspect"]


async def test_a_doubt_stays_with_what_is_amended_after_a_restore(tmp_path: Path) -> None:
    """An amendment is of the new epoch, and what it amends was put in doubt in the old one."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1), record(2, Kind.SUSPECT, gauge="bore-38", first=1, last=1))
    amended = {
        **record(4, Kind.AMENDMENT, piece="9", value=Decimal("38.0101")),
        "id": f"{NEW}-4",
        "replaces": record(1)["id"],
    }
    await deliver(tmp_path, went_on(EPOCH, NEW, 3), amended)
    assert values(tmp_path / "sheet.xlsx", "B6:E6") == [9, 38.0101, "in-limits", "suspect"]


async def test_what_is_measured_after_a_restore_counts_over_what_the_restore_left_behind(
    tmp_path: Path,
) -> None:
    """Attempts were counted on from the backup: attempt 2 of the journal in force is later than its lost attempt 3."""
    sheet(tmp_path / "sheet.xlsx")
    lost = (record(2, attempt=2), record(3, attempt=3, verdict="oversize", decision="reject"))
    await deliver(tmp_path, record(1), *lost, went_on(EPOCH, NEW, 2))
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{EPOCH}-3"]
    await deliver(tmp_path, of(NEW, 3, attempt=2))
    assert values(tmp_path / "sheet.xlsx", "E5:G5")[::2] == ["accept", f"{NEW}-3"]
    await deliver(tmp_path, of(NEW, 4, attempt=3), went_on(NEW, NEWEST, 4), of(NEWEST, 5, attempt=2))
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{NEWEST}-5"]
    gone = {**of(NEWEST, 6, Kind.VOID, gauge="bore-38", text="chip"), "replaces": f"{NEWEST}-5"}
    await deliver(tmp_path, gone)
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{NEW}-4"]


async def test_what_is_judged_again_after_a_restore_is_no_later_attempt(tmp_path: Path) -> None:
    """Attempt 1 judged again has the number that it was measured under: attempt 2 counts, whether lost or not."""
    judged = {**record(6, Kind.REJUDGED, code="reading"), "id": f"{NEW}-6", "replaces": f"{EPOCH}-1"}
    for name, border in (("kept", 4), ("lost", 2)):
        folder = tmp_path / name
        folder.mkdir()
        sheet(folder / "sheet.xlsx")
        await deliver(folder, record(1), record(2, attempt=2), went_on(EPOCH, NEW, border), judged)
        assert values(folder / "sheet.xlsx", "G5:G5") == [f"{EPOCH}-2"]


async def test_an_amendment_after_a_restore_is_counted_in_the_journal_in_force(tmp_path: Path) -> None:
    """What is moved to a piece gets the next attempt that the journal in force knows of; the lost one is not in it."""
    sheet(tmp_path / "sheet.xlsx")
    lost = (record(3, attempt=2), record(4, attempt=3))
    await deliver(tmp_path, record(1), record(2, piece="9"), *lost, went_on(EPOCH, NEW, 3))
    moved = {**record(4, Kind.AMENDMENT, attempt=2), "id": f"{NEW}-4", "replaces": f"{EPOCH}-2"}
    judged = {**record(5, Kind.REJUDGED, code="reading", attempt=2), "id": f"{NEW}-5", "replaces": f"{NEW}-4"}
    await deliver(tmp_path, moved)
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{NEW}-4"]
    await deliver(tmp_path, judged)
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{NEW}-5"]


async def test_the_last_restore_of_one_backup_counts(tmp_path: Path) -> None:
    """Two journals that go on from one backup know nothing of each other; nor does one that was begun anew."""
    sheet(tmp_path / "sheet.xlsx")
    await deliver(tmp_path, record(1), went_on(EPOCH, NEW, 2), of(NEW, 3, attempt=2), of(NEW, 4, attempt=3))
    await deliver(tmp_path, went_on(EPOCH, NEWEST, 2), of(NEWEST, 3, attempt=2))
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{NEWEST}-3"]
    await deliver(tmp_path, of(ANEW, 1))
    assert values(tmp_path / "sheet.xlsx", "G5:G5") == [f"{ANEW}-1"]


async def test_readings_of_a_place_are_counted_over_a_restore(tmp_path: Path) -> None:
    """The second of two readings that was lost is taken again: the first is that of before the backup."""
    sheet(tmp_path / "sheet.xlsx")
    fill = [
        {"characteristic": "bore", "positions": ["top"], "reading": 1, "id": "F5:F16"},
        {"characteristic": "bore", "positions": ["top"], "reading": 2, "id": "G5:G16"},
    ]
    first, lost = record(1, position="top"), record(2, position="top")
    again = of(NEW, 3, position="top")
    await deliver(tmp_path, first, lost, fill=fill)
    await deliver(tmp_path, went_on(EPOCH, NEW, 2), again, fill=fill)
    assert values(tmp_path / "sheet.xlsx", "F5:G5") == [f"{EPOCH}-1", f"{NEW}-3"]

"""What the tests of CSV files share: one made, filled, and read back as an outside reader does."""

from __future__ import annotations

import csv
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from gaugepost.contract import Outcome, Publication, StationFacts
from gaugepost_adapters.destinations.csv_file import CsvFile, CsvSettings

BERLIN = ZoneInfo("Europe/Berlin")


def make(folder: Path, **settings: Any) -> CsvFile:
    return CsvFile(CsvSettings(**settings), StationFacts("bench 1", BERLIN, folder))


@asynccontextmanager
async def opened(folder: Path, **settings: Any) -> AsyncIterator[CsvFile]:
    destination = make(folder, **settings)
    await destination.open()
    try:
        yield destination
    finally:
        await destination.close()


async def deliver(folder: Path, batch: Sequence[Publication], **settings: Any) -> Outcome:
    async with opened(folder, **settings) as destination:
        return await destination.deliver(batch, "key")


def rows(path: Path, delimiter: str = ",") -> list[dict[str, str]]:
    """Read a file as an outside reader does; every row has as many cells as the header."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        header, *found = csv.reader(file, delimiter=delimiter, strict=True)
    return [dict(zip(header, cells, strict=True)) for cells in found]


def sequences(path: Path) -> list[int]:
    return [int(row["sequence"]) for row in rows(path)]


def files(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.csv"))


def every_id(folder: Path) -> list[str]:
    """Every id in any file, in the order of their sequences."""
    found = [row["id"] for path in files(folder) for row in rows(path)]
    return sorted(found, key=lambda name: int(name.rpartition("-")[2]))

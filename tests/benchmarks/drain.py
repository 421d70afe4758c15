"""How fast one destination of CSV files takes a backlog from the journal, against the plain writing of such a file."""

from __future__ import annotations

import asyncio
import csv
import os
import statistics
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, suppress
from pathlib import Path
from zoneinfo import ZoneInfo

from gaugepost.contract import COLUMNS, StationFacts
from gaugepost.core.publication import publish
from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost_adapters.destinations.csv_file import CsvFile
from tests.benchmarks.figures import Figure, scratch
from tests.edge.readings import reading

BACKLOG, BATCH, ROUNDS = 50_000, 500, 3
GOAL = 5000


def figures() -> Iterator[Figure]:
    """Deliver the whole backlog anew in each round."""
    plain, ours = [], []
    with scratch() as folder:
        with closing(Journal.open(folder / "journal.db", "bench 1")) as journal:
            for first in range(1, BACKLOG + 1, 1000):
                journal.append([reading(number) for number in range(first, first + 1000)])
        with closing(Reader(folder)) as reader:
            batch = [publish(entry, reader.epoch, reader.station) for entry in reader.entries(0, BATCH)]
            for at in range(ROUNDS):
                (folder / str(at)).mkdir()
                plain.append(_taken(lambda: _plain(batch, folder / f"{at}.csv")))  # noqa: B023
                ours.append(_taken(lambda: asyncio.run(_drained(reader, folder / str(at)))))  # noqa: B023
    rates, costs = zip(
        *(map(statistics.median, zip(*runs, strict=True)) for runs in (ours, plain)), strict=True
    )
    against = "csv.DictWriter, as many syncs"
    yield Figure(
        f"rows a second, {BACKLOG} waiting",
        rates[0],
        "/s",
        rates[1],
        against,
        f"at least {GOAL}/s",
        rates[0] >= GOAL,
    )
    yield Figure("processor's time for a row", costs[0], "µs", costs[1], against)


def _taken(work: Callable[[], object]) -> tuple[float, float]:
    """Return rows a second, and µs of the processor for a row."""
    begun, used = time.perf_counter(), time.process_time()
    work()
    took, used = time.perf_counter() - begun, time.process_time() - used
    return BACKLOG / took, used / BACKLOG * 1e6


def _plain(batch: Sequence[Mapping[str, object]], path: Path) -> None:
    """Write as many rows with the standard library alone."""
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for _ in range(BACKLOG // BATCH):
            writer.writerows(batch)
            file.flush()
            os.fsync(file.fileno())


async def _drained(reader: Reader, folder: Path) -> None:
    """Deliver everything that the journal holds."""
    destination = CsvFile(CsvFile.Settings(), StationFacts("bench 1", ZoneInfo("UTC"), folder))
    with closing(Cursors(folder / "deliveries.db", first_start=True)) as cursors:
        delivery = Delivery(
            "sheet",
            destination,
            reader,
            cursors,
            Growth(BACKLOG),
            PUBLISHED_KINDS,
            kind="csv_file",
            utc_ms=lambda: 0,
        )
        task = asyncio.create_task(delivery.run())
        assert await delivery.drain(600)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task

"""Kills: a daemon's journal, delivery and CSV files under load, killed again and again, and every record accounted for.

Run as a program, this file is what gets killed: it journals readings in bursts and delivers them, both for real.
"""

from __future__ import annotations

import asyncio
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing, suppress
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gaugepost.contract import StationFacts
from gaugepost.core.publication import publish
from gaugepost.core.record import Kind, Record
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost_adapters.destinations.csv_file import CsvFile, CsvSettings
from tests.contract.csv_bench import every_id, files, rows
from tests.fault.shim import SYNCS, WRITES, Shim

KILLS = 24
LOTS = (None, "L-1", "L-2", "=1+1", "süd")


def reading(number: int) -> Record:
    value = Decimal(number % 41 - 20).scaleb(-4)
    return Record(
        kind=Kind.CHECK if number % 5 == 0 else Kind.READING,
        measured_at=1_760_000_000_000 + number * 40_000,
        clock_ms=number,
        lot=LOTS[number % len(LOTS)],
        characteristic=f"D{number % 3}",
        piece=str(number),
        value_mm=40 + value,
        deviation=value,
        text='a "quoted"\nnote' if number % 11 == 0 else None,
        raw=bytes(range(number % 40)),
    )


async def serve(folder: Path, file_by: str, records: int) -> None:
    """Journal bursts until the journal holds `records`, deliver all of it, and end; most runs are killed before."""
    journal = Journal.open(folder / "journal.db", "bench 1")
    growth = Growth(journal.sequence)
    cursors = Cursors(folder / "deliveries.db", first_start=journal.sequence == 0)
    assert cursors.finding == ""
    settings = CsvSettings.model_validate({"file_by": file_by})
    destination = CsvFile(settings, StationFacts("bench 1", ZoneInfo("Europe/Berlin"), folder))
    dice = random.Random(journal.sequence)
    with closing(journal), closing(cursors), closing(Reader(folder / "journal.db")) as reader:
        delivery = Delivery(
            "charts", destination, reader, cursors, growth, [Kind.READING], kind="csv_file", utc_ms=lambda: 0
        )
        task = asyncio.create_task(delivery.run())
        while (room := records - journal.sequence) > 0:
            burst = [
                reading(journal.sequence + n + 1) for n in range(min(room, dice.choice([1, 1, 3, 40, 600])))
            ]
            growth.grow((await asyncio.to_thread(journal.append, burst))[-1].sequence)
            print(growth.head, flush=True)
            await asyncio.sleep(dice.choice([0, 0, 0.002, 0.01]))
        assert await delivery.drain(60)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def start(folder: Path, file_by: str, records: int, **environment: str) -> subprocess.Popen[str]:
    root = Path(__file__).parents[2]
    return subprocess.Popen(
        [sys.executable, "-m", "tests.crash.test_csv_kill", str(folder), file_by, str(records)],
        cwd=root,
        env={**os.environ, **environment},
        stdout=subprocess.PIPE,
        text=True,
    )


def account(folder: Path) -> int:
    """Hold every file against the journal: each reading once, in order, as published. Return how many."""
    with closing(Reader(folder / "journal.db")) as reader:
        expected = {
            str(published["id"]): published
            for entry in reader.replay(kinds=[Kind.READING])
            for published in [publish(entry, reader.epoch, reader.station)]
        }
    assert every_id(folder) == list(expected)
    for path in files(folder):
        found = rows(path)
        order = [int(row["sequence"]) for row in found]
        assert order == sorted(order)
        for row in found:
            record = expected[row["id"]]
            assert {name: row[name] for name in ("hash", "value_mm", "deviation", "measured_at", "raw")} == {
                name: record[name] for name in ("hash", "value_mm", "deviation", "measured_at", "raw")
            }
    return len(expected)


@pytest.mark.attack
@pytest.mark.parametrize("file_by", ["one", "lot", "characteristic"])
def test_killed_under_load_every_reading_is_there_once(tmp_path: Path, file_by: str) -> None:
    """Killed 24 times while it journals and writes rows, the files hold every journalled reading once, in order.

    The files are held against the journal after the last run only: until then a row may be torn, which is no loss.
    """
    dice = random.Random(file_by)
    acknowledged, deaths = list[int](), Counter[int]()
    for _ in range(KILLS):
        with start(tmp_path, file_by, 10_000_000) as child:
            assert child.stdout
            for _ in range(dice.randint(1, 12)):
                acknowledged.append(int(child.stdout.readline()))
            time.sleep(dice.choice([0, 0.001, 0.005]))
            child.send_signal(signal.SIGKILL)
            deaths[child.wait(60)] += 1
    assert deaths == {-signal.SIGKILL: KILLS}
    assert acknowledged == sorted(set(acknowledged))  # nothing acknowledged was lost from the journal either
    last = acknowledged[-1] + 1000
    with start(tmp_path, file_by, last) as child:
        child.communicate(timeout=120)
        assert child.returncode == 0
    assert account(tmp_path) == last - last // 5


@pytest.mark.attack
@pytest.mark.parametrize("let_through", [0, 1, 40, 200, 900, 4096, 20_000])
def test_killed_within_a_write_no_row_stays_torn(tmp_path: Path, let_through: int) -> None:
    """Killed when only so many bytes of a write have reached the file, the next start completes it."""
    shim = Shim(tmp_path / "shim")
    (tmp_path / "shim").mkdir(exist_ok=True)
    data = tmp_path / "data"
    data.mkdir()
    for after in (0, 2, 5):
        shim.inject([f"write */csv/*.csv short={let_through} kill=1 after={after}"])
        with start(data, "lot", 10_000_000, **shim.env()) as child:
            child.communicate(timeout=120)
            assert child.returncode == -signal.SIGKILL
    with closing(Reader(data / "journal.db")) as reader:
        head = reader.head()[0]
    with start(data, "lot", head + 10) as child:
        child.communicate(timeout=120)
        assert child.returncode == 0
    assert account(data) > 0


@pytest.mark.attack
def test_rows_are_synced_before_the_cursor_moves(tmp_path: Path) -> None:
    """Rows, and the directory that names a new file, are synced before anything later is written about them."""
    (tmp_path / "shim").mkdir()
    shim = Shim(tmp_path / "shim")
    data = tmp_path / "data"
    data.mkdir()
    with start(data, "one", 300, **shim.env()) as child:
        child.communicate(timeout=120)
        assert child.returncode == 0
    events = shim.events()
    file, cursors = str(data / "csv" / "records.csv"), str(data / "deliveries.db-wal")
    written = [e for e in events if e.call in WRITES and e.target == file]
    assert written
    for event in written:
        synced = min(
            e.end_ns for e in events if e.call in SYNCS and e.target == file and e.begin_ns >= event.end_ns
        )
        # The next thing said about deliveries is that these rows are held; it must come after.
        moved = min(e.begin_ns for e in events if e.target == cursors and e.begin_ns >= event.end_ns)
        assert synced <= moved
    first_moved = min(e.begin_ns for e in events if e.target == cursors and e.begin_ns >= written[0].end_ns)
    named = [e.end_ns for e in events if e.call in SYNCS and e.target == str(data / "csv")]
    assert min(named) <= first_moved
    account(data)


if __name__ == "__main__":
    asyncio.run(serve(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])))

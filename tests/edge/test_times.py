"""A period is found by the table of times as it is without it, whoever wrote the journal and whatever the clock did."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.record import Entry
from gaugepost.edge.journal import Journal, Reader, examine, times, writer
from tests.edge.readings import reading

STATION = "bench-3"
PERIODS: list[dict[str, Any]] = [
    {"since_ms": since, "until_ms": until}
    for since in (None, -5, 0, 4_000, 20_500, 50_000, 10**7)
    for until in (None, -5, 4_001, 20_501, 30_000, 10**7)
]


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have few records fill a row, and a copy of the log after each few commits."""
    monkeypatch.setattr(times, "EACH", 7)
    monkeypatch.setattr(times, "MOST_ADDED", 20)
    monkeypatch.setattr(writer, "CHECKPOINT_COMMITS", 3)


def _append(journal: Journal, count: int, chance: random.Random) -> None:
    """Add records as a wall clock would time them that is put right now and then, forward or back."""
    while count > 0:
        begun, some = chance.choice((journal.sequence * 100, 0, -10, 60_000)), chance.randint(1, 12)
        journal.append([reading(n, measured_at=begun + 100 * n) for n in range(some)])
        count -= some


def _held(folder: Path) -> None:
    """Hold every period's answers against a walk over all records."""
    with closing(Reader(folder)) as reader:
        entries = list(reader.replay())
        for period in PERIODS:
            since, until = period["since_ms"], period["until_ms"]
            meant = [entry for entry in entries if _within(entry, since, until)]
            assert list(reader.replay(**period)) == meant, period
            assert reader.latest(5, **period) == meant[-5:], period
            first, last = reader.span(since, until)
            ends = (meant[0].sequence, meant[-1].sequence) if meant else (1, 0)
            assert first == ends[0], period
            assert last == (ends[1] if until is not None or not meant else entries[-1].sequence), period


def _within(entry: Entry, since: int | None, until: int | None) -> bool:
    at = entry.record.measured_at
    return (since is None or at >= since) and (until is None or at < until)


def _rows(folder: Path) -> list[tuple[int, int, int]]:
    with closing(sqlite3.connect(folder / "journal.db")) as db:
        return db.execute("SELECT last, earliest, latest FROM times ORDER BY last").fetchall()


@pytest.mark.parametrize("seed", range(4))
def test_a_period_is_found_wherever_the_clock_jumped(tmp_path: Path, seed: int) -> None:
    """The table grows with the journal, and what it does not reach yet is found too."""
    chance = random.Random(seed)
    with closing(Journal.open(tmp_path / "journal.db", STATION)) as journal:
        for _ in range(4):
            _append(journal, 60, chance)
            _held(tmp_path)
        rows, head = _rows(tmp_path), journal.sequence
    assert len(rows) > 20
    assert head - 3 * 12 - times.EACH < rows[-1][0] <= head
    assert all(after[0] - before[0] >= times.EACH for before, after in pairwise(rows))
    assert examine(tmp_path).sound


def test_a_journal_of_an_earlier_program_gets_the_table(tmp_path: Path) -> None:
    """What an earlier program wrote, all of it or in between, is found by a reader alone and told of after a start."""
    chance = random.Random(7)
    file = tmp_path / "journal.db"
    with closing(Journal.open(file, STATION)) as journal:
        _append(journal, 150, chance)
    whole = _rows(tmp_path)
    for undo in ("DROP TABLE times", "DELETE FROM times WHERE last > 50"):
        with closing(sqlite3.connect(file)) as db:
            db.execute(undo)
            db.commit()
        _held(tmp_path)
        assert examine(tmp_path).sound
        Journal.open(file, STATION).close()
        rows = _rows(tmp_path)
        assert rows[-1][0] > whole[-1][0] - times.EACH
        _held(tmp_path)


def test_what_was_taken_out_is_not_found(tmp_path: Path) -> None:
    """Rows outlive records that went into an archive, all but one: a period is found among what is there."""
    with closing(Journal.open(tmp_path / "journal.db", STATION)) as journal:
        _append(journal, 150, random.Random(3))
    with closing(sqlite3.connect(tmp_path / "journal.db")) as db:
        db.execute("DELETE FROM records WHERE sequence <= 90 AND sequence <> 20")
        db.commit()
    _held(tmp_path)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE times SET latest = latest - 1 WHERE last = (SELECT max(last) FROM times)",
        "UPDATE times SET earliest = earliest + 1 WHERE last = (SELECT min(last) FROM times)",
        "DELETE FROM times WHERE last = (SELECT last FROM times WHERE latest = (SELECT max(latest) FROM times))",
    ],
)
def test_a_table_that_would_hide_records_is_found(tmp_path: Path, change: str) -> None:
    """`verify` holds every record against the row that tells of it."""
    with closing(Journal.open(tmp_path / "journal.db", STATION)) as journal:
        journal.append([reading(n, measured_at=5000 * (10 < n < 14) + n) for n in range(100)])
    Journal.open(tmp_path / "journal.db", STATION).close()
    assert len(_rows(tmp_path)) == 14
    assert examine(tmp_path).sound
    with closing(sqlite3.connect(tmp_path / "journal.db")) as db:
        db.execute(change)
        db.commit()
    report = examine(tmp_path)
    assert not report.sound
    assert "other times than the table of times says" in report.findings[0]

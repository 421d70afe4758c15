"""What was appended is there, in its order, for every reader; and a journal opens for its own station alone."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from gaugepost.core.errors import JournalError, ValueRefused
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.journal.codec import anchor, chained, encode
from gaugepost.edge.journal.writer import CHECKPOINT_COMMITS, LOG_KEPT_BYTES
from tests.edge.readings import reading


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[Journal]:
    made = Journal.open(tmp_path / "data" / "journal.db", "bench-3")
    yield made
    made.close()


@pytest.fixture
def reader(journal: Journal) -> Iterator[Reader]:
    made = Reader(journal.path)
    yield made
    made.close()


def _set_up(**changes: Any) -> Record:
    return Record(kind=Kind.SET_UP, measured_at=5, clock_ms=5, document="{}" * 9000, **changes)


def test_entries_follow_the_chain(journal: Journal, reader: Reader) -> None:
    """Sequence counts from 1, and each hash rests on the one before, from the anchor on."""
    records = [_set_up(), reading(1), reading(2)]
    assert (journal.sequence, journal.head) == (0, anchor(journal.epoch, "bench-3")) == reader.head()
    written = journal.append(records[:1]) + journal.append(records[1:])
    head = anchor(journal.epoch, "bench-3")
    for sequence, record in enumerate(records, start=1):
        head = chained(head, sequence, encode(record))
        assert (written[sequence - 1].sequence, written[sequence - 1].hash) == (sequence, head)
    assert (journal.sequence, journal.head) == (3, head) == reader.head()
    assert reader.entries() == written
    assert journal.append([]) == []


def test_a_journal_goes_on_where_it_ended(tmp_path: Path) -> None:
    """A restart keeps epoch, sequence and head, and a clean end leaves one file and the lock."""
    path = tmp_path / "journal.db"
    first = Journal.open(path, "bench-3")
    first.append([reading(1)])
    first.close()
    first.close()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["journal.db", "journal.db.lock"]
    again = Journal.open(path, "bench-3")
    assert (again.epoch, again.sequence, again.head) == (first.epoch, 1, first.head)
    assert again.append([reading(2)])[0].sequence == 2
    again.close()


def test_a_second_daemon_is_kept_out_by_name(journal: Journal) -> None:
    """Two daemons never write one journal, and the second is told who has it."""
    with pytest.raises(JournalError, match=rf"process {os.getpid()}\).*stop that one"):
        Journal.open(journal.path, "bench-3")
    journal.close()
    Journal.open(journal.path, "bench-3").close()


def test_another_station_s_journal_is_refused(journal: Journal) -> None:
    """Records of two stations never get into one chain."""
    journal.close()
    with pytest.raises(JournalError, match="'bench-3', not of 'bench-4'"):
        Journal.open(journal.path, "bench-4")
    Journal.open(journal.path, "bench-3").close()


@pytest.mark.parametrize("change", ["PRAGMA user_version = 4", "UPDATE journal SET format = 2"])
def test_a_newer_journal_is_refused_and_left_alone(journal: Journal, change: str) -> None:
    """After going back to an older version, nothing is misread or overwritten."""
    journal.close()
    _sql(journal.path, change)
    before = journal.path.read_bytes()
    with pytest.raises(JournalError, match="newer version"):
        Journal.open(journal.path, "bench-3")
    with pytest.raises(JournalError, match="newer version"):
        Reader(journal.path)
    assert journal.path.read_bytes() == before


OTHERS = [
    ["PRAGMA application_id = 7"],
    ["DELETE FROM journal"],
    ["UPDATE journal SET epoch = 'today'"],
    [
        "DROP TABLE journal",
        "CREATE TABLE journal (epoch, station, format)",
        "INSERT INTO journal VALUES ('', NULL, 1)",
    ],
]


@pytest.mark.parametrize("changes", OTHERS)
def test_what_is_no_journal_of_ours_is_left_alone(journal: Journal, changes: list[str]) -> None:
    """Somebody else's database, or one that doesn't say whose it is, is neither read nor written."""
    journal.close()
    _sql(journal.path, *changes)
    before = journal.path.read_bytes()
    with pytest.raises(JournalError, match=r"not a journal|whose journal"):
        Journal.open(journal.path, "bench-3")
    with pytest.raises(JournalError, match=r"not a journal|whose journal"):
        Reader(journal.path)
    assert journal.path.read_bytes() == before


def test_files_that_are_no_database_are_left_alone(tmp_path: Path) -> None:
    """A file that only has the name is not overwritten, and what is missing is said."""
    path = tmp_path / "journal.db"
    path.write_text("shopping list\n" * 400)
    with pytest.raises(JournalError, match="not a database"):
        Journal.open(path, "bench-3")
    with pytest.raises(JournalError, match="not a database"):
        Reader(path)
    with pytest.raises(JournalError, match="no journal at"):
        Reader(tmp_path / "nowhere")
    assert path.read_text().startswith("shopping list")


def test_a_first_start_that_was_cut_short_is_made_good(tmp_path: Path) -> None:
    """A power cut between making the file and its tables leaves a blank file, which the next start fills."""
    path = tmp_path / "journal.db"
    path.touch()
    Journal.open(path, "bench-3").close()
    path.unlink()
    _sql(path, "PRAGMA journal_mode = WAL")
    journal = Journal.open(path, "bench-3")
    assert journal.append([reading()])[0].sequence == 1
    journal.close()


def test_a_record_that_cannot_be_written_takes_nothing_with_it(journal: Journal, reader: Reader) -> None:
    """One impossible record writes nothing, and the others can be written without it."""
    with pytest.raises(ValueRefused):
        journal.append([reading(1), reading(2, operator="\ud800")])
    assert (journal.sequence, reader.head()[0]) == (0, 0)
    assert journal.append([reading(1)])[0].sequence == 1


def test_questions_are_answered_by_every_filter(journal: Journal, reader: Reader) -> None:
    """Each filter, and any two of them, give what a look at every record gives."""
    records = [_set_up(gauge="bore-1", lot="L1")]
    for number in range(1, 400):
        jump = -3_600_000 if number % 50 == 0 else 0  # the wall clock goes back now and then
        records.append(
            reading(
                number,
                measured_at=1_000_000 + number * 1000 + jump,
                gauge=f"bore-{number % 3}",
                kind=Kind.CHECK if number % 7 == 0 else Kind.READING,
                characteristic=None if number % 5 == 0 else f"c{number % 2}",
            )
        )
    written = journal.append(records)
    filters: list[dict[str, Any]] = [
        {},
        {"kinds": [Kind.CHECK]},
        {"kinds": ["check", "set-up", "never"]},
        {"kinds": []},
        {"gauge": "bore-1"},
        {"gauge": "bore-9"},
        {"characteristic": "c1"},
        {"lot": "L1"},
        {"piece": "P0003"},
        {"since_ms": 1_100_000},
        {"until_ms": 1_150_000},
        {"since_ms": 1_100_000, "until_ms": 1_150_000},
    ]
    for one in filters:
        for other in filters:
            wanted = {**one, **other}
            expected = [e for e in written if _meets(e.record, wanted)]
            assert list(reader.replay(**wanted)) == expected
            assert reader.entries(limit=10, **wanted) == expected[:10]
            assert (
                reader.entries(after=60, limit=10, **wanted) == [e for e in expected if e.sequence > 60][:10]
            )
            assert reader.latest(10, **wanted) == expected[-10:]
    assert reader.entry(3) == written[2]
    assert reader.entry(401) is None


def test_a_period_is_asked_for_while_the_journal_grows(
    journal: Journal, reader: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is added after a question is in the next answer, wherever the wall clock jumped in between."""
    periods: list[dict[str, Any]] = [
        {"since_ms": since, "until_ms": until}
        for since in (None, 5_000, 90_000)
        for until in (None, 5_000, 60_000)
    ]
    written: list[Entry] = []
    for number, at_ms in enumerate((40_000, 41_000, 4_000, 95_000, 42_000, 3_000, 50_000, 99_000, 1_000)):
        monkeypatch.setattr("gaugepost.edge.journal.times.MOST_ADDED", number % 3)
        written += journal.append(
            [reading(number, measured_at=at_ms + more) for more in range(number % 3 + 1)]
        )
        for wanted in periods if number != 5 else ():
            expected = [entry for entry in written if _meets(entry.record, wanted)]
            assert list(reader.replay(**wanted)) == reader.entries(**wanted) == expected
            assert reader.latest(3, **wanted) == expected[-3:]


def test_some_fields_are_asked_for_alone(journal: Journal, reader: Reader) -> None:
    """Whoever needs a few fields of many records gets those, in every kind of question."""
    journal.append([reading(number) for number in range(20)])
    for found in (
        reader.entries(limit=10, only=("value", "verdict")),
        reader.latest(10, only=("value", "verdict"), gauge="bore-1"),
        list(reader.replay(only=("value", "verdict"))),
    ):
        assert found
        for entry in found:
            whole = reader.entry(entry.sequence)
            assert whole is not None
            assert (entry.hash, entry.record.value) == (whole.hash, whole.record.value)
            assert (entry.record.verdict, entry.record.measured_at) == ("in-limits", whole.record.measured_at)


def _meets(record: Record, wanted: dict[str, Any]) -> bool:
    kinds, since, until = wanted.get("kinds"), wanted.get("since_ms"), wanted.get("until_ms")
    return (
        all(
            getattr(record, n) == wanted[n]
            for n in ("gauge", "characteristic", "lot", "piece")
            if n in wanted
        )
        and (not isinstance(kinds, list) or record.kind in kinds)
        and (not isinstance(since, int) or record.measured_at >= since)
        and (not isinstance(until, int) or record.measured_at < until)
    )


def test_a_replay_is_whole_over_many_pages(journal: Journal, reader: Reader) -> None:
    """Start-up sees every record once, in order, however many there are."""
    written = [
        entry
        for start in range(0, 2500, 500)
        for entry in journal.append([reading(start + i) for i in range(500)])
    ]
    assert list(reader.replay()) == written
    assert [e.sequence for e in reader.replay(after=1999, lot="L50")] == [2001 + i for i in range(40)]


def test_many_threads_read_while_one_writes(journal: Journal, reader: Reader) -> None:
    """A reader always sees whole commits, in order, and never holds the writer up or is held up."""
    ended = threading.Event()

    def read() -> int:
        seen = 0
        while not ended.is_set() or seen < 600:
            for entry in reader.entries(after=seen):
                assert entry.sequence == seen + 1
                seen += 1
            assert reader.head()[0] % 3 == 0
        return seen

    with ThreadPoolExecutor(4) as pool:
        readings = [pool.submit(read) for _ in range(4)]
        for number in range(0, 600, 3):
            journal.append([reading(number), reading(number + 1), reading(number + 2)])
        ended.set()
        assert [done.result() for done in readings] == [600] * 4


def test_the_log_beside_the_journal_stays_small(journal: Journal, reader: Reader) -> None:
    """The log is copied and begun anew while readers come and go; after one held on for long, it is cut back."""
    log = Path(f"{journal.path}-wal")
    for number in range(600):
        journal.append([reading(number)])
        reader.head()
    assert log.stat().st_size < 10 << 20
    with reader.connection() as db:
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM records").fetchone()
        while log.stat().st_size < 20 << 20:
            journal.append([reading(number)])
        db.execute("COMMIT")
    for number in range(2 * CHECKPOINT_COMMITS):
        journal.append([reading(number)])
    assert log.stat().st_size <= LOG_KEPT_BYTES


def test_a_reading_fits_its_space(tmp_path: Path) -> None:
    """A reading takes at most 400 bytes of disk: raw bytes, hash and indexes, all that can be known of it."""
    judged = {
        "conformity": "conformity verified",
        "probability": Decimal("0.973211"),
        "uncertainty_mm": Decimal("0.00211"),
        "coverage_factor": Decimal("2.00"),
    }
    journal = Journal.open(tmp_path / "journal.db", "bench-3")
    for start in range(0, 10_000, 1000):
        journal.append([reading(start + i, **judged) for i in range(1000)])
    journal.close()
    assert journal.path.stat().st_size / 10_000 <= 400


def test_a_closed_reader_says_so(reader: Reader) -> None:
    """Using a reader after its end is an error in words, not a crash."""
    reader.close()
    with pytest.raises(JournalError, match="was closed"):
        reader.head()


def _sql(path: Path, *statements: str) -> None:
    db = sqlite3.connect(path, isolation_level=None)
    for statement in statements:
        db.execute(statement)
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()

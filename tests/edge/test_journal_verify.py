"""Whatever is changed in a journal, `examine` finds it; and it finds nothing where nothing was changed."""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.core.errors import JournalError
from gaugepost.core.record import Kind, Record
from gaugepost.edge.journal import Journal, Reader, Report, examine
from gaugepost.edge.journal.codec import chained, encode
from tests.edge.readings import reading

COUNT = 12


@pytest.fixture
def sound(tmp_path: Path) -> Path:
    """A closed journal of a dozen records."""
    path = tmp_path / "sound" / "journal.db"
    journal = Journal.open(path, "bench-3")
    journal.append([Record(kind=Kind.SET_UP, measured_at=1, clock_ms=1, document="{}" * 4000)])
    journal.append([reading(number) for number in range(COUNT - 1)])
    journal.close()
    return path


@pytest.fixture
def copy(sound: Path, tmp_path: Path) -> Iterator[sqlite3.Connection]:
    """A copy to tamper with, in tmp_path / "journal.db"."""
    shutil.copy(sound, tmp_path / "journal.db")
    db = sqlite3.connect(tmp_path / "journal.db", isolation_level=None)
    yield db
    db.close()


def _heads(path: Path) -> dict[int, bytes]:
    reader = Reader(path)
    heads = {entry.sequence: entry.hash for entry in reader.replay()}
    reader.close()
    return heads


def test_a_journal_that_nobody_touched_is_sound(sound: Path) -> None:
    """Nothing is found where nothing is wrong, and the report says what there is."""
    report = examine(sound)
    assert (report.findings, report.faults, report.count, report.sequence) == ([], 0, COUNT, COUNT)
    assert (report.earliest_ms, report.latest_ms) == (1, reading(COUNT - 2).measured_at)
    assert report.head == _heads(sound)[COUNT]
    assert examine(sound.parent).sound


def test_every_flipped_byte_of_a_record_is_found(copy: sqlite3.Connection, tmp_path: Path) -> None:
    """No byte of a body or of a hash can change unseen."""
    rows = copy.execute("SELECT sequence, hash, body FROM records WHERE sequence = 7").fetchall()
    for sequence, digest, body in rows:
        for column, data in (("hash", digest), ("body", body)):
            for at in range(len(data)):
                flipped = bytes([*data[:at], data[at] ^ (1 << at % 8), *data[at + 1 :]])
                copy.execute(f"UPDATE records SET {column} = ? WHERE sequence = ?", (flipped, sequence))  # noqa: S608
                report = examine(tmp_path)
                assert not report.sound
                assert f"record {sequence}" in report.findings[0]
                copy.execute(f"UPDATE records SET {column} = ? WHERE sequence = ?", (data, sequence))  # noqa: S608
    assert examine(tmp_path).sound


CHANGES = {
    "a record taken out": ("DELETE FROM records WHERE sequence = 5", "record 5 is missing"),
    "two taken out": ("DELETE FROM records WHERE sequence IN (5, 6)", "records 5 to 6 are missing"),
    "the first taken out": ("DELETE FROM records WHERE sequence = 1", "record 1 is missing"),
    "a sequence moved": (
        "UPDATE records SET sequence = 99 WHERE sequence = 12",
        "records 12 to 98 are missing",
    ),
    "a sequence below the first": (
        "UPDATE records SET sequence = -3 WHERE sequence = 4",
        "record -3 stands before",
    ),
    "a hash of another type": (
        "UPDATE records SET hash = 5 WHERE sequence = 4",
        "record 4 has no hash or no body",
    ),
    "a body of another type": (
        "UPDATE records SET body = 'x' WHERE sequence = 4",
        "record 4 has no hash or no body",
    ),
    "a short hash": ("UPDATE records SET hash = x'00' WHERE sequence = 4", "record 4 was changed"),
    "another station's name": ("UPDATE journal SET station = 'bench-4'", "record 1 was changed"),
    "another epoch": (
        "UPDATE journal SET epoch = '6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11'",
        "record 1 was changed",
    ),
    "a time": (
        "UPDATE records SET measured_at = 0 WHERE sequence = 4",
        "record 4 is filed wrongly under measured_at",
    ),
    "a piece": (
        "UPDATE records SET piece = 'P9' WHERE sequence = 4",
        "record 4 is filed wrongly under piece",
    ),
    "a kind": ("UPDATE records SET kind = 77 WHERE sequence = 4", "record 4 is filed wrongly under kind"),
    "a lot": ("UPDATE records SET lot = NULL WHERE sequence = 4", "record 4 is filed wrongly under lot"),
    "a gauge that is not there": (
        "UPDATE records SET gauge = 77 WHERE sequence = 1",
        "filed wrongly under a name",
    ),
    "a name": (
        "UPDATE names SET name = 'bore-2' WHERE name = 'bore-1'",
        "record 2 is filed wrongly under gauge",
    ),
    "a name that is no text": (
        "UPDATE names SET name = CAST(x'ff' AS TEXT) WHERE name = 'bore-1'",
        "record 2 is filed wrongly under gauge",
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_every_kind_of_change_is_found_and_named(
    copy: sqlite3.Connection, tmp_path: Path, change: str
) -> None:
    """Records taken out, moved or filed wrongly are told by sequence."""
    statement, finding = CHANGES[change]
    copy.execute(statement)
    report = examine(tmp_path)
    assert not report.sound
    assert any(finding in told for told in report.findings), report.findings


@pytest.mark.parametrize("one", range(1, COUNT))
def test_swapped_records_are_found(copy: sqlite3.Connection, tmp_path: Path, one: int) -> None:
    """Two neighbours can't change places, with their hashes or without."""
    rows = copy.execute("SELECT * FROM records WHERE sequence IN (?, ?)", (one, one + 1)).fetchall()
    copy.execute("DELETE FROM records WHERE sequence IN (?, ?)", (one, one + 1))
    for row, sequence in zip(rows, (one + 1, one), strict=True):
        copy.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", (sequence, *row[1:]))
    assert not examine(tmp_path).sound


def test_an_index_that_leaves_a_record_out_is_found(copy: sqlite3.Connection, tmp_path: Path) -> None:
    """A record that no question would find is found by `examine`: SQLite's indexes are held against the rows."""
    (text,) = copy.execute("SELECT sql FROM sqlite_master WHERE name = 'records_gauge'").fetchone()
    copy.execute("PRAGMA writable_schema = ON")
    copy.execute("UPDATE sqlite_master SET sql = sql || ' AND sequence <> 5' WHERE name = 'records_gauge'")
    copy.close()
    with sqlite3.connect(tmp_path / "journal.db") as changed:
        changed.execute("REINDEX records_gauge")
        changed.execute("PRAGMA writable_schema = ON")
        changed.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'records_gauge'", (text,))
    changed.close()
    report = examine(tmp_path)
    assert not report.sound
    assert any("records_gauge" in told for told in report.findings), report.findings


def _rewritten(db: sqlite3.Connection, after: int, previous: bytes) -> None:
    """Write every record after `after` anew, with another value and hashes that fit, as a skilled forger would."""
    for sequence in range(after + 1, COUNT + 1):
        record = reading(sequence, value_mm=reading().lower)
        body = encode(record)
        previous = chained(previous, sequence, body)
        db.execute("DELETE FROM records WHERE sequence = ?", (sequence,))
        found = [
            db.execute("SELECT number FROM names WHERE name = ?", (name,)).fetchone()[0]
            for name in (record.kind, record.gauge, record.characteristic, record.lot)
        ]
        db.execute(
            "INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (sequence, record.measured_at, *found, record.piece, previous, body),
        )


def test_a_head_noted_earlier_shows_a_rewritten_end(
    sound: Path, copy: sqlite3.Connection, tmp_path: Path
) -> None:
    """A chain that was forged from a record on is sound in itself, and betrayed by any head noted after that record."""
    heads = _heads(sound)
    _rewritten(copy, 6, heads[6])
    assert examine(tmp_path).sound
    assert examine(tmp_path, (6, heads[6])).sound
    for sequence in range(7, COUNT + 1):
        report = examine(tmp_path, (sequence, heads[sequence]))
        assert report.findings == [
            f"record {sequence} doesn't have the hash {heads[sequence].hex()}: the journal was written anew"
        ]


def test_a_head_noted_earlier_shows_a_cut_end(sound: Path, copy: sqlite3.Connection, tmp_path: Path) -> None:
    """A journal whose end is gone is sound in itself, and betrayed by any head noted after the cut."""
    heads = _heads(sound)
    copy.execute("DELETE FROM records WHERE sequence > 8")
    assert examine(tmp_path).sound
    assert examine(tmp_path, (8, heads[8])).sound
    report = examine(tmp_path, (9, heads[9]))
    assert report.findings == [f"record 9 with hash {heads[9].hex()} is gone: the journal ends at record 8"]
    copy.execute("DELETE FROM records")
    assert examine(tmp_path).sound
    assert not examine(tmp_path, (1, heads[1])).sound


def _outcome(path: Path) -> Report | None:
    try:
        return examine(path)
    except JournalError:
        return None


@pytest.mark.attack
def test_damage_anywhere_in_the_file_is_found_or_does_no_harm(sound: Path, tmp_path: Path) -> None:
    """Where a byte of the file itself is flipped, either the journal is not sound, or it reads as it always did."""
    chance = random.Random(1999)
    data, entries = sound.read_bytes(), _heads(sound)
    damaged = tmp_path / "journal.db"
    unsound = 0
    for _ in range(400):
        at = chance.randrange(len(data))
        damaged.write_bytes(data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :])
        report = _outcome(damaged)
        if report is not None and report.sound:
            assert (report.sequence, report.head, _heads(damaged)) == (COUNT, entries[COUNT], entries)
        else:
            unsound += 1
        for suffix in ("-wal", "-shm"):
            Path(f"{damaged}{suffix}").unlink(missing_ok=True)
    assert unsound > 50


def test_a_journal_cut_short_is_not_sound(sound: Path, tmp_path: Path) -> None:
    """A copy that ended halfway is never taken for a journal that is whole."""
    data = sound.read_bytes()
    damaged = tmp_path / "journal.db"
    for pages in range(1, len(data) // 4096):
        damaged.write_bytes(data[: pages * 4096])
        report = _outcome(damaged)
        assert report is None or not report.sound


def test_many_faults_are_counted(copy: sqlite3.Connection, tmp_path: Path) -> None:
    """A file that is wrong throughout is told in a few lines."""
    copy.execute("UPDATE records SET measured_at = 7, piece = 'x', hash = zeroblob(32)")
    report = examine(tmp_path)
    assert len(report.findings) == 20 < report.faults


def test_a_running_station_s_journal_is_examined_as_far_as_it_goes(tmp_path: Path) -> None:
    """Verifying doesn't stop the writer, and what arrives meanwhile does no harm."""
    journal = Journal.open(tmp_path / "journal.db", "bench-3")
    journal.append([reading(number) for number in range(2500)])
    seen: list[tuple[int, int]] = []

    def meanwhile(what: str, done: int, last: int) -> None:
        if what == "verified":
            seen.append((done, last))
        journal.append([reading(9999)])

    report = examine(tmp_path, None, meanwhile)
    journal.close()
    assert report.sound
    assert report.count >= 2500
    assert [last for _, last in seen] == [2500] * 3
    assert [done for done, _ in seen][:2] == [1000, 2000]

"""Journals written by earlier programs read and verify for good, and the same records always give the same bytes."""

from __future__ import annotations

import shutil
from pathlib import Path

from gaugepost.core.record import FIELDS, Record
from gaugepost.edge.journal import Journal, Reader, examine
from gaugepost.edge.journal.codec import anchor, chained, decode, encode
from tests.edge.readings import reading
from tests.journals.shop import BATCHES, EVERY_FIELD, STATION

HERE = Path(__file__).parent
RECORDS: list[Record] = [record for batch in BATCHES for record in batch]


def _expected() -> tuple[str, list[tuple[int, bytes, bytes]]]:
    """The epoch, and (sequence, hash, body) of each record, from the text beside the journal."""
    lines = [
        line for line in (HERE / "format-1.txt").read_text(encoding="utf-8").splitlines() if line[:1] != "#"
    ]
    rows = [line.split() for line in lines[1:]]
    return lines[0].removeprefix("epoch "), [(int(s), bytes.fromhex(h), bytes.fromhex(b)) for s, h, b in rows]


def _journal(directory: Path) -> Path:
    return Path(shutil.copy(HERE / "format-1.db", directory / "journal.db"))


def test_the_same_records_give_the_same_bodies_and_hashes() -> None:
    """Format 1 is what it was: every field has its number, every value its form, and the chain its rule."""
    epoch, expected = _expected()
    head = anchor(epoch, STATION)
    assert len(expected) == len(RECORDS)
    for record, (sequence, digest, body) in zip(RECORDS, expected, strict=True):
        head = chained(head, sequence, body)
        assert (encode(record).hex(), head.hex()) == (body.hex(), digest.hex())
        assert repr(decode(body)) == repr(record)


def test_the_golden_records_use_every_field_there_was() -> None:
    """No field of format 1 up to 59 can change its number or its form unseen."""
    old = [field for field in FIELDS if field.metadata["number"] <= 59]
    assert len(old) == 59
    assert [field.name for field in old if getattr(EVERY_FIELD, field.name) is None] == []


def test_a_journal_of_format_1_is_read_and_verified(tmp_path: Path) -> None:
    """A journal from the first day is whole to today's program."""
    epoch, expected = _expected()
    path = _journal(tmp_path)
    reader = Reader(path)
    entries = list(reader.replay())
    assert (reader.epoch, reader.station) == (epoch, STATION)
    assert [e.sequence for e in reader.replay(gauge="bore-1", lot="L471")] == [4, 5]
    reader.close()
    assert [(e.sequence, e.hash) for e in entries] == [(sequence, digest) for sequence, digest, _ in expected]
    assert repr([e.record for e in entries]) == repr(RECORDS)
    report = examine(path, (3, expected[2][1]))
    assert (report.findings, report.count, report.head) == ([], len(RECORDS), expected[-1][1])


def test_a_journal_of_format_1_is_written_on(tmp_path: Path) -> None:
    """Today's program goes on where the first one ended."""
    epoch, expected = _expected()
    journal = Journal.open(_journal(tmp_path), STATION)
    assert (journal.epoch, journal.sequence, journal.head) == (epoch, len(RECORDS), expected[-1][1])
    journal.append([reading(1)])
    journal.close()
    assert examine(tmp_path, expected[-1][:2]).sound

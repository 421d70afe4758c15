"""Damage on every page of a journal: `verify` finds what it changed, `salvage` keeps what it left whole."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from gaugepost.core.errors import JournalError
from gaugepost.core.indication import Moment
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.journal import Journal, Owner, Reader, examine, salvage
from gaugepost.edge.journal.codec import encode
from tests.bench_tools.journals import entries_of
from tests.edge.readings import reading

pytestmark = pytest.mark.attack

PAGE = 4096
COUNT = 300
FLIPS = 5
"""Flipped bits a page; about 200 in all."""
BEFORE_HASH = 64
"""What of a row lies before its hash: lengths, sequence, columns. Damage there may cost the row."""


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed journal: set-ups of several pages between readings."""
    path = tmp_path_factory.mktemp("sound") / "journal.db"
    journal = Journal.open(path, "bench-3")
    for number in range(COUNT):
        if number % 100 == 0:
            long = random.Random(number).randbytes(number * 50 + 1).hex()  # no two pages alike
            journal.append([Record(kind=Kind.SET_UP, measured_at=1, clock_ms=1, document=long)])
        journal.append([reading(number)])
    journal.close()
    return path


def _verified(path: Path, entries: list[Entry]) -> None:
    """Hold that `examine` finds the damage, unless the journal reads as it always did."""
    try:
        if not examine(path).sound:
            return
    except JournalError:
        return
    assert entries_of(path) == entries, "verify calls sound what was changed"


def _salvaged(path: Path, new: Path, owner: Owner) -> dict[int, Entry]:
    """Salvage, with the journal's name where it no longer says it; return what was kept."""
    now = Moment(1_793_900_000_000, 9, "b")
    try:
        done = salvage(path, new, now, program="0.1.0")
    except JournalError as refused:
        if "add --epoch and --station" not in refused.hint:
            raise
        done = salvage(path, new, now, program="0.1.0", owner=owner)
    report = examine(done.path)
    assert report.sound, report.findings
    return {entry.sequence: entry for entry in entries_of(done.path)[:-1]}


def _spans(data: bytes, entries: list[Entry]) -> dict[int, list[tuple[int, int]]]:
    """Where each record lies in the file, as SQLite wrote it: its row, and the pages that it goes on in."""
    spans = {}
    for entry in entries:
        body, at = encode(entry.record), data.index(entry.hash)
        start = at + 32
        local = 0
        while local < len(body) and data[start + local] == body[local]:
            local += 1
        spans[entry.sequence] = [(at - BEFORE_HASH, start + local + 4)]
        rest = body[local:]
        while rest:
            found = data.index(rest[:4000] if len(rest) > 4000 else rest)
            piece = min(len(rest), PAGE - 4)
            spans[entry.sequence].append((found - 4, found + piece))
            rest = rest[piece:]
    return spans


def test_every_page_flipped_and_zeroed(sound: Path, tmp_path: Path) -> None:
    """Bits flipped on every page, and every page zeroed: all that was not touched is kept, nothing is kept changed."""
    chance = random.Random(20261125)
    data, entries = sound.read_bytes(), entries_of(sound)
    spans = _spans(data, entries)
    reader = Reader(sound)
    owner = Owner(str(reader.epoch), reader.station)
    reader.close()
    pages, kept_in_all = len(data) // PAGE, 0
    assert pages > 40
    damages = [
        (page * PAGE + chance.randrange(PAGE), 1 << chance.randrange(8))
        for page in range(pages)
        for _ in range(FLIPS)
    ]
    for number, (at, bit) in enumerate([*damages, *((page * PAGE, 0) for page in range(pages))]):
        path = tmp_path / f"{number}" / "journal.db"
        path.parent.mkdir()
        touched = (at, at + 1) if bit else (at, at + PAGE)
        changed = bytes([data[at] ^ bit]) if bit else bytes(PAGE)
        path.write_bytes(data[:at] + changed + data[touched[1] :])
        _verified(path, entries)
        for suffix in ("-wal", "-shm"):
            Path(f"{path}{suffix}").unlink(missing_ok=True)
        kept = _salvaged(path, path.parent / "new", owner)
        for entry in entries:
            whole = all(end <= touched[0] or touched[1] <= start for start, end in spans[entry.sequence])
            assert not whole or entry.sequence in kept, f"record {entry.sequence} was whole: {number}, {at}"
        originals = {entry.sequence: entry for entry in entries}
        assert kept.items() <= originals.items(), "something was kept that never was"
        kept_in_all += len(kept)
    assert kept_in_all < len(entries) * (len(damages) + pages), "no damage cost anything: nothing is proven"

"""What SQLite says nothing of is seen in what its thread has read and written."""

from __future__ import annotations

import sqlite3
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from gaugepost.edge.journal import watching
from gaugepost.edge.journal.watching import watched

MB = 1_000_000


def test_bytes_are_told_as_they_come(tmp_path: Path) -> None:
    """Ascending, of this thread alone, never all before the end, and all of them then."""
    told: list[tuple[str, int, int]] = []
    beside = threading.Thread(target=(tmp_path / "beside").write_bytes, args=(bytes(90 * MB),))
    with (
        (tmp_path / "file").open("wb", buffering=0) as file,
        watched("written", 40 * MB, "written anew, MB", lambda *far: told.append(far)),
    ):
        beside.start()
        for _ in range(8):
            file.write(bytes(5 * MB))
            time.sleep(0.15)
        beside.join()
    far = [done for _, done, _ in told]
    assert far == sorted(far)
    assert (far[0], far[-1]) == (0, 40)
    assert {(what, of) for what, _, of in told} == {("written anew, MB", 40)}
    assert {5, 10, 15, 20, 25, 30, 35} & set(far), "and between"
    assert max(far[:-1]) < 40


def test_what_sqlite_does_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file is read through by its check and written three times by being made anew, as its bars reckon."""
    monkeypatch.setattr(watching, "EVERY_S", 0.005)
    path = tmp_path / "file.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA wal_autocheckpoint = 0")
        db.execute("CREATE TABLE records (body BLOB)")
        db.executemany("INSERT INTO records VALUES (?)", [(bytes(3000),)] * 20_000)
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = path.stat().st_size
        read: list[int] = []
        with watched("read", size, "", lambda what, done, of: read.append(done)):
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        written: list[int] = []
        with watched("written", 3 * size, "", lambda what, done, of: written.append(done)):
            db.execute("VACUUM")
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert max(read[:-1]) > 0.5 * size / MB
    assert max(written[:-1]) > 2 * size / MB


def test_what_fails_is_not_told_as_done() -> None:
    """An error goes on to whoever asked; the bar stays where it was."""
    told: list[int] = []
    with (
        pytest.raises(ZeroDivisionError),
        watched("read", 7 * MB, "", lambda what, done, of: told.append(done)),
    ):
        raise ZeroDivisionError
    assert told == [0]


def test_nobody_listens() -> None:
    """Where nobody looks nothing is counted."""
    before = threading.active_count()
    with watched("read", 7 * MB, "", None):
        assert threading.active_count() == before

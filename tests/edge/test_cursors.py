"""Cursors: what is kept is never ahead of what was delivered, and what is lost is only sent again."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from gaugepost.core.errors import Unreachable
from gaugepost.edge.asides import Asides, SetAside
from gaugepost.edge.cursors import Batch, Cursor, Cursors

EPOCH = "0b9ad0d5-5c6e-4f0f-9d51-8a3f3a2f7c11"
OTHER = "6a1c1c42-7c5b-4d0e-8f3a-2f60c1b0a9d3"


@contextmanager
def opened(path: Path, *, first_start: bool = False) -> Iterator[Cursors]:
    with closing(Cursors(path, first_start=first_start)) as cursors:
        yield cursors


def where(
    cursors: Cursors, name: str = "charts", epoch: str = EPOCH, start: str = "beginning", head: int = 90
) -> Cursor:
    assert start in ("beginning", "now")
    return cursors.cursor(name, epoch, start="now" if start == "now" else "beginning", head=head)


def test_a_new_destination_starts_where_it_is_told(tmp_path: Path) -> None:
    """ "beginning" is before the first record; "now" is after the journal's head, and stays there on the next start."""
    with opened(tmp_path / "deliveries.db", first_start=True) as cursors:
        assert cursors.finding == ""
        assert where(cursors, "old") == Cursor(0, None, 0)
        assert where(cursors, "new", start="now", head=90) == Cursor(90, None, 0)
    with opened(tmp_path / "deliveries.db") as cursors:
        assert cursors.finding == ""
        assert where(cursors, "new", start="now", head=200).through == 90


def test_what_was_begun_is_there_after_closing(tmp_path: Path) -> None:
    """The boundaries, kinds and key of a batch come back as they were; ending it clears them."""
    batch = Batch(3, 17, f"{EPOCH}-3-17", ("check", "reading"))
    with opened(tmp_path / "d.db", first_start=True) as cursors:
        where(cursors)
        cursors.begin("charts", EPOCH, batch)
    with opened(tmp_path / "d.db") as cursors:
        assert where(cursors) == Cursor(0, batch, 0)
        every = Batch(1, 2, "k", None)
        cursors.begin("charts", EPOCH, every)
        assert where(cursors).pending == every
        cursors.advance("charts", EPOCH, 17)
        assert where(cursors) == Cursor(17, None, 0)


def test_a_batch_begun_survives_a_kill(tmp_path: Path) -> None:
    """A process killed right after `begin` leaves the batch for the next one to repeat."""
    code = (
        "import os, pathlib, signal, sys\n"
        "from gaugepost.edge.cursors import Batch, Cursors\n"
        "cursors = Cursors(pathlib.Path(sys.argv[1]), first_start=True)\n"
        "cursors.cursor('charts', sys.argv[2], start='beginning', head=9)\n"
        "cursors.begin('charts', sys.argv[2], Batch(1, 9, 'key', None))\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "d.db"), EPOCH], timeout=60, check=False
    )
    assert done.returncode == -signal.SIGKILL
    with opened(tmp_path / "d.db") as cursors:
        assert cursors.finding == ""
        assert where(cursors).pending == Batch(1, 9, "key", None)


def test_a_cursor_never_goes_back(tmp_path: Path) -> None:
    """Moving a cursor back is refused and changes nothing; repeating where it stands is harmless."""
    with opened(tmp_path / "d.db", first_start=True) as cursors:
        where(cursors)
        cursors.advance("charts", EPOCH, 17)
        with pytest.raises(ValueError, match="can't go back"):
            cursors.advance("charts", EPOCH, 16, [(16, "no")])
        assert where(cursors) == Cursor(17, None, 0)
        assert cursors.advance("charts", EPOCH, 17) == 0


def test_refused_records_are_set_aside_once(tmp_path: Path) -> None:
    """A refused record is kept with its answer and time, and counted once however often it is answered for."""
    with opened(tmp_path / "d.db", first_start=True) as cursors:
        where(cursors)
        assert cursors.advance("charts", EPOCH, 4, [(2, "too small"), (4, "no such lot")], at_ms=1000) == 2
        assert cursors.advance("charts", EPOCH, 4, [(4, "no such lot")], at_ms=2000) == 2
        assert where(cursors).refused == 2
        found = Asides(cursors).listed("charts")
        assert found == [
            SetAside("charts", EPOCH, 4, "no such lot", 2000),
            SetAside("charts", EPOCH, 2, "too small", 1000),
        ]
        assert found[0].id == f"{EPOCH}-4"


def test_another_epoch_starts_over_and_the_old_one_is_kept(tmp_path: Path) -> None:
    """A journal of another epoch is delivered from its beginning, "now" or not; the history of the old one stays."""
    with opened(tmp_path / "d.db", first_start=True) as cursors:
        where(cursors, start="now", head=90)
        cursors.advance("charts", EPOCH, 95, [(93, "no")])
        assert where(cursors, epoch=OTHER, start="now", head=40) == Cursor(0, None, 0)
        assert cursors.history() == {"charts": {EPOCH: 95, OTHER: 0}}
        assert len(Asides(cursors).listed("charts")) == 1


@pytest.mark.parametrize("damage", ["text", "torn", "other tables", "page"])
def test_an_unreadable_database_is_set_aside_and_begun_anew(tmp_path: Path, damage: str) -> None:
    """Whatever is wrong with it, the file is kept under another name, a finding says so, and records are sent again."""
    path = tmp_path / "d.db"
    with opened(path, first_start=True) as cursors:
        where(cursors)
        cursors.advance("charts", EPOCH, 50, [(n, "x" * 300) for n in range(50)])
    whole = path.read_bytes()
    if damage == "text":
        path.write_text("not a database at all\n" * 400)
    elif damage == "torn":
        path.write_bytes(whole[: len(whole) // 2])
    elif damage == "page":
        path.write_bytes(whole[:4096] + b"\xa5" * 4096 + whole[8192:])
    else:
        path.unlink()
        with closing(sqlite3.connect(path)) as db:
            db.execute("CREATE TABLE stock (part)")
    damaged = path.read_bytes()
    with opened(path) as cursors:
        assert "d.db could not be read" in cursors.finding
        assert "sent again" in cursors.finding
        (aside,) = tmp_path.glob("d.db.unreadable-*[0-9]")
        assert aside.name in cursors.finding
        assert aside.read_bytes() == damaged
        assert where(cursors) == Cursor(0, None, 0)
    with opened(path) as cursors:
        assert cursors.finding == ""


def test_after_a_loss_nobody_starts_at_now(tmp_path: Path) -> None:
    """When cursors were lost, a destination "from now" starts at the beginning: what it had is not known any more.

    That holds through a kill right after the loss, and ends when the database has been closed in peace.
    """
    path = tmp_path / "d.db"
    with opened(path, first_start=True) as cursors:
        where(cursors, start="now", head=5)
    path.unlink()
    code = (
        "import os, pathlib, signal, sys\n"
        "from gaugepost.edge.cursors import Cursors\n"
        "assert 'was not there' in Cursors(pathlib.Path(sys.argv[1])).finding\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], timeout=60, check=False)
    assert done.returncode == -signal.SIGKILL
    with opened(path) as cursors:
        assert where(cursors, start="now", head=90).through == 0
    with opened(path) as cursors:
        assert where(cursors, "another", start="now", head=90).through == 90


def test_a_disk_that_cannot_be_written_is_to_be_tried_again(tmp_path: Path) -> None:
    """A full file is `Unreachable`, says what to do, keeps nothing by half, and passes when there is room again."""
    with opened(tmp_path / "d.db", first_start=True) as cursors:
        where(cursors)
        db = cursors._db
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        db.execute(f"PRAGMA max_page_count = {pages}")
        answers = [(n, "x" * 1000) for n in range(100)]
        with pytest.raises(Unreachable, match=r"full.*free space"):
            cursors.advance("charts", EPOCH, 100, answers)
        assert where(cursors) == Cursor(0, None, 0)
        db.execute("PRAGMA max_page_count = 100000")
        assert cursors.advance("charts", EPOCH, 100, answers) == 100


def test_no_place_for_a_database_is_unreachable(tmp_path: Path) -> None:
    """Where a directory stands in its place the finding names the file, and nothing is moved."""
    (tmp_path / "d.db").mkdir()
    with pytest.raises(Unreachable, match=r"d\.db"):
        Cursors(tmp_path / "d.db")
    assert [path.name for path in tmp_path.iterdir()] == ["d.db"]

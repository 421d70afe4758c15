"""Of a damaged journal everything that is whole is kept, under its old ids, and nothing else."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

from gaugepost.core.bench import State, events as ev
from gaugepost.core.bench.apply import RECORDS_MISSING, follow
from gaugepost.core.errors import JournalError
from gaugepost.core.indication import Moment
from gaugepost.core.publication import Epoch, publish
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import to_document
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Owner, Reader, Salvaged, examine, salvage
from gaugepost.edge.kept.snapshot import Snapshot
from tests.bench_tools.journals import entries_of
from tests.core.station import Hand, set_up
from tests.edge.readings import reading

NOW = Moment(1_793_900_000_000, 9_000_000, "boot-9")
COUNT = 60
PAGE = 4096


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed journal: a long set-up, in overflow pages, and readings."""
    path = tmp_path_factory.mktemp("sound") / "journal.db"
    journal = Journal.open(path, "Prüfplatz 3")
    journal.append([Record(kind=Kind.SET_UP, measured_at=1, clock_ms=1, document='{"ä": 1}' * 3000)])
    for number in range(1, COUNT):
        journal.append([reading(number)])
    journal.close()
    return path


def _damaged(sound: Path, tmp_path: Path, changes: Iterable[tuple[int, bytes]]) -> Path:
    path = tmp_path / "damaged" / "journal.db"
    path.parent.mkdir()
    shutil.copy(sound, path)
    with path.open("r+b") as file:
        for at, data in changes:
            file.seek(at)
            file.write(data)
    return path


def _salvaged(damaged: Path, new: Path, owner: Owner | None = None) -> Salvaged:
    before = {each.name: each.read_bytes() for each in damaged.parent.iterdir()}
    done = salvage(damaged, new, NOW, program="0.1.0", owner=owner)
    assert {each.name: each.read_bytes() for each in damaged.parent.iterdir()} == before
    report = examine(done.path)
    assert report.sound, report.findings
    assert report.known_missing == done.lost
    return done


def _page_of(path: Path, sequence: int) -> int:
    """The page on which SQLite keeps a record, by the bytes of its hash."""
    with sqlite3.connect(path) as db:
        (digest,) = db.execute("SELECT hash FROM records WHERE sequence = ?", (sequence,)).fetchone()
    db.close()
    return path.read_bytes().index(digest) // PAGE


def test_a_whole_journal_comes_out_whole(sound: Path, tmp_path: Path) -> None:
    """Every record is kept with its sequence, hash and body, and one of a new epoch says where they are from."""
    done = _salvaged(sound, tmp_path / "new")
    old, new = entries_of(sound), entries_of(done.path)
    assert new[:-1] == old
    assert (done.count, done.lost, done.missing, done.unproven) == (COUNT, 0, [], [])
    told = new[-1].record
    assert (told.kind, told.first, told.last, told.count) == (Kind.SALVAGE, 1, COUNT, COUNT)
    assert (told.epoch, told.epoch_before) == (done.epoch, done.epoch_before)
    seal = b"".join(e.sequence.to_bytes(8, "big") + e.hash + _body(done.path, e.sequence) for e in old)
    assert told.seal == hashlib.sha256(seal).digest()
    assert examine(done.path, (40, old[39].hash)).sound, "a head noted before still proves the journal"


def _body(path: Path, sequence: int) -> bytes:
    with sqlite3.connect(path) as db:
        (body,) = db.execute("SELECT body FROM records WHERE sequence = ?", (sequence,)).fetchone()
    db.close()
    assert isinstance(body, bytes)
    return body


def test_old_records_keep_their_ids_and_new_ones_get_others(sound: Path, tmp_path: Path) -> None:
    """A record has one id for good, what it points to as well, and no new record has the id of a lost one."""
    done = _salvaged(sound, tmp_path / "new")
    journal = Journal.open(done.path, "Prüfplatz 3")
    journal.append([reading(99, mastering=9, members=(9, COUNT + 1))])
    journal.close()
    before = {entry.sequence: publish(entry, done.epoch_before, "s")["id"] for entry in entries_of(sound)}
    reader = Reader(done.path)
    told = [publish(entry, reader.epoch, "s") for entry in reader.replay()]
    reader.close()
    assert [each["id"] for each in told[:COUNT]] == list(before.values())
    assert told[COUNT + 1]["id"] == f"{done.epoch}-{COUNT + 2}"
    assert told[COUNT + 1]["mastering"] == f"{done.epoch_before}-9"
    assert told[COUNT + 1]["members"] == [f"{done.epoch_before}-9", f"{done.epoch}-{COUNT + 1}"]


@pytest.mark.parametrize("sequence", [1, 2, 30, COUNT])
def test_a_zeroed_page_costs_its_own_records(sound: Path, tmp_path: Path, sequence: int) -> None:
    """What lay on other pages is kept, and the ranges that are missing are told."""
    page = _page_of(sound, sequence)
    old = entries_of(sound)
    data = sound.read_bytes()
    there = [entry for entry in old if data.index(entry.hash) // PAGE != page]
    damaged = _damaged(sound, tmp_path, [(page * PAGE, bytes(PAGE))])
    done = _salvaged(damaged, tmp_path / "new")
    assert entries_of(done.path)[:-1] == there
    assert done.count == len(there) < COUNT
    lost = there[-1].sequence - len(there)
    assert (done.lost, len(done.missing)) == (lost, 1 if lost else 0)


@pytest.mark.parametrize("page", [0, 1])
def test_an_unreadable_beginning_costs_no_record(sound: Path, tmp_path: Path, page: int) -> None:
    """Without the file's header or the journal's name every record is still found; who it was may have to be said."""
    damaged = _damaged(sound, tmp_path, [(page * PAGE, os.urandom(PAGE))])
    epoch = Reader(sound)
    epoch.close()
    owner = Owner(str(epoch.epoch), epoch.station) if page == 1 else None
    if page == 1:
        with pytest.raises(JournalError, match="add --epoch and --station"):
            salvage(damaged, tmp_path / "new", NOW, program="0.1.0")
        with pytest.raises(JournalError, match="is not one of station"):
            salvage(damaged, tmp_path / "new", NOW, program="0.1.0", owner=Owner(str(epoch.epoch), "other"))
    assert entries_of(_salvaged(damaged, tmp_path / "new", owner).path)[:-1] == entries_of(sound)


def test_a_cut_file_and_a_lost_log(sound: Path, tmp_path: Path) -> None:
    """What is left of a copy that ended early is kept; so is what only the log beside the journal holds."""
    data = sound.read_bytes()
    for number, pages in enumerate(range(_page_of(sound, 5) + 1, len(data) // PAGE, 3)):
        path = tmp_path / f"cut-{number}" / "journal.db"
        path.parent.mkdir()
        path.write_bytes(data[: pages * PAGE + 100])
        here = {entry.sequence for entry in entries_of(sound) if entry.hash in data[: pages * PAGE]}
        done = _salvaged(path, tmp_path / f"new-{number}")
        assert here <= {entry.sequence for entry in entries_of(done.path)} | set(range(1, 2))
    live = tmp_path / "live" / "journal.db"
    journal = Journal.open(live, "Prüfplatz 3")
    journal.append([reading(number) for number in range(5)])
    copied = tmp_path / "copied" / "journal.db"
    copied.parent.mkdir()
    for suffix in ("", "-wal"):
        shutil.copy(f"{live}{suffix}", f"{copied}{suffix}")
    with pytest.raises(JournalError, match=rf"in use by a daemon \(process {os.getpid()}\)"):
        salvage(live, tmp_path / "refused", NOW, program="0.1.0")
    journal.close()
    assert _salvaged(copied, tmp_path / "from-log").count == 5
    Path(f"{copied}-wal").unlink()
    with pytest.raises(JournalError, match=r"no longer says whose|nothing in it is whole"):
        salvage(copied, tmp_path / "without-log", NOW, program="0.1.0")


def test_nothing_changed_is_kept(sound: Path, tmp_path: Path) -> None:
    """A value that was changed with care, so that it still decodes, is told from one that is whole."""
    path = _damaged(sound, tmp_path, [])
    with sqlite3.connect(path) as db:
        (body,) = db.execute("SELECT body FROM records WHERE sequence = 30").fetchone()
        db.execute("UPDATE records SET body = ? WHERE sequence = 30", (body.replace(b"38.0153", b"38.0154"),))
    db.close()
    done = _salvaged(path, tmp_path / "new")
    assert done.missing == ["30 damaged"]
    assert entries_of(done.path)[:-1] == [entry for entry in entries_of(sound) if entry.sequence != 30]
    assert done.unproven == [], "the hash that was left of the changed record speaks for the next"


def test_a_salvaged_journal_can_be_salvaged_again(sound: Path, tmp_path: Path) -> None:
    """Each epoch keeps its records, and each salvage tells of its own."""
    once = _salvaged(
        _damaged(sound, tmp_path, [(_page_of(sound, 20) * PAGE, bytes(PAGE))]), tmp_path / "once"
    )
    journal = Journal.open(once.path, "Prüfplatz 3")
    journal.append([reading(number) for number in range(100, 120)])
    journal.close()
    twice = _salvaged(once.path, tmp_path / "twice")
    reader = Reader(twice.path)
    assert reader.epoch.earlier == ((COUNT, once.epoch_before), (COUNT + 21, once.epoch))
    reader.close()
    assert entries_of(twice.path)[:-1] == entries_of(once.path)


def test_a_seal_holds_what_was_kept(sound: Path, tmp_path: Path) -> None:
    """In a salvaged journal every further change is found, also of the record after a gap and of its epochs."""
    done = _salvaged(_damaged(sound, tmp_path, [(_page_of(sound, 20) * PAGE, bytes(PAGE))]), tmp_path / "new")
    (after_gap,) = done.unproven
    for change in (
        "DELETE FROM records WHERE sequence = :gap",
        "DELETE FROM records WHERE sequence = 50",
        "UPDATE records SET hash = zeroblob(32) WHERE sequence = :gap",
        "UPDATE records SET body = (SELECT body FROM records WHERE sequence = 50) WHERE sequence = :gap",
        "UPDATE earlier SET epoch = '6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11'",
        "UPDATE earlier SET last = 20",
        "UPDATE journal SET epoch = '6f1f7d6e-7a0c-4b51-9a55-6b6f2f0e8d11'",
        "DELETE FROM earlier",
    ):
        copy = tmp_path / "copy.db"
        shutil.copy(done.path, copy)
        with sqlite3.connect(copy) as db:
            db.execute(change, {"gap": after_gap})
        db.close()
        assert not examine(copy).sound, change


def test_destinations_go_on_where_they_stood(sound: Path, tmp_path: Path) -> None:
    """What was delivered before is not delivered again, and what was not is, wherever the journal now ends."""
    cursors = Cursors(tmp_path / "deliveries.db", first_start=True)
    epoch = Epoch("b", ((50, "a"),))
    cursors.cursor("sheet", "a", start="beginning", head=0)
    cursors.advance("sheet", "a", 41)
    cursors.cursor("broker", "a", start="beginning", head=0)
    cursors.advance("broker", "a", 57)
    assert cursors.cursor("sheet", epoch, start="now", head=60).through == 41
    assert cursors.cursor("broker", epoch, start=7, head=60).through == 50
    assert cursors.cursor("new", epoch, start=7, head=60).through == 7
    assert cursors.begun("sheet", epoch)
    cursors.close()


def test_every_mastering_is_check_due_and_the_bench_starts(tmp_path: Path) -> None:
    """The bench is brought to where a salvaged journal ends, whatever of it is lost, and judges nothing unchecked."""
    hand = Hand(set_up()).ready()
    for number in range(20):
        hand.show(f"38.0{10 + number % 9}")
    damaged = tmp_path / "damaged" / "journal.db"
    journal = Journal.open(damaged, "test bench")
    journal.append(hand.records)
    journal.close()
    chance = random.Random(3)
    for at in range(12):
        copy = tmp_path / f"copy-{at}.db"
        shutil.copy(damaged, copy)
        with sqlite3.connect(copy) as db:
            for sequence in chance.sample(range(1, len(hand.records)), at):
                db.execute("DELETE FROM records WHERE sequence = ?", (sequence,))
        db.execute("VACUUM")
        db.close()
        done = salvage(copy, tmp_path / f"new-{at}", NOW, program="0.1.0")
        assert examine(done.path).sound
        reader = Reader(done.path)
        state = Snapshot(done.path.parent, reader).restore()
        reader.close()
        assert state.sequence == len(hand.records) + 1
        for known in state.gauges.values():
            assert known.mastered is None or RECORDS_MISSING in known.due
        again = Hand(set_up(), state, now=NOW)
        assert again.show("38.010").verdict == "not-judged"
        again.ready()
        again.show("38.010")
        assert again.records[-1].verdict is None or again.records[-1].reasons is None


def test_a_reading_after_a_gap_is_tied_to_nothing_that_was_in_hand_before(tmp_path: Path) -> None:
    """Lot, piece and characteristic may have changed in the gap: they are to be said again."""
    hand = Hand(set_up())
    hand.do(ev.SetTags({"lot": "L1", "piece": "7", "characteristic": "A"}))
    state = State()
    for sequence, record in enumerate([*hand.records, Record(kind=Kind.STOP, measured_at=9, clock_ms=9)], 1):
        state = follow(state, Entry(sequence + (record.kind is Kind.STOP), b"", record))
    assert (state.lot, state.piece, state.gauges["bore-1"].characteristic) == (None, None, None)
    assert (state.sequence, state.missing) == (len(hand.records) + 2, 1)
    assert to_document(state.set_up) == to_document(hand.set_up)


def test_what_it_tells_on_the_command_line(sound: Path, tmp_path: Path) -> None:
    """Ranges and reasons, what to do next, and exit codes for whole, partly lost and impossible."""

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "gaugepost", "salvage", *map(str, words)],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    whole = run(sound, tmp_path / "whole")
    assert (whole.returncode, f"kept     {COUNT} records, 1 to {COUNT}" in whole.stdout) == (0, True)
    damaged = _damaged(sound, tmp_path, [(_page_of(sound, 20) * PAGE, bytes(PAGE))])
    partly = run(damaged.parent, tmp_path / "partly")
    assert partly.returncode == 1
    assert "nothing of it is left" in partly.stdout
    taken = run(damaged.parent, tmp_path / "partly")
    assert (taken.returncode, "is there already; name a new folder" in taken.stderr) == (2, True)
    assert "write --epoch and --station together" in run(damaged, tmp_path / "x", "--station", "a").stderr
    assert "move" in run("--help").stdout

"""A backup of a running journal is a whole journal; what is restored of it uses no id again."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest

from gaugepost.commands.view.progress import Progress
from gaugepost.core.bench.events import SetTags
from gaugepost.core.bench.standing import standing
from gaugepost.core.errors import JournalError
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader, backup, examine, restore
from gaugepost.edge.kept.snapshot import Snapshot
from tests.core.station import Hand, set_up

NOW = Moment(1_795_000_000_000, 5_000, "boot-9")


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with a small shop's journal."""
    folder = tmp_path / "data"
    hand = Hand(set_up()).ready()
    for number in range(40):
        hand.do(SetTags({"lot": "L-1", "piece": str(number)}))
        hand.show(f"38.0{10 + number % 15}")
    with closing(Journal.open(folder / "journal.db", "test bench")) as journal:
        journal.append(hand.records)
    return folder


def _gaugepost(*args: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "gaugepost", *map(str, args)], capture_output=True, text=True
    )


def test_a_backup_is_the_journal(data: Path, tmp_path: Path) -> None:
    """It is one file, sound, with every record and the head that is named."""
    done = _gaugepost("backup", data, tmp_path / "backup.db")
    report = examine(tmp_path / "backup.db")
    assert (done.returncode, done.stderr) == (0, "")
    assert report.sound
    assert f"head     {report.sequence}:{report.head.hex()}" in done.stdout
    with closing(Reader(data)) as source, closing(Reader(tmp_path / "backup.db")) as copy:
        assert list(copy.replay()) == list(source.replay())
        assert copy.epoch == source.epoch
    assert {path.name for path in tmp_path.iterdir()} == {"data", "backup.db"}


def test_a_backup_while_records_are_written_ends_and_is_sound(data: Path, tmp_path: Path) -> None:
    """A writer that never pauses neither waits nor makes the copy begin anew, and the copy is of one moment."""
    hand, stop = Hand(set_up()), threading.Event()
    with closing(Journal.open(data / "journal.db", "test bench")) as journal:

        def write() -> None:
            while not stop.is_set():
                journal.append(hand.records)

        writer = threading.Thread(target=write)
        writer.start()
        try:
            reports = [backup(data, tmp_path / f"{at}.db")[1] for at in range(5)]
        finally:
            stop.set()
            writer.join()
        heads = [report.sequence for report in reports]
        assert all(report.sound for report in reports)
        assert heads == sorted(set(heads))
        assert journal.sequence > heads[-1]


def test_a_folder_gets_a_name_made_of_what_it_is(data: Path, tmp_path: Path) -> None:
    """A folder takes a backup every day without anybody naming files."""
    (tmp_path / "backups").mkdir()
    told = json.loads(_gaugepost("backup", data, tmp_path / "backups", "--json").stdout)
    (file,) = (tmp_path / "backups").iterdir()
    assert told["file"] == str(file)
    assert file.name.startswith("test-bench-2")
    assert file.name.endswith(f"-{told['head'].split(':')[0]}.db")


def test_a_folder_that_is_not_there_becomes_no_file(data: Path, tmp_path: Path) -> None:
    """Where the disk is not mounted, somebody is told; a file of the folder's name would pass for a backup on it."""
    for said in (f"{tmp_path}/backups", f"{tmp_path}/backups/"):
        done = _gaugepost("backup", data, said)
        assert (done.returncode, done.stdout) == (2, "")
        assert (
            f"there is no folder {tmp_path}/backups; mount its disk, or make the folder first, or name"
            in done.stderr
        )
    assert {path.name for path in tmp_path.iterdir()} == {"data"}


@pytest.mark.parametrize(
    "words",
    [
        ("backup", "{data}", "{away}/friday.db"),
        ("archive", "{data}", "{away}", "--before", "2000-01-01"),
        ("salvage", "{data}", "{away}/salvaged"),
        ("salvage", "{data}", "{away}/salvaged.db"),
        ("export", "{data}", "--format", "csv", "--output", "{away}/all.csv"),
    ],
)
def test_no_copy_goes_where_no_folder_is(words: tuple[str, ...], data: Path, tmp_path: Path) -> None:
    """A folder that is missing may be that of a disk that is not mounted: nothing is written to the disk below it."""
    away = tmp_path / "media" / "disk"
    done = _gaugepost(*(word.format(data=data, away=away) for word in words))
    assert (done.returncode, done.stdout) == (3 if words[0] == "export" else 2, "")
    assert f"there is no folder {away}; mount its disk, or make the folder first" in done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"data"}


def test_no_copy_goes_into_a_file(data: Path, tmp_path: Path) -> None:
    """What has the name of a folder and is a file is named."""
    (tmp_path / "disk").write_text("a shopping list")
    for words in (
        ("backup", data, tmp_path / "disk" / "b.db"),
        ("archive", data, tmp_path / "disk", "--through", 3),
        ("salvage", data, tmp_path / "disk" / "new"),
    ):
        done = _gaugepost(*words)
        assert (done.returncode, done.stdout) == (2, "")
        assert f"{tmp_path}/disk is a file; name a folder" in done.stderr


def test_nothing_is_written_over(data: Path, tmp_path: Path) -> None:
    """A file that is there stays as it is, whatever it is."""
    (tmp_path / "backup.db").write_text("a shopping list")
    done = _gaugepost("backup", data, tmp_path / "backup.db")
    assert (done.returncode, done.stdout) == (2, "")
    assert "is there already" in done.stderr
    assert (tmp_path / "backup.db").read_text() == "a shopping list"


def test_a_damaged_journal_gets_no_backup(data: Path, tmp_path: Path) -> None:
    """A copy that proves nothing is not kept, and nobody relies on it."""
    with closing(sqlite3.connect(data / "journal.db")) as db:
        db.execute("UPDATE records SET body = zeroblob(40) WHERE sequence = 9")
        db.commit()
    with pytest.raises(JournalError, match="the journal is not sound: record 9"):
        backup(data, tmp_path / "backup.db")
    assert {path.name for path in tmp_path.iterdir()} == {"data"}


def test_a_full_disk_leaves_nothing_behind(data: Path, tmp_path: Path) -> None:
    """A backup that finds no room says so and takes its beginning away again."""
    limited = (
        "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000)); "
        "import signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "from gaugepost.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", limited, "backup", data, tmp_path / "backup.db"],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 2, done.stderr
    assert "can't write the journal" in done.stderr, done.stderr
    assert {path.name for path in tmp_path.iterdir()} == {"data"}


def test_what_is_restored_begins_a_new_epoch(data: Path, tmp_path: Path) -> None:
    """Records of the backup keep their ids and prove the old head; what comes after them has ids of its own."""
    _, before = backup(data, tmp_path / "backup.db")
    done = _gaugepost("restore", tmp_path / "backup.db", tmp_path / "new")
    assert (done.returncode, done.stderr) == (0, "")
    report = examine(tmp_path / "new", head=(before.sequence, before.head))
    assert report.sound
    assert report.count == before.count + 1
    assert report.epoch.earlier == ((before.sequence, str(before.epoch)),)
    assert str(report.epoch) != str(before.epoch)
    with closing(Reader(tmp_path / "new")) as reader:
        (last,) = reader.latest(1)
        state = Snapshot(tmp_path / "new", reader).restore()
    assert (last.record.kind, last.record.epoch, last.record.count) == (
        Kind.SALVAGE,
        str(report.epoch),
        before.count,
    )
    assert "restored from a backup of 20" in (last.record.text or "")
    assert state.sequence == report.sequence
    assert any("missing" in reason for reason in standing(state, "bore-1", NOW))
    with closing(Journal.open(tmp_path / "new" / "journal.db", "test bench")) as journal:
        journal.append([last.record])


def test_a_backup_of_what_was_restored_can_be_restored(data: Path, tmp_path: Path) -> None:
    """Epochs add up, and each of them is still accounted for."""
    backup(data, tmp_path / "1.db")
    restore(tmp_path / "1.db", tmp_path / "new", NOW, program="test")
    backup(tmp_path / "new", tmp_path / "2.db")
    restore(tmp_path / "2.db", tmp_path / "newer", NOW, program="test")
    report = examine(tmp_path / "newer")
    assert report.sound
    assert len(report.epoch.earlier) == 2


def test_a_destination_goes_on_where_it_stood(data: Path, tmp_path: Path) -> None:
    """What was delivered before is not sent as something new, what came after the backup is not missed."""
    _, before = backup(data, tmp_path / "backup.db")
    with closing(Cursors(data / "deliveries.db", first_start=True)) as cursors:
        with closing(Reader(data)) as reader:
            cursors.cursor("sheet", reader.epoch, start="beginning", head=before.sequence)
            cursors.advance("sheet", reader.epoch, before.sequence + 50)
        restore(tmp_path / "backup.db", data, NOW, program="test", replace=True)
        with closing(Reader(data)) as reader:
            cursor = cursors.cursor("sheet", reader.epoch, start="beginning", head=before.sequence + 1)
    assert cursor.through == before.sequence


def test_a_journal_is_replaced_only_when_told_and_never_deleted(data: Path, tmp_path: Path) -> None:
    """Without --replace nothing changes; with it the journal that was there lies whole in a folder beside it."""
    backup(data, tmp_path / "backup.db")
    with closing(Journal.open(data / "journal.db", "test bench")) as journal:
        journal.append(Hand(set_up()).records)
    later = examine(data)
    done = _gaugepost("restore", tmp_path / "backup.db", data)
    assert done.returncode == 2
    assert "add --replace" in done.stderr
    told = json.loads(_gaugepost("restore", tmp_path / "backup.db", data, "--replace", "--json").stdout)
    aside = examine(Path(told["moved_aside"]))
    assert aside.sound
    assert aside.head == later.head
    assert examine(data).sound
    again = [restore(tmp_path / "backup.db", data, NOW, program="test", replace=True)[2] for _ in range(5)]
    assert len({*again, Path(told["moved_aside"])}) == 6, "several in one second"


def test_a_running_station_is_left_alone(data: Path, tmp_path: Path) -> None:
    """While a daemon has the journal nothing is restored over it."""
    backup(data, tmp_path / "backup.db")
    with closing(Journal.open(data / "journal.db", "test bench")):
        done = _gaugepost("restore", tmp_path / "backup.db", data, "--replace")
        assert done.returncode == 2
        assert f"in use by another daemon (process {os.getpid()})" in done.stderr
    assert examine(data).sound


def test_what_is_no_backup_is_not_restored(data: Path, tmp_path: Path) -> None:
    """Nothing, something else, or a backup that was changed: the folder stays as it was."""
    backup(data, tmp_path / "backup.db")
    with closing(sqlite3.connect(tmp_path / "backup.db")) as db:
        db.execute("UPDATE records SET piece = 'other' WHERE sequence = 20")
        db.commit()
    (tmp_path / "list.txt").write_text("no database " * 1000)
    (tmp_path / "blank.db").touch()
    (tmp_path / "torn.db").write_bytes((data / "journal.db").read_bytes()[:-20_000])
    for file, words in (
        ("nowhere.db", "there is no backup"),
        ("list.txt", f"{tmp_path}/list.txt is no backup, or is damaged: file is not a database"),
        ("blank.db", f"{tmp_path}/blank.db is no backup, or is damaged: no such table"),
        ("torn.db", f"{tmp_path}/torn.db is no backup, or is damaged: database disk image is malformed"),
        ("backup.db", "the backup is not sound: record 20"),
    ):
        done = _gaugepost("restore", tmp_path / file, tmp_path / "new")
        assert done.returncode == 2
        assert words in done.stderr
    assert not list((tmp_path / "new").glob("journal.db"))


def test_a_log_without_its_journal_begins_none(data: Path) -> None:
    """A journal that lost its file is not begun anew beside the log that holds the latest records."""
    with closing(Journal.open(data / "journal.db", "test bench")) as journal:
        journal.append(Hand(set_up()).records)
        shutil.copy(data / "journal.db-wal", data / "kept")
    (data / "journal.db").unlink()
    (data / "kept").rename(data / "journal.db-wal")
    with pytest.raises(JournalError, match=r"the latest records, and journal\.db is not"):
        Journal.open(data / "journal.db", "test bench")


def test_a_log_without_its_journal_is_moved_aside_whole(data: Path, tmp_path: Path) -> None:
    """The latest records, which lie in the log alone, are still there when a backup took the journal's place."""
    backup(data, tmp_path / "backup.db")
    log = data / "journal.db-wal"
    with closing(Journal.open(data / "journal.db", "test bench")) as journal:
        journal.append(Hand(set_up()).ready().records)
        latest = log.read_bytes()
    assert latest
    for blank in (False, True):
        shutil.rmtree(data)
        data.mkdir()
        log.write_bytes(latest)
        if blank:
            (data / "journal.db").touch()
        _, _, aside = restore(tmp_path / "backup.db", data, NOW, program="test", replace=True)
        assert aside is not None
        assert (aside / log.name).read_bytes() == latest
        assert examine(data).sound


def test_progress_is_a_line_that_tells_how_long(tmp_path: Path) -> None:
    """A person sees what is done, how far it is and how long it may take; the last line stays."""
    clock = iter([0.0, 3.0, 3.1, 6.0, 20.0])
    with (tmp_path / "shown").open("w", encoding="utf-8") as stream:
        shown = Progress(stream, lambda: next(clock))
        for done in (0, 25, 26, 50, 100):
            shown("copied", done, 100)
    lines = (tmp_path / "shown").read_bytes().decode().split("\r\033[K")[1:]
    assert len(lines) == 4, "twice a second at most"
    assert "about 0:09 left" in lines[1]
    assert lines[-1].endswith("100 %, 100 of 100\n")

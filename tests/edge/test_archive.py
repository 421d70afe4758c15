"""Records that were moved to an archive are there, are proven, and are missed by nothing that goes on without them."""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import uuid
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from gaugepost.cli import main
from gaugepost.core.bench import State, follow
from gaugepost.core.bench.events import LinkUp, SetTags, Started
from gaugepost.core.errors import JournalError
from gaugepost.core.indication import Moment
from gaugepost.core.publication import rfc3339
from gaugepost.core.quantity import Unit
from gaugepost.core.record import Entry, Kind
from gaugepost.core.setup import to_plain
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Archive, Journal, Reader, backup, examine, restore, salvage
from gaugepost.edge.journal.archive.file import Row, Writer
from gaugepost.edge.kept.snapshot import Snapshot
from tests.bench_tools.journals import entries_of
from tests.core.station import Hand, set_up
from tests.fault.shim import SYNCS, WRITES, Shim

DAY_MS = 86_400_000
NOW = Moment(1_795_000_000_000, 5_000, "boot-9")


def shop(folder: Path, days: int = 3, **given: Any) -> Hand:
    """Write the journal of some days: each with a start, a mastering and a check, and a lot that comes back."""
    hand = Hand(set_up(**given))
    for day in range(days):
        if day:
            hand.wait(DAY_MS - 3_600_000)
            hand.do(Started("test"))
            hand.load(hand.set_up)
            hand.do(LinkUp("usb-1", "a port"))
        hand.ready()
        for number in range(25):
            hand.do(SetTags({"lot": f"L-{day % 2}", "piece": str(number), "characteristic": "A"}))
            hand.show(f"38.0{10 + number % 15}")
    with closing(Journal.open(folder / "journal.db", "test bench")) as journal:
        journal.append(hand.records)
    with (
        closing(Cursors(folder / "deliveries.db", first_start=True)) as cursors,
        closing(Reader(folder)) as reader,
    ):
        cursors.cursor("sheet", reader.epoch, start="beginning", head=0)
        cursors.advance("sheet", reader.epoch, reader.head()[0])
    return hand


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with three days' journal, all of it delivered, beside a folder for archives."""
    shop(tmp_path / "data")
    (tmp_path / "archives").mkdir()
    return tmp_path / "data"


def _gaugepost(*args: object) -> subprocess.CompletedProcess[str]:
    words = list(map(str, args))
    if words[0] == "export":  # writes past Python's own streams
        return subprocess.run([sys.executable, "-m", "gaugepost", *words], capture_output=True, text=True)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())


def _gaugepost_under(shim: Shim, *args: object) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-m", "gaugepost", *map(str, args)]
    env = {**os.environ, **shim.env()}
    return subprocess.run(words, check=True, capture_output=True, text=True, env=env)


def start_of(folder: Path, number: int) -> str:
    """The time of the start with this number."""
    with closing(Reader(folder)) as reader:
        starts = [entry.record.measured_at for entry in reader.replay() if entry.record.kind is Kind.START]
    return rfc3339(starts[number] // 1000 * 1000).replace(".000Z", "Z")


def _state(folder: Path) -> State:
    with closing(Reader(folder)) as reader:
        return Snapshot(folder, reader).restore()


def test_all_of_it_is_there_and_proven(data: Path, tmp_path: Path) -> None:
    """Archive and journal together are what the journal was, in one chain that goes on."""
    whole, before = entries_of(data), examine(data)
    done = _gaugepost("archive", data, tmp_path / "archives", "--before", start_of(data, 2))
    assert (done.returncode, done.stderr) == (0, "")
    (file,) = (tmp_path / "archives").iterdir()
    archive, report, now = (
        Archive(file),
        Archive(file).examine(),
        examine(data, (before.sequence, before.head)),
    )
    assert (report.sound, now.sound, now.findings) == (True, True, [])
    assert [*archive.replay(), *entries_of(data)][:-1] == whole
    assert f"head     {report.sequence}:{report.head.hex()}" in done.stdout
    assert (now.archived[0].last, now.archived[0].hash) == (report.sequence, report.head)
    (said,) = entries_of(data)[-1:]
    assert (said.record.kind, said.record.archive, said.record.count) == (
        Kind.ARCHIVE,
        file.name,
        report.count,
    )
    told = _gaugepost("verify", data).stdout
    assert (
        f"archived 1 to {report.sequence}, head {report.sequence}:{report.head.hex()}, in {file.name}" in told
    )
    told = _gaugepost("verify", file, "--head", f"7:{whole[6].hash.hex()}").stdout
    assert "sound, and holds the head of record 7" in told
    assert file.stat().st_size < 60 * report.count + 3000


def test_the_bench_knows_what_it_knew(data: Path, tmp_path: Path) -> None:
    """A start without the archived records leads to the same state, and attempts are counted on."""
    state = _state(data)
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 2))
    (said,) = entries_of(data)[-1:]
    again = _state(data)
    assert again == follow(state, said)
    assert to_plain(again) == to_plain(follow(state, said))
    hand = Hand(set_up(), state=again, now=Moment(said.record.measured_at, 10**9, "boot-1"))
    hand.ready()
    hand.do(SetTags({"lot": "L-1", "piece": "3", "characteristic": "A"}))
    assert hand.show("38.013").attempt == 2


def test_archives_follow_each_other(data: Path, tmp_path: Path) -> None:
    """A second archive begins where the first ended, and the journal names both."""
    _gaugepost("archive", data, tmp_path / "archives", "--before", start_of(data, 1))
    done = json.loads(
        _gaugepost("archive", data, tmp_path / "archives", "--before", start_of(data, 1), "--json").stdout
    )
    assert done["first"] > 1
    first, second = sorted((tmp_path / "archives").iterdir(), key=lambda path: Archive(path).base[0])
    assert Archive(second).base == Archive(first).head()
    assert Archive(first).examine().sound
    assert Archive(second).examine().sound
    assert examine(data).sound
    assert len(examine(data).archived) == 2
    with closing(Journal.open(data / "journal.db", "test bench")) as journal:
        journal.append(Hand(set_up()).records)
    assert examine(data).sound


def test_what_is_still_needed_stays(tmp_path: Path) -> None:
    """What is not delivered, what was refused and the mastering in force are not moved, and it is said."""
    data, archives = tmp_path / "data", tmp_path / "archives"
    shop(data)
    archives.mkdir()
    entries = entries_of(data)
    masterings = [entry.sequence for entry in entries if entry.record.kind is Kind.MASTERING]
    with closing(Reader(data)) as reader, closing(Cursors(data / "deliveries.db")) as cursors:
        cursors.cursor("charts", reader.epoch, start="beginning", head=0)
        cursors.advance("charts", reader.epoch, 20)
        cursors.cursor("push", reader.epoch, start="beginning", head=0)
        cursors.advance("push", reader.epoch, reader.head()[0], [(12, "409 not wanted")], 5)
    late = "2100-01-01"
    first = json.loads(_gaugepost("archive", data, archives, "--before", late, "--json").stdout)
    assert first["last"] == 11
    assert first["limit"].startswith("record 12 stays: push refused it")
    second = _gaugepost("archive", data, archives, "--before", late, "--without", "push").stdout
    assert "record 21 stays: charts has not got it" in second
    third = _gaugepost(
        "archive", data, archives, "--before", late, "--without", "push", "--without", "charts"
    ).stdout
    assert "stays    record" in third
    assert examine(data).archived[-1].last < masterings[-1]
    done = _gaugepost("archive", data, archives, "--before", "2000-01-01", "--without", "push")
    assert (done.returncode, done.stdout) == (
        1,
        "nothing was moved: nothing in the journal was measured before then\n",
    )
    assert [*_archived(archives), *entries_of(data)][: len(entries)] == entries


def _archived(folder: Path) -> list[Entry]:
    files = sorted(folder.glob("*.archive.xz"), key=lambda path: Archive(path).base[0])
    return [entry for file in files for entry in Archive(file).replay()]


def test_obvious_mistakes_are_told(data: Path, tmp_path: Path) -> None:
    """No day, no such destination, no deliveries, a running station: nothing is done, and what to do is said."""
    for words, finding in (
        (["--before", "soon"], "is neither a day nor a time"),
        (["--before", "2100-01-01", "--without", "chart"], "there never was a destination chart"),
    ):
        done = _gaugepost("archive", data, tmp_path / "archives", *words)
        assert done.returncode == 2
        assert finding in done.stderr
    with closing(Journal.open(data / "journal.db", "test bench")):
        done = _gaugepost("archive", data, tmp_path / "archives", "--before", "2100-01-01")
        assert "in use by another daemon" in done.stderr
    (data / "deliveries.db").unlink()
    done = _gaugepost("archive", data, tmp_path / "archives", "--before", "2100-01-01")
    assert "nobody knows what was delivered" in done.stderr
    assert list((tmp_path / "archives").iterdir()) == []


def test_the_archive_is_on_the_disk_before_the_journal_lets_go(data: Path, tmp_path: Path) -> None:
    """Its bytes and its name are synced before the journal begins after it."""
    shim, archives = Shim(tmp_path), tmp_path / "archives"
    words = ("archive", data, archives, "--before", start_of(data, 1))
    _gaugepost_under(shim, *words)
    (file,) = archives.iterdir()
    events = shim.events()
    let_go = next(at for at, event in enumerate(events) if event.target.endswith("journal.db-wal"))
    (named,) = (at for at, event in enumerate(events) if event.call == "rename")
    before = [event.target for event in events[:named] if event.call in SYNCS]
    after = [event.target for event in events[named:let_go] if event.call in SYNCS]
    assert events[named].target == str(file)
    assert before[0].endswith(".part")
    assert after == [str(archives)]


def test_no_room_to_write_the_journal_anew_is_no_failure(data: Path, tmp_path: Path) -> None:
    """What was archived is archived also where SQLite then finds no room to make the file smaller, and that is said."""
    whole, day, shim = entries_of(data), start_of(data, 2), Shim(tmp_path)
    shutil.copytree(data, tmp_path / "trial")
    _gaugepost_under(shim, "archive", tmp_path / "trial", tmp_path, "--before", day)
    writes = sum(event.call in WRITES and event.target.endswith("-wal") for event in shim.events())
    shim.inject([f"write|pwrite|writev *-wal errno=ENOSPC after={writes - 1}"])
    done = _gaugepost_under(shim, "archive", data, tmp_path / "archives", "--before", day)
    assert "space    the journal's file stays as large as it is" in done.stdout
    assert [*_archived(tmp_path / "archives"), *entries_of(data)][:-1] == whole
    assert examine(data).sound


@pytest.mark.parametrize(
    ("change", "finding"),
    [
        ("UPDATE archived SET hash = zeroblob(32)", "its hash doesn't fit"),
        ("UPDATE archived SET file_sha256 = zeroblob(32)", "is not what the journal's record says"),
        ("UPDATE archived SET count = count - 1", "is not what the journal's record says"),
        ("UPDATE archived SET before = zeroblob(32)", "does not follow"),
        ("UPDATE archived SET state = zeroblob(32)", "left it is not what"),
        ("DELETE FROM records WHERE sequence = (SELECT max(sequence) FROM records)", "no record says"),
        ("DELETE FROM records WHERE sequence = 2", "is not the one that the journal keeps"),
        ("DELETE FROM records WHERE sequence = (SELECT last + 1 FROM archived)", "missing"),
    ],
)
def test_a_change_of_what_the_journal_keeps_is_found(
    data: Path, tmp_path: Path, change: str, finding: str
) -> None:
    """Nothing that stands for the archived records can be changed unseen."""
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 2))
    with closing(sqlite3.connect(data / "journal.db")) as db:
        db.execute(change)
        db.commit()
    assert any(finding in each for each in examine(data).findings)


def test_damage_to_an_archive_is_found(data: Path, tmp_path: Path) -> None:
    """Whatever byte of it is changed or wherever it is cut: it is not sound, and it is said up to where it is whole."""
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 2))
    (file,) = tmp_path.glob("*.archive.xz")
    sound = file.read_bytes()
    for at in range(0, len(sound), max(1, len(sound) // 40)):
        for damaged in (sound[:at] + bytes([sound[at] ^ 0x55]) + sound[at + 1 :], sound[:at]):
            file.write_bytes(damaged)
            try:
                assert not Archive(file).examine().sound
            except JournalError as told:
                assert told.hint  # noqa: PT017  either is an answer
    file.write_bytes(sound)
    assert Archive(file).examine().sound


def test_who_has_a_torn_archive_is_told_what_helps(data: Path, tmp_path: Path) -> None:
    """Another copy does, not a salvage, which is for journals; and what comes before the fault can be read."""
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 2))
    (file,) = tmp_path.glob("*.archive.xz")
    file.write_bytes(file.read_bytes()[:-20])
    told = _gaugepost("verify", file)
    assert (told.returncode, "salvage" in told.stdout) == (1, False)
    assert "take another copy of the archive" in told.stdout
    assert "gaugepost export ARCHIVE" in told.stdout
    read = _gaugepost("export", file, "--format", "jsonl")
    assert read.returncode == 2
    assert len(read.stdout.splitlines()) > 100


def test_an_archive_that_lacks_records_is_not_sound(data: Path, tmp_path: Path) -> None:
    """What was left out is missed, also where whoever left it out wrote an end that agrees; so is another epoch."""
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 2))
    (file,) = tmp_path.glob("*.archive.xz")
    archive, report = Archive(file), Archive(file).examine()
    assert report.earliest_ms is not None
    assert report.latest_ms is not None
    head = {"station": archive.station, "earlier": [], "first": 1, "before": archive.base[1]}
    for left_out, earlier, finding in (
        (range(10, 15), [], "records 10 to 14 are missing"),
        (range(0), [[9, str(uuid.uuid4())]], "epochs are not those"),
    ):
        forged = Writer(tmp_path / "forged", head | {"epoch": str(archive.epoch), "earlier": earlier})
        for row in archive.rows():
            if isinstance(row, Row) and row.sequence not in left_out:
                forged.add(row)
        forged.end(report.earliest_ms, report.latest_ms)
        assert any(finding in each for each in Archive(tmp_path / "forged").examine().findings)


def test_an_archive_is_exported_like_a_journal(data: Path, tmp_path: Path) -> None:
    """The same questions give the same rows from the archive as they did from the journal."""
    day, words = start_of(data, 2), ["--format", "csv", "--lot", "L-1", "--kind", "reading"]
    before = _gaugepost("export", data, *words).stdout
    _gaugepost("archive", data, tmp_path, "--before", day)
    (file,) = tmp_path.glob("*.archive.xz")
    assert _gaugepost("export", file, *words).stdout == before
    assert len(before.splitlines()) == 26


def test_drift_is_shown_in_the_station_s_time_and_unit_as_before(tmp_path: Path) -> None:
    """What is left of a journal is told as it was told when the set-up was not archived yet."""
    data = tmp_path / "data"
    shop(data, zone="Asia/Tokyo", characteristic={"unit": Unit.INCH})
    words = (
        "drift",
        "--journal",
        data,
        "--no-chart",
        "--since",
        start_of(data, 2).removesuffix("Z") + "+00:00",
    )
    before = _gaugepost(*words)
    assert _gaugepost("archive", data, tmp_path, "--before", start_of(data, 2)).returncode == 0
    assert "in µin" in before.stdout
    assert "2026-09-23 21:15" in before.stdout
    assert _gaugepost(*words).stdout == before.stdout


def test_what_was_left_by_an_interruption_is_cleared_the_next_time(data: Path, tmp_path: Path) -> None:
    """Records that are in both are asked of neither twice, and go when the command is called again."""
    copy = tmp_path / "copy.db"
    shutil.copy(data / "journal.db", copy)
    _gaugepost("archive", data, tmp_path / "archives", "--before", start_of(data, 1))
    (part,) = examine(data).archived
    with closing(sqlite3.connect(data / "journal.db")) as db:
        db.execute("ATTACH ? AS old", (str(copy),))
        db.execute(
            "INSERT INTO records SELECT * FROM old.records WHERE sequence BETWEEN 5 AND ?", (part.last,)
        )
        db.commit()
    with closing(Reader(data)) as reader:
        assert next(reader.replay()).sequence == part.last + 1
        assert reader.entries(0, 1)[0].sequence == part.last + 1
    assert examine(data).sound
    _gaugepost("archive", data, tmp_path / "archives", "--before", "2000-01-01")
    with closing(sqlite3.connect(data / "journal.db")) as db:
        assert db.execute("SELECT sequence FROM records ORDER BY 1 LIMIT 2").fetchall() == [
            (2,),
            (part.last + 1,),
        ]


def test_a_backup_of_it_is_whole_and_is_restored(data: Path, tmp_path: Path) -> None:
    """An archived journal is backed up and restored like any other, its archives still named."""
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 1))
    backup(data, tmp_path / "backup.db")
    restore(tmp_path / "backup.db", tmp_path / "new", NOW, program="test")
    report = examine(tmp_path / "new")
    assert report.sound
    assert len(report.archived) == 1
    _state(tmp_path / "new")
    shutil.copy(data / "deliveries.db", tmp_path / "new")
    done = _gaugepost("archive", tmp_path / "new", tmp_path, "--before", start_of(data, 1))
    assert "seals all before it" in done.stdout


def test_a_damaged_journal_with_archives_is_salvaged(data: Path, tmp_path: Path) -> None:
    """Archived records are not counted as lost, and what follows them is proven."""
    _gaugepost("archive", data, tmp_path, "--before", start_of(data, 1))
    with closing(sqlite3.connect(data / "journal.db")) as db:
        (middle,) = db.execute("SELECT (min(sequence) + max(sequence)) / 2 FROM records").fetchone()
        db.execute("UPDATE records SET body = zeroblob(60) WHERE sequence = ?", (middle,))
        db.commit()
    done = salvage(data, tmp_path / "new", NOW, program="test")
    assert (done.lost, done.missing) == (1, [f"{middle} damaged"])
    report = examine(tmp_path / "new")
    assert report.sound, report.findings
    assert len(report.archived) == 1
    _state(tmp_path / "new")

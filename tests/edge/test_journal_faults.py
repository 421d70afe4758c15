"""The journal against kills, full disks and read-only media: nothing acknowledged is lost, nothing is invented."""

from __future__ import annotations

import random
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from gaugepost.core.errors import JournalError
from gaugepost.edge.journal import Journal, Reader, examine
from gaugepost.edge.journal.codec import encode
from gaugepost.edge.journal.writer import CHECKPOINT_BYTES
from tests.edge.readings import reading
from tests.shape.tree import ROOT

WRITER = """
import sys
from pathlib import Path
from gaugepost.edge.journal import Journal
from tests.edge.readings import reading
journal = Journal.open(Path(sys.argv[1]), "bench-3")
number = journal.sequence
while True:
    size = number % 7 + 1
    written = journal.append([reading(number + i) for i in range(size)])
    number += size
    print(written[-1].sequence, written[-1].hash.hex(), flush=True)
"""


def _program(text: str, *arguments: Path | str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", text, *map(str, arguments)],
        cwd=ROOT,
        env={"PYTHONPATH": f"{ROOT}:{ROOT / 'daemon'}", "PYTHONDONTWRITEBYTECODE": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.attack
def test_twenty_kills_lose_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    """After SIGKILL at any moment the journal holds every acknowledged record, in one sound chain of whole batches."""
    path = tmp_path / "journal.db"
    chance = random.Random(20261101)
    acknowledged: dict[int, str] = {}
    for _ in range(20):
        with _program(WRITER, path) as writer:
            assert writer.stdout is not None
            for _ in range(chance.randint(1, 60)):
                sequence, digest = writer.stdout.readline().split()
                acknowledged[int(sequence)] = digest
            time.sleep(chance.random() / 200)
            writer.send_signal(signal.SIGKILL)
            for line in writer.stdout.read().splitlines(keepends=True):
                if line.endswith("\n"):
                    acknowledged[int(line.split()[0])] = line.split()[1]
        assert writer.returncode == -signal.SIGKILL
        report = examine(path, (max(acknowledged), bytes.fromhex(acknowledged[max(acknowledged)])))
        assert report.sound, report.findings
    reader = Reader(path)
    held = {entry.sequence: entry for entry in reader.replay()}
    reader.close()
    assert acknowledged.keys() <= held.keys()
    assert all(held[sequence].hash.hex() == digest for sequence, digest in acknowledged.items())
    assert list(held) == list(range(1, len(held) + 1))
    assert all(entry.record == reading(sequence - 1) for sequence, entry in held.items())
    ends = [0]
    while ends[-1] < len(held):  # where a batch of the writer ends
        ends.append(ends[-1] + ends[-1] % 7 + 1)
    assert ends[-1] == len(held)


def test_a_killed_writer_s_lock_dies_with_it(tmp_path: Path) -> None:
    """After a kill the next daemon starts at once; while the first one lives, it is named by its process."""
    path = tmp_path / "journal.db"
    with _program(WRITER, path) as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        with pytest.raises(JournalError, match=rf"process {writer.pid}\)"):
            Journal.open(path, "bench-3")
        writer.kill()
        writer.stdout.read()
    Journal.open(path, "bench-3").close()


def _limited(most: int) -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))


@pytest.fixture
def unlimited() -> Iterator[None]:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.usefixtures("unlimited")
def test_a_commit_that_fails_can_be_made_again(tmp_path: Path) -> None:
    """While the disk takes nothing, every append fails and changes nothing; when it does again, the same call works."""
    journal = Journal.open(tmp_path / "journal.db", "bench-3")
    reader = Reader(journal.path)
    soft, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
    number = 0
    for _ in range(5):
        for _ in range(3):
            number += len(journal.append([reading(number), reading(number + 1, gauge=f"g{number}")]))
        before = journal.sequence, journal.head
        log = Path(f"{journal.path}-wal").stat().st_size
        _limited(log + 2000)  # real writes fail in the kernel, some of them halfway
        batch = [reading(number + i, gauge=f"new-{number + i}") for i in range(200)]
        for _ in range(3):
            with pytest.raises(JournalError, match=r"can't write to the journal .*; check the disk"):
                journal.append(batch)
            assert (journal.sequence, journal.head) == before == reader.head()
        _limited(soft)
        written = journal.append(batch)
        number += len(batch)
        assert [e.sequence for e in written] == list(range(before[0] + 1, before[0] + 201))
        assert [e.record for e in reader.entries(after=before[0], gauge=f"new-{number - 1}")] == [batch[-1]]
    journal.close()
    assert [e.record.measured_at for e in reader.replay()] == [reading(i).measured_at for i in range(number)]
    reader.close()
    assert examine(journal.path).sound


@pytest.mark.usefixtures("unlimited")
def test_a_copy_of_the_log_that_fails_takes_nothing_away(tmp_path: Path) -> None:
    """When the journal itself can't grow, records stay in the log, are acknowledged, and are found after a kill."""
    journal = Journal.open(tmp_path / "journal.db", "bench-3")
    soft, _ = resource.getrlimit(resource.RLIMIT_FSIZE)
    log = tmp_path / "journal.db-wal"
    # The limit is one for every file: a journal much larger than the log leaves the log its room.
    while not log.exists() or journal.path.stat().st_size < 3 * log.stat().st_size:
        journal.append([reading(journal.sequence + i) for i in range(1000)])
    size, before = journal.path.stat().st_size, journal.sequence
    _limited(size)
    while (journal.sequence - before) * len(encode(reading())) < CHECKPOINT_BYTES * 5 / 4:
        journal.append([reading(journal.sequence + i) for i in range(1000)])
    _limited(soft)
    assert journal.path.stat().st_size == size
    killed = tmp_path / "killed"
    killed.mkdir()
    for name in ("journal.db", "journal.db-wal"):
        shutil.copy(tmp_path / name, killed / name)
    assert examine(killed, (journal.sequence, journal.head)).sound
    journal.close()
    assert journal.path.stat().st_size > size
    assert examine(tmp_path, (journal.sequence, journal.head)).sound


AS_ANYBODY = """
import os, sys
from pathlib import Path
from gaugepost.core.errors import JournalError
from gaugepost.edge.journal import Reader
if os.geteuid() == 0:  # root may write anywhere: become somebody who may not
    os.setgid(65534)
    os.setuid(65534)
try:
    reader = Reader(Path(sys.argv[1]))
except JournalError as error:
    print(error)
else:
    print(*(entry.sequence for entry in reader.replay()))
    reader.close()
"""


@pytest.fixture
def medium() -> Iterator[Path]:
    """A directory that becomes read-only for everybody but root, where everybody may look."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        inner = Path(name) / "data"
        inner.mkdir()
        yield inner
        inner.chmod(0o755)


def _read_by_anybody(path: Path) -> str:
    with _program(AS_ANYBODY, path) as program:
        out, err = program.communicate()
    assert program.returncode == 0, err
    return out.strip()


def test_a_closed_journal_can_be_read_where_nothing_can_be_written(medium: Path) -> None:
    """An archived journal on a read-only medium is read as it is."""
    journal = Journal.open(medium / "journal.db", "bench-3")
    journal.append([reading(1), reading(2)])
    journal.close()
    medium.chmod(0o555)
    assert _read_by_anybody(medium) == "1 2"
    assert sorted(p.name for p in medium.iterdir()) == ["journal.db", "journal.db.lock"]


def test_a_journal_with_a_log_is_not_read_without_it(medium: Path) -> None:
    """On a read-only medium the latest records, still in the log, are never silently left out."""
    with _program(WRITER, medium / "journal.db") as writer:
        assert writer.stdout is not None
        writer.stdout.readline()
        writer.kill()
        writer.stdout.read()
    (medium / "journal.db-shm").unlink()
    medium.chmod(0o555)
    assert "its latest records are in journal.db-wal" in _read_by_anybody(medium)

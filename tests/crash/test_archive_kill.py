"""SIGKILL at any write, sync or rename of archiving, backing up or restoring: nothing is lost, it is done again."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from gaugepost.core.record import Entry, Kind
from gaugepost.edge.journal import Archive, backup, examine
from tests.bench_tools.journals import entries_of
from tests.edge.test_archive import _archived, _gaugepost, shop
from tests.fault.shim import Shim

pytestmark = pytest.mark.attack

CALLS = "write|pwrite|writev|fsync|fdatasync|ftruncate|rename"
STEPS = 14
"""So many moments, spread over all calls of one run."""


def _run(words: Sequence[object], shim: Shim) -> int:
    return subprocess.run(
        [sys.executable, "-m", "gaugepost", *map(str, words)],
        env={**os.environ, **shim.env()},
        capture_output=True,
    ).returncode


def _moments(folder: Path, words: Sequence[object]) -> tuple[Shim, list[int]]:
    """Run a command once, and return the shim with the numbers of the calls before which it is to be killed."""
    shim = Shim(folder)
    shim.clear()
    assert _run(words, shim) == 0
    calls = len(shim.events())
    assert calls > 20
    return shim, sorted({*range(0, calls, max(1, calls // STEPS)), *range(calls - 5, calls)})


def _killed(shim: Shim, words: Sequence[object], at: int) -> bool:
    """Return whether it was: one time may take some calls fewer than another."""
    shim.inject([f"{CALLS} * kill=1 after={at} count=1"])
    code = _run(words, shim)
    assert code in (-9, 0)
    shim.clear()
    return code == -9


def _put(source: Path, target: Path) -> None:
    shutil.rmtree(target, ignore_errors=True)
    shutil.copytree(source, target)


def _without_archive(entries: list[Entry]) -> list[Entry]:
    return [entry for entry in entries if entry.record.kind is not Kind.ARCHIVE]


def test_no_kill_of_archiving_loses_a_record(tmp_path: Path) -> None:
    """Whenever it is killed, every record is in the journal or in a sound archive; the next call finishes it."""
    source, data, archives = tmp_path / "source", tmp_path / "data", tmp_path / "archives"
    shop(source)
    whole = entries_of(source)
    words = ["archive", data, archives, "--before", "2100-01-01"]
    _put(source, data)
    archives.mkdir()
    shim, moments = _moments(tmp_path, words)
    seen = set()
    for at in moments:
        _put(source, data)
        shutil.rmtree(archives)
        archives.mkdir()
        _killed(shim, words, at)
        report = examine(data)
        assert report.sound, (at, report.findings)
        seen.add(len(report.archived))
        held = _archived(archives) if report.archived else []
        assert [*held, *_without_archive(entries_of(data))] == whole, at
        assert _gaugepost(*words).returncode in (0, 1)
        report = examine(data)
        assert report.sound
        assert len(report.archived) == 1
        assert all(Archive(file).examine().sound for file in archives.glob("*.archive.xz"))
        assert not list(archives.glob(".*")), "what a kill left stays on the disk"
        assert [*_archived(archives), *_without_archive(entries_of(data))] == whole, at
    assert seen == {0, 1}, "the moments were all before or all after the step that counts"


def test_no_kill_of_a_backup_leaves_half_of_one(tmp_path: Path) -> None:
    """Whenever it is killed, there is no backup or a whole one."""
    data, target = tmp_path / "data", tmp_path / "backup.db"
    shop(data, days=1)
    head = examine(data).head
    shim, moments = _moments(tmp_path, ["backup", data, target])
    kills = 0
    for at in moments[:: max(1, len(moments) // 6)]:
        target.unlink(missing_ok=True)
        kills += _killed(shim, ["backup", data, target], at)
        assert not target.exists() or (examine(target).sound and examine(target).head == head)
    assert kills > 4


def test_no_kill_of_restoring_loses_what_was_there(tmp_path: Path) -> None:
    """Whenever it is killed, the journal that was there is in its place or whole beside it, and it is done again."""
    source, data, saved = tmp_path / "source", tmp_path / "data", tmp_path / "backup.db"
    shop(source, days=1)
    backup(source, saved)
    before = entries_of(source)
    words = ["restore", saved, data, "--replace"]
    _put(source, data)
    shim, moments = _moments(tmp_path, words)
    kills = 0
    for at in moments[:: max(1, len(moments) // 6)]:
        _put(source, data)
        kills += _killed(shim, words, at)
        places = [data, *data.glob("journal-replaced-*")]
        found = [entries_of(place) for place in places if (place / "journal.db").exists()]
        assert before in found, at
        assert _gaugepost(*words).returncode == 0
        report = examine(data)
        assert report.sound
        assert report.count == len(before) + 1
        assert not list(data.glob(".*")), "what a kill left stays on the disk"
    assert kills > 4

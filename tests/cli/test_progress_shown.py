"""Whatever works through a journal of years shows a person at a terminal how far it is, and nobody else."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from tests.bench_tools.years import fill
from tests.edge.test_archive import shop, start_of

RECORDS = 3000
BAR = re.compile(r"\r\x1b\[K([A-Za-z ,]+) [█░]{24} +(\d+) %, (\d+) of (\d+)")


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with a journal."""
    folder = tmp_path_factory.mktemp("journal")
    fill(folder / "journal.db", RECORDS)
    return folder


@pytest.fixture(scope="module")
def archived(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Another one, for what takes records out of it, and a time up to which it may."""
    folder = tmp_path_factory.mktemp("archived")
    shop(folder)
    return folder, start_of(folder, 2)


def _bars(words: Sequence[object]) -> dict[str, list[tuple[int, int]]]:
    """Run a command at a terminal; return how far it said it was, by what it was at."""
    ours, theirs = pty.openpty()
    environment = {**os.environ, "PYTHONIOENCODING": "utf-8"}
    try:
        with subprocess.Popen(
            [sys.executable, "-m", "gaugepost", *map(str, words)],
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=theirs,
        ) as command:
            os.close(theirs)
            shown = b""
            while more := _read(ours):
                shown += more
        assert command.returncode in (0, 1), shown.decode()
    finally:
        os.close(ours)
    bars: dict[str, list[tuple[int, int]]] = {}
    for what, percent, done, of in BAR.findall(shown.decode()):
        assert int(percent) == int(done) * 100 // max(int(of), 1)
        bars.setdefault(what, []).append((int(done), int(of)))
    return bars


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 10_000)
    except OSError:  # Linux' way to say that nobody holds the other end any more
        return b""


@pytest.mark.parametrize(
    ("words", "steps"),
    [
        (("backup", "{journal}", "{new}/backup.db"), ["copied", "verified", "structure, MB"]),
        (("restore", "{journal}/journal.db", "{new}/restored"), ["copied", "verified", "structure, MB"]),
        (("salvage", "{journal}", "{new}/salvaged"), ["searched page", "copied record"]),
        (("verify", "{journal}"), ["verified", "structure, MB"]),
        (("verify", "{journal}", "--numbers"), ["verified", "structure, MB", "derived"]),
        (
            ("archive", "{archived}", "{new}/archives", "--before", "{day}"),
            ["archived", "verified", "cleared", "written anew, MB"],
        ),
    ],
    ids=lambda each: each[0] if isinstance(each, tuple) else "",
)
def test_each_step_is_seen_to_its_end(
    words: tuple[str, ...], steps: list[str], journal: Path, archived: tuple[Path, str], tmp_path: Path
) -> None:
    """Every step has its bar, which only goes on and ends where all is done."""
    (tmp_path / "archives").mkdir()
    named = {"journal": journal, "new": tmp_path, "archived": archived[0], "day": archived[1]}
    bars = _bars([word.format(**named) for word in words])
    assert list(bars) == steps
    for told in bars.values():
        assert told == sorted(told)
        assert told[-1][0] == told[-1][1] > 0


def test_pipes_and_logs_get_none(journal: Path, tmp_path: Path) -> None:
    """Where nobody looks nothing is written beside what the command says."""
    words = [sys.executable, "-m", "gaugepost", "backup", str(journal), str(tmp_path / "backup.db")]
    assert subprocess.run(words, capture_output=True, check=True).stderr == b""

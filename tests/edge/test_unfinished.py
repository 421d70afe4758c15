"""What a command that was killed left hidden beside its target goes with the next one; nobody else would find it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.edge.journal import backup
from tests.edge.test_archive import shop, start_of


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with three days' journal, all of it delivered."""
    shop(tmp_path / "data")
    return tmp_path / "data"


@pytest.fixture
def gone() -> int:
    """The number of a process that is no more."""
    child = subprocess.Popen([sys.executable, "-c", ""])
    child.wait()
    return child.pid


def left_by(process: int, folder: Path, name: str) -> set[Path]:
    """Lay down what a process left that was making a file of this name."""
    folder.mkdir(exist_ok=True)
    made = {folder / f".{name}.{process}.{end}" for end in ("part", "part-journal", "found")}
    for path in made:
        path.write_bytes(b"half of it")
    return made


@pytest.mark.parametrize(
    "what", ["archive", "backup", "backup into a folder", "restore", "salvage", "export"]
)
def test_what_a_kill_left_goes_with_the_next_try(what: str, data: Path, gone: int, tmp_path: Path) -> None:
    """Years of records, half copied, do not stay on a disk for ever; what a process is at, and others' files, do."""
    out, saved = tmp_path / "out", tmp_path / "saved.db"
    backup(data, saved)
    words: list[object]
    words, name = {
        "archive": (["archive", data, out, "--before", start_of(data, 2)], "test-bench-1-57.archive.xz"),
        "backup": (["backup", data, out / "friday.db"], "friday.db"),
        "backup into a folder": (["backup", data, out], "test-bench-2026-11-01-99.db"),
        "restore": (["restore", saved, out], "journal.db"),
        "salvage": (["salvage", data, out], "journal.db"),
        "export": (["export", data, "--format", "csv", "--output", out / "all.csv"], "all.csv"),
    }[what]
    left = left_by(gone, out, name)
    others = left_by(os.getppid(), out, name) | left_by(gone, out, f"my-{name}")
    assert main([str(word) for word in words]) == 0
    found = set(out.iterdir())
    assert not left & found
    assert others <= found

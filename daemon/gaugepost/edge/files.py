"""Files that appear whole or not at all, and folders whose entries are on the disk."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TextIO

from gaugepost.core.errors import JournalError

MOUNT_OR_MAKE = "mount its disk, or make the folder first"
"""What to do where a folder is missing that something is to be written to."""


def part_of(target: Path) -> Path:
    """Return the file in which this process makes `target`, hidden beside it until it gets that name."""
    return part_of_process(target, os.getpid())


def part_of_process(target: Path, pid: int) -> Path:
    """Return the file in which the process `pid` makes `target`."""
    return target.with_name(f".{target.name}.{pid}.part")


def plain(station: str) -> str:
    """Return a station's name as it may stand in a file's name."""
    return "".join(char if char.isalnum() or char in "-_" else "-" for char in station)


def settle(part: Path, target: Path) -> None:
    """Give `part` the name `target`, all of it on the disk before, and its folder's entry after.

    Raises:
        OSError: the disk refuses; `part` or `target` is there then, never neither.
    """
    sync(part)
    part.rename(target)
    sync(target.parent)


@contextlib.contextmanager
def written(target: Path) -> Iterator[TextIO]:
    """Lend a stream in UTF-8, without changes at line ends; what is written to it is `target` when the block ends well.

    Raises:
        OSError: the disk refuses; what was there before is there still.
    """
    part = part_of(target)
    sweep(target.parent, re.escape(target.name))
    try:
        with part.open("x", encoding="utf-8", newline="") as stream:
            yield stream
        settle(part, target)
    finally:
        part.unlink(missing_ok=True)


def make(folder: Path) -> None:
    """Make `folder` and what is missing above it, each entry on the disk before the next.

    Raises:
        OSError: the disk refuses, or a file is in the way.
    """
    if folder.is_dir():
        return
    make(folder.parent)
    folder.mkdir(exist_ok=True)
    sync(folder.parent)


def hold_there(folder: Path) -> None:
    """Refuse a folder that is not there: where its disk is not mounted, what is written would fill the one below.

    Raises:
        JournalError: it is not there, is a file, or may not be looked at.
    """
    try:
        if folder.is_dir():
            return
        is_file = folder.exists()
    except OSError as cause:
        raise JournalError(f"can't look at {folder}: {cause.strerror}", hint="become who may") from cause
    if is_file:
        raise JournalError(f"{folder} is a file", hint="name a folder")
    raise JournalError(f"there is no folder {folder}", hint=MOUNT_OR_MAKE)


def sync(path: Path) -> None:
    """Put a file, or a folder's entries, on the disk."""
    descriptor = os.open(path, os.O_RDONLY | (os.O_DIRECTORY if path.is_dir() else 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def vanish(part: Path) -> None:
    """Remove what was not finished, with what SQLite may have left beside it."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        Path(f"{part}{suffix}").unlink(missing_ok=True)


def sweep(folder: Path, names: str) -> None:
    """Remove what processes that were killed left of files whose names fit the expression `names`.

    What a process that is still there makes stays: it may be at it.

    Raises:
        OSError: the disk refuses, or there is no folder.
    """
    form = re.compile(rf"(?P<part>\.(?:{names})\.(?P<pid>\d+)\.(?:part|found))(?:-\w+)?", re.ASCII)
    fit = [found for path in folder.iterdir() if (found := form.fullmatch(path.name)) is not None]
    for part in {found["part"] for found in fit if not Path(f"/proc/{found['pid']}").exists()}:
        vanish(folder / part)

"""Appending to CSV files that other people's programs open, save, lock, replace and delete.

What is on disk decides, not what was meant to be there:

- A file is opened for each append and let go of at once, so a program that replaces or renames it is followed.
- Rows go out in one write and are synced before anybody is told. A row without its line end, left by a kill or a
  full disk, is cut off; it is written again, since nobody was told that it was held.
- Whenever a file is not exactly as this process left it, it is read back: rows up to the highest sequence in it are
  held and not written again. Rows that a person edited, sorted or removed stay that way.
- A last row to which an editor left no line end gets one. Where it lacks cells, it is cut off as well.
- A file whose first line is not today's header is left alone, and a new one is begun beside it: `name~2.csv`, then
  `name~3.csv`. Rows in the older ones count as held. (`~` is in no name made from a lot; `-2` can be.)
- A deleted file is begun again, with its header; rows that were in it do not come back.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gaugepost_adapters.destinations.csv_rows import Form, columns_of, id_pattern, whole

REMEMBERED = 1000
"""Files whose state is kept in mind; one that is used again after so many others is read back again."""

ATTEMPTS = 5
"""How often an append is begun again when the file is replaced under it."""

Row = tuple[int, bytes]
"""A row's sequence and its line."""
_Signature = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class _Left:
    """How this process left a file: which one of its name's files is in use, and up to where rows are held."""

    path: Path
    epoch: str
    held: int
    signature: _Signature | None


@dataclass(frozen=True, slots=True)
class _Found:
    """What reading back found: rows held, and the size up to which every line is complete."""

    held: int
    size: int
    missing: bytes
    """Bytes to write before the first row: the header, or a line end; empty where the file is in order."""


class Appender:
    """Appends rows to files of one form, each row once. One thread at a time."""

    def __init__(self, form: Form) -> None:
        self._form = form
        self._left: dict[Path, _Left] = {}

    def append(self, path: Path, epoch: str, rows: Sequence[Row]) -> None:
        """Return when every one of `rows` (ascending, of one `epoch`) is on disk in `path` or a file beside it.

        Raises:
            OSError: not all are; what was written is found again by the next append.
        """
        for _ in range(ATTEMPTS):
            if self._append(path, epoch, rows):
                return
        raise OSError(errno.EBUSY, "it is replaced by another program again and again", str(path))

    def _append(self, name: Path, epoch: str, rows: Sequence[Row]) -> bool:
        """Append once. False where the file was replaced meanwhile, so that the rows may be in none that has a name."""
        left = self._left.pop(name, None)
        held = left.held if left is not None and left.epoch == epoch else 0
        # Until the end is reached nothing is known about the file, but what was held once is not written again.
        self._left[name] = _Left(name, epoch, held, None)
        path = left.path if left is not None and left.signature is not None else _newest(name)
        fd = _open(path)
        try:
            _lock(fd)
            as_left = left is not None and left.epoch == epoch and left.signature == _signature(fd)
            if as_left:
                found = _Found(held, os.fstat(fd).st_size, b"")
            else:
                read = self._read_back(fd, name, path, epoch, held, rows)
                if read is None:
                    _begin(_following(name, path))
                    return False
                found = read
            fresh = b"".join(line for sequence, line in rows if sequence > found.held)
            self._write(fd, found, fresh)
            if not as_left:
                _sync_directory(path.parent)
            if not _is_still(fd, path):
                return False
            held = max([found.held, *(sequence for sequence, _ in rows)])
            self._left[name] = _Left(path, epoch, held, _signature(fd))
        finally:
            os.close(fd)
        while len(self._left) > REMEMBERED:
            self._left.pop(next(iter(self._left)))
        return True

    def _write(self, fd: int, found: _Found, fresh: bytes) -> None:
        if os.fstat(fd).st_size > found.size:
            os.ftruncate(fd, found.size)
        rest = memoryview(found.missing + fresh)
        try:
            while rest:
                rest = rest[os.write(fd, rest) :]
            os.fsync(fd)
        except OSError:
            with suppress(OSError):  # else the next reading back cuts it
                os.ftruncate(fd, found.size)
            raise

    def _read_back(
        self, fd: int, name: Path, path: Path, epoch: str, held: int, rows: Sequence[Row]
    ) -> _Found | None:
        """Return what `path` (open as `fd`) and the older files of its name hold; None: another is to be begun."""
        for older in _files(name):
            if older != path:
                with older.open("rb") as file:
                    held = max(held, _highest(file.fileno(), epoch))
        size = os.fstat(fd).st_size
        complete, torn = _last_line(fd, size)
        header = self._form.header
        if complete == 0 and header.startswith(torn):
            return _Found(held, 0, header)
        first = _first_line(fd)
        known = columns_of(first)
        if known != (self._form.columns, self._form.delimiter) or complete == 0:
            return None
        held = max(held, _highest(fd, epoch))
        if not torn:
            return _Found(held, size, b"")
        following = next((line for sequence, line in rows if sequence > held), b"")
        if following.startswith(torn) or not whole(torn, len(self._form.columns), self._form.delimiter):
            return _Found(held, complete, b"")
        if match := id_pattern(self._form.columns, self._form.delimiter, epoch).match(torn):
            held = max(held, int(match[1]))
        return _Found(held, size, b"\n" if torn.endswith(b"\r") else self._form.line_end.encode())


def ensure_directory(path: Path, within: Path) -> None:
    """Make the directory `path` and those above it, durably, where it lies in `within`; elsewhere it must be there.

    A share that is not mounted must not be mistaken for an empty directory of the station's own disk.

    Raises:
        OSError: it is not there and can't or may not be made.
    """
    if path.is_dir():
        return
    if path != within and within not in path.parents:
        raise FileNotFoundError(
            errno.ENOENT, "there is no such directory; make it, or mount the share", str(path)
        )
    if path != within:
        ensure_directory(path.parent, within)
    path.mkdir(exist_ok=True)
    _sync_directory(path.parent)


def _files(name: Path) -> list[Path]:
    """Return the files of one name, oldest first: `name.csv`, `name~2.csv` and so on, as far as they are there."""
    numbered = re.compile(re.escape(name.stem) + r"~([2-9]|[1-9][0-9]{1,8})" + re.escape(name.suffix))
    found = [(int(m[1]), path) for path in name.parent.iterdir() if (m := numbered.fullmatch(path.name))]
    return [*([name] if name.exists() else []), *(path for _, path in sorted(found))]


def _newest(name: Path) -> Path:
    return [name, *_files(name)][-1]


def _following(name: Path, path: Path) -> Path:
    number = 2 if path == name else int(path.stem.rpartition("~")[2]) + 1
    return name.with_name(f"{name.stem}~{number}{name.suffix}")


def _begin(path: Path) -> None:
    with path.open("xb"):
        pass


def _open(path: Path) -> int:
    return os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o664)


def _lock(fd: int) -> None:
    """Take the file until it is closed. Raises `OSError` where another program has it."""
    try:
        # Office programs hold a lock of one sort, editors of the other. On some network file systems the two are one
        # and would get into each other's way, so the first is given back.
        fcntl.lockf(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        fcntl.lockf(fd, fcntl.LOCK_UN)
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as cause:
        if cause.errno not in (errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS):  # a file system without locks
            raise


def _signature(fd: int) -> _Signature:
    state = os.fstat(fd)
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns


def _is_still(fd: int, path: Path) -> bool:
    try:
        named = path.stat()
    except FileNotFoundError:
        return False
    return os.path.samestat(named, os.fstat(fd))


def _sync_directory(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _first_line(fd: int) -> bytes:
    with open(os.dup(fd), "rb") as file:  # noqa: PTH123 - a descriptor has no path
        file.seek(0)
        return file.readline(1 << 20)


def _last_line(fd: int, size: int) -> tuple[int, bytes]:
    """Return the size up to the end of the last complete line, and what follows it."""
    step, tail, start = 1 << 16, b"", size
    while start > 0:
        length = min(step, start)
        start -= length
        tail = os.pread(fd, length, start) + tail
        if (end := tail.rfind(b"\n")) >= 0:
            return start + end + 1, tail[end + 1 :]
    return 0, tail


def _highest(fd: int, epoch: str) -> int:
    """Return the highest sequence of `epoch` in complete lines of a file, whatever its columns; 0 for none."""
    with open(os.dup(fd), "rb") as file:  # noqa: PTH123 - a descriptor has no path
        file.seek(0)
        known = columns_of(file.readline(1 << 20))
        if known is None:
            return 0
        match = id_pattern(*known, epoch).match
        return max((int(m[1]) for line in file if line.endswith(b"\n") and (m := match(line))), default=0)

"""A workbook on a disk that people share: whether somebody has it open, and how it is replaced whole.

Office programs read a file, keep it for hours and write all of it back: what was filled in meanwhile would be gone. So
nothing is written while one has it open. A new version goes into a file beside it, is synced and takes its name in one
step: whoever looks, at any moment and after any power cut, finds the old or the new one, whole.
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gaugepost.contract import Unreachable

MOUNT = "mount that file system for writing"
LATER = "nothing is lost, it is filled in later"
_WRITES = os.O_WRONLY | os.O_RDWR


@dataclass(frozen=True, slots=True)
class Read:
    """A workbook's bytes, and the file they were read from."""

    data: bytes
    state: os.stat_result


def read(path: Path) -> Read:
    """Return what `path` holds now. Raises `OSError`."""
    with path.open("rb") as file:
        before = os.fstat(file.fileno())
        data = file.read()
        return Read(data, before)


def check_free(path: Path) -> None:
    """Return where nobody has `path` open.

    Raises:
        Unreachable: somebody has, by the files that office programs lay beside it, by a lock, or by an open handle.
    """
    beside = path.parent / f".~lock.{path.name}#"
    owner = path.parent / f"~${path.name}"
    for mark in (
        beside,
        owner,
        path.parent / f"~${path.name[2:]}",
    ):  # long names lose their first two letters
        if mark.exists():
            raise _open_elsewhere(path, _who(mark), f"where nobody has, delete {mark.name}")
    for holder in _holders(path):
        raise _open_elsewhere(path, holder, "")
    with path.open("r+b") as file:
        try:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as cause:
            if cause.errno in (errno.EAGAIN, errno.EACCES):
                raise _open_elsewhere(path, "another program", "") from cause


def _open_elsewhere(path: Path, who: str, hint: str) -> Unreachable:
    return Unreachable(
        f"{path} is open in {who}", hint=f"close it there{f'; {hint}' if hint else ''}; {LATER}"
    )


def _who(mark: Path) -> str:
    """Return who left the mark, as far as it says: a comma list, or a length and a name."""
    try:
        data = mark.read_bytes()[:512]
    except OSError:
        return "an office program"
    if mark.name.startswith(".~lock."):
        words = [word.strip() for word in data.decode("utf-8", "replace").split(",")]
        who, login, computer = (*words, "", "", "")[:3]
        named = " on ".join(word for word in (who or login, computer) if word)
    else:
        named = data[1 : 1 + data[0]].decode("latin-1").strip("\x00 ") if data else ""
    shown = "".join(c for c in named if c.isprintable())
    return f"an office program, by {shown}" if shown else "an office program"


def _holders(path: Path) -> Iterator[str]:
    """Yield programs that have `path` open for writing, as far as this user may see."""
    try:
        mine = path.stat()
    except FileNotFoundError:
        return
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        with suppress(OSError):
            for handle in (process / "fd").iterdir():
                with suppress(OSError):
                    if str(handle.readlink()) == str(path) and os.path.samestat(handle.stat(), mine):
                        flags = (process / "fdinfo" / handle.name).read_text().split("flags:")[1].split()[0]
                        if int(flags, 8) & _WRITES:
                            yield f"{(process / 'comm').read_text().strip()} (process {process.name})"


def replace(path: Path, data: bytes, old: Read | None, like: Path | None = None) -> None:
    """Put `data` in place of `path`, which must still be as `old` says; durable when it returns.

    Mode, owner and access lists stay as they were; a new file (`old` is None) takes the mode of `like`.

    Raises:
        Unreachable: somebody opened or changed it meanwhile, or it can't stay its owner's.
        OSError: it can't be written; the old one is untouched.
    """
    new = path.parent / f".{path.name}.gaugepost"
    with suppress(FileNotFoundError):  # left by a kill
        new.unlink()
    fd = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC | os.O_NOFOLLOW, 0o600)
    try:
        try:
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(fd, rest) :]
            _as_it_was(fd, path, old, like)
            os.fsync(fd)
        finally:
            os.close(fd)
        if old is not None:
            check_free(path)
        _check_unchanged(path, old)
        new.replace(path)
    except BaseException:
        with suppress(OSError):
            new.unlink()
        raise
    _sync_directory(path.parent)


def _as_it_was(fd: int, path: Path, old: Read | None, like: Path | None) -> None:
    if old is None:
        if like is not None:
            os.fchmod(fd, like.stat().st_mode & 0o777)
        return
    made = os.fstat(fd)
    if (made.st_uid, made.st_gid) != (old.state.st_uid, old.state.st_gid):
        try:
            os.fchown(fd, old.state.st_uid, old.state.st_gid)
        except PermissionError as cause:
            raise Unreachable(
                f"{path} belongs to another user, whose it could not stay",
                hint="give it to the service's user, and let the group write",
            ) from cause
    if stat.S_IMODE(made.st_mode) != stat.S_IMODE(old.state.st_mode):  # a share may give every file one mode
        os.fchmod(fd, stat.S_IMODE(old.state.st_mode))
    with suppress(OSError):  # a file system without them
        for name in os.listxattr(path):
            with suppress(OSError):
                os.setxattr(fd, name, os.getxattr(path, name))


def _check_unchanged(path: Path, old: Read | None) -> None:
    if old is None:
        if path.exists():
            raise Unreachable(f"{path} was made by somebody else just now", hint=LATER)
        return
    if changed(path.stat(), old.state) or read(path).data != old.data:
        raise Unreachable(f"{path} was changed while it was being filled in", hint=LATER)


def changed(now: os.stat_result, then: os.stat_result) -> bool:
    """Tell whether a file is another one, or was written."""
    return signature(now) != signature(then)


def signature(state: os.stat_result) -> tuple[int, int, int, int]:
    """Return what changes when a file is replaced or written."""
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns


def _sync_directory(path: Path) -> None:
    fd = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    except OSError as cause:
        if cause.errno not in (errno.EINVAL, errno.ENOTSUP):  # shares whose directories can't be synced
            raise
    finally:
        os.close(fd)

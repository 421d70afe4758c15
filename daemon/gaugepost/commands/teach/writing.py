"""Puts a description and its capture on the disk: both or neither, and never over what is there already."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path

from gaugepost.core.errors import SettingsError
from gaugepost.edge.files import sync

_NO_LINKS = {errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK}
"""What a file system says that has no hard links (memory sticks)."""


def named(name: str) -> tuple[Path, Path]:
    """Return where the description and its capture go.

    Raises:
        SettingsError: they can't go there, as far as that can be told before anything is written.
    """
    bare = name.removesuffix(".toml")
    if not Path(bare).name or bare.endswith("/") or "\0" in bare:
        raise SettingsError(f"{name!r} names no file", hint="write a name, as bore")
    try:
        base = Path(bare).expanduser()
    except RuntimeError as error:
        raise SettingsError(f"{name!r} names no folder: {error}", hint="give another name") from error
    files = base.with_name(f"{base.name}.toml"), base.with_name(f"{base.name}.capture.toml")
    folder = files[0].parent
    if not folder.is_dir():
        raise SettingsError(
            f"{files[0]} can't be written: there is no folder {folder}", hint="make it, or give another name"
        )
    for file in files:
        if os.path.lexists(file):
            raise SettingsError(
                f"{file} can't be written: it is there already",
                hint="give another name; remove it if nobody needs it",
            )
    if not os.access(folder, os.W_OK | os.X_OK):
        raise SettingsError(
            f"{files[0]} can't be written: you may not write into {folder.absolute()}",
            hint="give a name in a folder of yours, as ~/bore",
        )
    return files


def write(texts: Mapping[Path, str]) -> None:
    """Write each text to its file, on the disk when this returns. The last file is there only with all the others.

    Raises:
        SettingsError: the disk takes one of them not; none is left behind, not even in part.
    """
    prepared: list[tuple[Path, Path]] = []
    there: list[Path] = []
    try:
        for file, text in texts.items():
            prepared.append((_prepared(file, text), file))
        for draft, file in prepared:
            _put(draft, file)
            there.append(file)
        for folder in {file.parent for file in texts}:
            sync(folder)
    except BaseException as error:
        for file in there:
            with suppress(OSError):
                file.unlink()
        if not isinstance(error, OSError):
            raise
        raise SettingsError(
            f"{_named(error, texts)} can't be written: {error.strerror or error}", hint=_remedy(error)
        ) from error
    finally:
        for draft, _ in prepared:
            with suppress(OSError):
                draft.unlink()


def write_or_ask(name: str, texts: tuple[str, str], another: Callable[[str], str]) -> tuple[Path, Path]:
    """Write description and capture under `name`, or under another name as long as `another` gives one.

    `another` is told why, and answers empty where there is none.

    Raises:
        SettingsError: nothing was written, and no other name was given.
    """
    while True:
        try:
            description, capture = named(name)
            write({capture: texts[1], description: texts[0]})
        except SettingsError as refused:
            name = another(str(refused))
            if not name:
                raise
        else:
            return description, capture


def _prepared(file: Path, text: str) -> Path:
    """Return a file beside `file`, on the disk, with `text` in it."""
    at, name = tempfile.mkstemp(prefix=f".{file.name[:60]}.", dir=file.parent)
    draft = Path(name)
    try:
        with os.fdopen(at, "w", encoding="utf-8") as opened:
            opened.write(text)
            opened.flush()
            with suppress(PermissionError):  # memory sticks know no modes
                os.fchmod(opened.fileno(), 0o666 & ~_umask())
            os.fsync(opened.fileno())
    except OSError:
        with suppress(OSError):
            draft.unlink()
        raise
    return draft


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _put(draft: Path, file: Path) -> None:
    """Give a written file its name; a file of that name is not written over."""
    try:
        file.hardlink_to(draft)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if os.path.lexists(file):
            raise FileExistsError(errno.EEXIST, "it is there already", str(file)) from error
        draft.rename(file)


def _named(error: OSError, texts: Mapping[Path, str]) -> Path:
    told = error.filename2 or error.filename
    return next((file for file in texts if str(file) == str(told)), list(texts)[-1])


def _remedy(error: OSError) -> str:
    match error.errno:
        case errno.ENOSPC | errno.EDQUOT | errno.EFBIG:
            return "make room, or give a name on another disk"
        case errno.EACCES | errno.EPERM:
            return "give a name in a folder of yours, as ~/bore"
        case errno.EROFS:
            return "that disk is read-only: give a name on another one"
        case errno.ENOENT | errno.ENOTDIR:
            return "make its folder, or give another name"
        case errno.EEXIST | errno.ENAMETOOLONG:
            return "give another name"
        case _:
            return "give a name on another disk"

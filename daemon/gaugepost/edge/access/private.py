"""A small JSON file that is its owner's alone: written whole, read again when it changed."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import stat
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Generic, TypeVar

from gaugepost.core.errors import SettingsError
from gaugepost.edge.files import make, part_of, settle

LOCK_S = 10.0
"""How long is waited for somebody else who changes the file; a change takes a part of a second."""
LOOK_S = 0.02

Content = TypeVar("Content")


class PrivateFile(Generic[Content]):
    """Reads its content through `read` and remembers it for as long as the file stays what it is."""

    def __init__(
        self, path: Path, form: int, nothing: Content, read: Callable[[Any], Content], remedy: str
    ) -> None:
        """`form` is the format's number, `nothing` the content where there is no file.

        `read` takes the document apart and may fail as parsing does; `remedy` says what to do then.
        """
        self.path = path
        self._form, self._nothing, self._read, self._remedy = form, nothing, read, remedy
        self._seen: tuple[int, int, int] | None = None
        self._content = nothing

    def content(self) -> Content:
        """Return what the file says now.

        Raises:
            SettingsError: the file can't be read, is damaged, or others on this computer may read it.
        """
        try:
            about = self.path.stat()
        except FileNotFoundError:
            self._seen, self._content = None, self._nothing
            return self._content
        except OSError as error:
            raise self._unusable(error.strerror or str(error)) from error
        seen = about.st_ino, about.st_mtime_ns, about.st_size
        if seen != self._seen:
            self._content = self._parsed(about)
            self._seen = seen
        return self._content

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        """Let nobody else change the file for the time of the block: the service and a command line may both want to.

        Raises:
            SettingsError: somebody else does for too long, or the disk refuses.
        """
        lock = self.path.with_name(f"{self.path.name}.lock")
        try:
            make(self.path.parent)
            descriptor = os.open(lock, os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as error:
            raise self._unwritable(error) from error
        try:
            self._like_its_folder(lock)
            self._locked(descriptor)
            yield
        finally:
            os.close(descriptor)

    def _locked(self, descriptor: int) -> None:
        until = time.monotonic() + LOCK_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                if time.monotonic() > until:
                    raise SettingsError(
                        f"another program changes {self.path}", hint="try again in a moment"
                    ) from error
                time.sleep(LOOK_S)
            else:
                return

    def write(self, document: dict[str, Any]) -> None:
        """Write the file whole: a power cut leaves the old one or the new one.

        Raises:
            SettingsError: it can't be written.
        """
        text = json.dumps({"format": self._form, **document}, indent=1)
        part = part_of(self.path)
        try:
            make(self.path.parent)
            descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                file.write(text + "\n")
            self._like_its_folder(part)
            settle(part, self.path)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise self._unwritable(error) from error

    def _parsed(self, about: os.stat_result) -> Content:
        if stat.S_IMODE(about.st_mode) & 0o077:
            raise SettingsError(
                f"{self.path} may be read by others on this computer", hint=f"chmod 600 {self.path}"
            )
        try:
            said = json.loads(self.path.read_text("utf-8"))
            if said["format"] != self._form:
                raise self._unusable(f"format {said['format']!r:.20}, this program knows {self._form}")
            return self._read(said)
        except OSError as error:
            raise self._unusable(error.strerror or str(error)) from error
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise self._unusable("it is damaged") from error

    def _unwritable(self, error: OSError) -> SettingsError:
        return SettingsError(
            f"{self.path} can't be written: {error.strerror or error}",
            hint="run this as the user that the service runs as, or as root",
        )

    def _unusable(self, why: str) -> SettingsError:
        return SettingsError(f"{self.path} can't be used: {why}", hint=self._remedy)

    def _like_its_folder(self, part: Path) -> None:
        """Give the file to whom the data folder belongs, where root writes it: else the service could not read it."""
        if os.geteuid() == 0:
            owner = self.path.parent.stat()
            os.chown(part, owner.st_uid, owner.st_gid)

"""Mounts and network of its own, for as long as a process in them lives."""

from __future__ import annotations

import subprocess
from types import TracebackType
from typing import Self


class Apart:
    """What is mounted in it is seen by nothing else, and gone with it."""

    def __init__(self, mounts: str) -> None:
        """`mounts` is a script that ends by saying `ready` and waiting."""
        self._mounts = mounts
        self._holder: subprocess.Popen[str] | None = None

    def __enter__(self) -> Self:
        words = ["unshare", "--mount", "--net", "--", "bash", "-c", self._mounts]
        self._holder = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert self._holder.stdout is not None
        assert self._holder.stdout.readline() == "ready\n"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._holder is not None
        self._holder.kill()
        self._holder.communicate()

    @property
    def entering(self) -> list[str]:
        """The words before a command that have it run there."""
        assert self._holder is not None
        return ["nsenter", f"--target={self._holder.pid}", "--mount", "--net"]

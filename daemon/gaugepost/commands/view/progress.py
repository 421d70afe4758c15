"""How far something long has got, shown to a person at a terminal and to nobody else."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from typing import TextIO

EVERY_S = 0.5
WIDTH = 24

Told = Callable[[str, int, int], None]
"""Hears what is being done, how far, and of how much."""


class Progress:
    """A line on a terminal, written anew twice a second: what, a bar, how far, and how long it may still take."""

    def __init__(self, stream: TextIO, now: Callable[[], float] = time.monotonic) -> None:
        self._stream, self._now = stream, now
        self._what = ""
        self._begun = self._shown = 0.0
        self._from = 0

    def __call__(self, what: str, done: int, of: int) -> None:
        """Show that `done` of `of` is done; the line stays when all is."""
        now = self._now()
        if what != self._what:
            self._what, self._begun, self._from, self._shown = what, now, done, now - EVERY_S
        ended = done >= of
        if not ended and now - self._shown < EVERY_S:
            return
        self._shown = now
        part = min(1.0, done / of) if of > 0 else 1.0
        line = f"{what} {_bar(part, self._stream)} {int(part * 100):3d} %, {done} of {of}{self._left(now, done, of)}"
        room = _columns(self._stream)
        self._stream.write(f"\r\033[K{line[: room - 1]}" + ("\n" if ended else ""))
        self._stream.flush()
        if ended:
            self._what = ""

    def _left(self, now: float, done: int, of: int) -> str:
        made, spent = done - self._from, now - self._begun
        if done >= of or made <= 0 or spent < 2:
            return ""
        seconds = round((of - done) * spent / made)
        return f", about {seconds // 60}:{seconds % 60:02d} left"


def progress() -> Told | None:
    """Return what shows progress on stderr; None where stderr is no terminal, so that pipes and logs get none."""
    return Progress(sys.stderr) if sys.stderr.isatty() else None


def progress_of(what: str) -> Callable[[int, int], None] | None:
    """Return what shows how far `what` has got, as `progress` does."""
    told = progress()
    return None if told is None else lambda done, of: told(what, done, of)


def _bar(part: float, stream: TextIO) -> str:
    full, empty = ("█", "░") if (stream.encoding or "").lower().startswith("utf") else ("#", "-")
    return full * int(part * WIDTH) + empty * (WIDTH - int(part * WIDTH))


def _columns(stream: TextIO) -> int:
    try:
        return os.get_terminal_size(stream.fileno()).columns or 80
    except (OSError, ValueError):
        return 80

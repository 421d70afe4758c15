"""Shows bytes as they come, before anything is made of them: a person sees that something comes at all, and what."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from gaugepost.contract import Chunk
from gaugepost.teach import Lesson
from gaugepost.teach.telling import characters

_QUIET_S = 0.1
"""A silence after which what came is shown: a serial port hands a frame on in pieces."""
_MOST_LINES = 6
"""Lines of one measurement; of a gauge that streams nobody reads more."""
_MOST_BYTES = 24


def bytes_line(data: bytes, channel: str = "") -> str:
    """Return one line for bytes: characters, then hexadecimal digits."""
    more = f" and {len(data) - _MOST_BYTES} bytes more" if len(data) > _MOST_BYTES else ""
    head = data[:_MOST_BYTES]
    where = f"channel {channel}: " if channel else ""
    return f"came: {where}{characters(head):<{_MOST_BYTES}}  {head.hex(' ').upper()}{more}"


class Arrivals:
    """What comes over a link, line by line to `say`, the first few lines of each measurement of a lesson."""

    def __init__(self, lesson: Lesson, say: Callable[[str], None]) -> None:
        self._lesson, self._say = lesson, say
        self._held: dict[str, bytes] = {}
        self._said = (0, 0)
        self._timer: asyncio.TimerHandle | None = None

    def add(self, chunk: Chunk) -> None:
        """Take what came; it is shown when nothing more comes for a moment."""
        if chunk.fault:
            self._show(f"came, and is passed over: {chunk.fault}")
        elif chunk.data and not chunk.condition and not chunk.trigger:
            if chunk.complete:
                self._show(bytes_line(chunk.data, chunk.channel))
            else:
                self._held[chunk.channel] = self._held.get(chunk.channel, b"") + chunk.data
                if sum(map(len, self._held.values())) > 4 * _MOST_BYTES:
                    self.flush()
        self._wait()

    def flush(self) -> None:
        """Show what is held."""
        held, self._held = self._held, {}
        for channel, data in held.items():
            self._show(bytes_line(data, channel))

    def close(self) -> None:
        """Show what is held, and no more."""
        if self._timer:
            self._timer.cancel()
        self.flush()

    def _wait(self) -> None:
        if self._timer:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(_QUIET_S, self.flush) if self._held else None

    def _show(self, line: str) -> None:
        number = len(self._lesson.samples)
        count = self._said[1] + 1 if self._said[0] == number else 1
        self._said = number, count
        if count <= _MOST_LINES:
            self._say(line)
        elif count == _MOST_LINES + 1:
            self._say("came: more of it, which is kept and not shown")

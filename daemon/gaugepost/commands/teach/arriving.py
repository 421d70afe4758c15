"""Shows what comes at the terminal, the first few lines of each measurement of a lesson."""

from __future__ import annotations

from collections.abc import Callable

from gaugepost.shell.lessons.arriving import Came
from gaugepost.teach.telling import characters

_MOST_LINES = 6
"""Lines of one measurement; of a gauge that streams nobody reads more."""
_MOST_BYTES = 24


def bytes_line(data: bytes, channel: str = "") -> str:
    """Return one line for bytes: characters, then hexadecimal digits."""
    more = f" and {len(data) - _MOST_BYTES} bytes more" if len(data) > _MOST_BYTES else ""
    head = data[:_MOST_BYTES]
    where = f"channel {channel}: " if channel else ""
    return f"came: {where}{characters(head):<{_MOST_BYTES}}  {head.hex(' ').upper()}{more}"


class Shown:
    """Says what came, line by line to `say`."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._said = (0, 0)

    def tell(self, came: Came) -> None:
        """Say it, unless enough of this measurement was said."""
        count = self._said[1] + 1 if self._said[0] == came.measurement else 1
        self._said = came.measurement, count
        if count > _MOST_LINES + 1:
            return
        if count > _MOST_LINES:
            self._say("came: more of it, which is kept and not shown")
        elif came.fault:
            self._say(f"came, and is passed over: {came.fault}")
        else:
            self._say(bytes_line(came.data, came.channel))

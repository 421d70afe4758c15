"""A foot switch between two pins of a port: watches an input line, and tells when it goes on.

    pin of the line   ──o  o──   pin of a line that is held on (dtr = true, or rts = true)

The line has the same name as its pin: clear to send, data set ready, ring indicator, carrier detect.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import serial

from gaugepost.contract import Chunk, LinkLost, Moment, Trigger
from gaugepost_adapters.links.serial.opening import FAULTS

LOOK_S = 0.02
"""How often the line is looked at: a foot stays for longer, and 32 ports cost little."""


class LineWatch:
    """Looks at one line of an open port, and puts a chunk with a trigger whenever it goes from off to on."""

    def __init__(
        self,
        port: serial.Serial,
        line: str,
        place: str,
        now: Callable[[], Moment],
        put: Callable[[Chunk], None],
    ) -> None:
        """Raises `LinkLost` where the port has no such lines."""
        self._port, self._line, self._now, self._put = port, line, now, put
        try:
            self._was_on = self._is_on()
        except FAULTS as error:
            raise LinkLost(
                f"{place} has no line {line} to look at ({error})",
                hint="take trigger_line out, or name another port",
            ) from error
        self._loop = asyncio.get_running_loop()
        self._next = self._loop.call_later(LOOK_S, self._look)

    def stop(self) -> None:
        """Look no more; harmless when stopped."""
        self._next.cancel()

    def _is_on(self) -> bool | None:
        """Whether the line is on; None where a port server has not said it yet."""
        try:
            return bool(getattr(self._port, self._line))
        except serial.SerialException as error:
            if "NOTIFY_MODEMSTATE" in str(error):
                return None
            raise

    def _look(self) -> None:
        try:
            is_on = self._is_on()
        except FAULTS:
            return  # the port is going; its reader says so
        if is_on and self._was_on is False:
            self._put(Chunk(b"", self._now(), self._line, trigger=Trigger(self._line, b"", self._line)))
        self._was_on = is_on
        self._next = self._loop.call_later(LOOK_S, self._look)

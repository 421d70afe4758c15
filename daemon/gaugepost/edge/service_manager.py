"""What the service manager is told: that the station is ready, that it moves, that it ends (sd_notify(3)).

Where no manager asked, nothing is said.
"""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections.abc import Callable, Mapping

STUCK_S = 120.0
"""A commit that lasts longer than this is no progress: the disk does not answer, and only a start can help."""

STARTING_S = 60
"""Within so long a start that goes on says so again."""


class ServiceManager:
    """The manager that started this process, if one wants to hear."""

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        """The manager says in the environment where it listens and how often it wants to be told of progress."""
        self._at = environment.get("NOTIFY_SOCKET", "")
        usec = environment.get("WATCHDOG_USEC", "")
        ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.feed_s = int(usec) / 2_000_000 if self._at and ours and usec.isdecimal() and int(usec) else None
        """How often to say that things move, half as long as the manager waits; None where it does not."""

    def starting(self, what: str) -> None:
        """Say that the start goes on, and with what: it may take longer than the manager waits for starts."""
        self._say(f"EXTEND_TIMEOUT_USEC={STARTING_S * 1_000_000}\nSTATUS={what}")

    def ready(self, address: str) -> None:
        """Say that the station listens."""
        self._say(f"READY=1\nSTATUS=listening on {address}")

    def reloading(self) -> None:
        """Say that the station file is read again."""
        self._say(f"RELOADING=1\nMONOTONIC_USEC={time.monotonic_ns() // 1000}")

    def reloaded(self) -> None:
        """Say that it was, or that all stays as it is."""
        self._say("READY=1")

    def stopping(self) -> None:
        """Say that it ends, and why that may take a moment."""
        self._say("STOPPING=1\nSTATUS=recording what came in")

    async def feed(self, stalled_s: Callable[[], float]) -> None:
        """Say again and again that things move, as long as they do: this loop turns, and no commit is stuck.

        `stalled_s` tells for how long the oldest event has waited for the disk, in seconds.
        """
        if self.feed_s is None:
            await asyncio.Event().wait()
        while True:
            if stalled_s() < STUCK_S:
                self._say("WATCHDOG=1")
            await asyncio.sleep(self.feed_s or 0)

    def _say(self, what: str) -> None:
        if not self._at:
            return
        at = f"\0{self._at[1:]}" if self._at.startswith("@") else self._at
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as mouth:
            try:
                mouth.setblocking(False)
                mouth.sendto(what.encode(), at)
            except OSError:
                return  # a manager that does not listen is told the next time

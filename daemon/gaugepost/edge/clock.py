"""The station's clocks: wall time, and one that counts through sleep from a named start of the computer."""

from __future__ import annotations

import time
import uuid
from pathlib import Path

from gaugepost.core.indication import Moment

BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
"""Linux: a new random id at each start of the kernel (proc_sys_kernel(5))."""

_COUNTS_THROUGH_SLEEP: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class Clock:
    """Tells the moment. The boot id is read once: it can't change while the program runs."""

    def __init__(self, boot_id: Path = BOOT_ID) -> None:
        self.boot = _boot(boot_id)

    def __call__(self) -> Moment:
        """Return the moment now."""
        counted_ms = time.clock_gettime_ns(_COUNTS_THROUGH_SLEEP) // 1_000_000
        return Moment(time.time_ns() // 1_000_000, counted_ms, self.boot)


def _boot(boot_id: Path) -> str:
    """Return the id of the computer's start.

    Where the system has none, each start of the program counts as one: a duration is then unknown rather than wrong.
    """
    try:
        found = boot_id.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        found = ""
    return found or str(uuid.uuid4())

"""Pseudo-terminals that stand for gauges: each has a name that goes with it, as a device's has.

A number below /dev/pts is given to the next terminal at once. Whoever still tried the number of a gauge that was
unplugged would open another test's gauge; a name is nobody else's.
"""

from __future__ import annotations

import itertools
import os
import pty
import tempfile
import tty
from pathlib import Path
from types import TracebackType
from typing import Self

_NAMES = tempfile.TemporaryDirectory(prefix="gauges-")
_NUMBERS = itertools.count(1)


class Terminal:
    """A pseudo-terminal, plugged in from the start: the test holds `ours`, the station opens `path`."""

    ours: int
    far: int
    """Kept open, so that `ours` waits for whoever opens `path` instead of failing."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = str(path or Path(_NAMES.name) / f"port-{next(_NUMBERS)}")
        self.plugged = False
        self.plug()

    @property
    def device(self) -> str:
        """The device file below /dev, while it is plugged in."""
        return os.ttyname(self.far)

    def plug(self) -> None:
        """Be there, as a fresh terminal under the same name; harmless when it is there."""
        if not self.plugged:
            self.ours, self.far = pty.openpty()
            tty.setraw(self.far)
            Path(self.path).symlink_to(self.device)
            self.plugged = True

    def unplug(self) -> None:
        """Be gone, with whatever was on the line; harmless when it is gone."""
        if self.plugged:
            self.plugged = False
            Path(self.path).unlink()
            os.close(self.ours)
            os.close(self.far)

    def close(self) -> None:
        """Let go of it."""
        self.unplug()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

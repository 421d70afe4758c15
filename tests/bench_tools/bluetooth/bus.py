"""A D-Bus daemon of a test's own that stands in for the system bus: real, and nobody else is on it."""

from __future__ import annotations

import contextlib
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default"><allow send_destination="*"/><allow receive_sender="*"/><allow own="*"/></policy>
</busconfig>
"""


class Bus:
    """The bus daemon; `stop` and `start` again as a system that loses its bus would."""

    def __init__(self, folder: Path) -> None:
        self._socket = folder / "bus"
        self._config = folder / "bus.conf"
        self._config.write_text(_CONFIG.format(socket=self._socket), encoding="utf-8")
        self._process: subprocess.Popen[str] | None = None

    @property
    def address(self) -> str:
        """What belongs in DBUS_SYSTEM_BUS_ADDRESS."""
        return f"unix:path={self._socket}"

    def start(self) -> None:
        """Start it; returns when it listens."""
        self._process = subprocess.Popen(
            ["dbus-daemon", f"--config-file={self._config}", "--nofork", "--nopidfile", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # it says so where it may not open 65,536 files
            text=True,
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline(), "the bus did not start"

    def stop(self) -> None:
        """End it; harmless when it does not run."""
        process, self._process = self._process, None
        if process is not None:
            process.terminate()
            process.communicate(timeout=30)
            self._socket.unlink(missing_ok=True)


@contextlib.contextmanager
def private_bus() -> Iterator[Bus]:
    """Yield a running bus."""
    # Not below pytest's own folder: the path of a socket has 107 characters at most.
    with tempfile.TemporaryDirectory(prefix="bus-") as folder:
        bus = Bus(Path(folder))
        bus.start()
        try:
            yield bus
        finally:
            bus.stop()

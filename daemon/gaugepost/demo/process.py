"""The real daemon, started as anybody would start it, and stopped as the service manager would stop it."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

from gaugepost.core.errors import GaugepostError

LISTENING = "listening on "
"""How the daemon begins the line with its address."""
USUAL_PORT = 8620
START_S = 30.0
STOP_S = 20.0


class NotStarted(GaugepostError):
    """The daemon did not come up, or not down."""


class Daemon:
    """`gaugepost run` in a process of its own; its output goes to a log beside the station file."""

    def __init__(self, station_file: Path) -> None:
        self.log = station_file.with_name("daemon.log")
        self.address = ""
        with self.log.open("wb") as log:
            # A session of its own: Ctrl-C in the terminal is for the story, which then stops the daemon in good order.
            self._process = subprocess.Popen(
                [sys.executable, "-m", "gaugepost", "run", str(station_file)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def wait_until_listening(self) -> None:
        """Return when the daemon has said where it listens. Raises `NotStarted` where it ends or says nothing."""
        deadline = time.monotonic() + START_S
        while time.monotonic() < deadline:
            if address := self._announced():
                self.address = address
                return
            if self.ended() is not None:
                break
            time.sleep(0.05)
        ended = self.ended()
        what = "did not say where it listens" if ended is None else f"ended with exit code {ended}"
        raise NotStarted(f"the daemon {what}", hint=f"it said: {self._said().strip()[-2000:] or 'nothing'}")

    def ended(self) -> int | None:
        """Return the daemon's exit code, or None while it runs."""
        return self._process.poll()

    def stop(self) -> int:
        """End the daemon in good order and return its exit code; one that does not end is killed."""
        if self.ended() is None:
            self._process.send_signal(signal.SIGTERM)
        try:
            return self._process.wait(STOP_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return self._process.wait()

    def _said(self) -> str:
        return self.log.read_text(encoding="utf-8", errors="replace")

    def _announced(self) -> str:
        """The address in the line that says where the daemon listens; empty before."""
        for line in self._said().splitlines(keepends=True):
            if line.startswith(LISTENING) and line.endswith("\n"):
                return line.removeprefix(LISTENING).strip()
        return ""


def free_port() -> int:
    """Return the usual port where it is free, else any that is."""
    for port in (USUAL_PORT, 0):
        try:
            with socket.create_server(("127.0.0.1", port)) as found:
                number: int = found.getsockname()[1]
                return number
        except OSError:
            continue
    raise NotStarted(
        "no port is free on 127.0.0.1", hint="end a program that listens, or name a port with --port"
    )

"""The real program as a process of its own, with a gauge that is the far end of a real pty."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.bench_tools.terminal import Terminal

STATION = """
[station]
name = "south-bench"
time_zone = "UTC"
lot_checks = false

[links.bore-serial]
kind = "serial_port"
device = "{device}"
baud = 9600
[links.bore-serial.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm" }}

[gauges.bore-38]
link = "bore-serial"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
mastering_readings = 2
debounce = "0 ms"

[masters.ring-38]
size = "38.0012 mm"
serial_number = "R-4711"

[characteristics.bush-bore]
feature = "bore"
limits = "38 H7"
gauges = ["bore-38"]
"""


class Gauge(Terminal):
    """A gauge on a serial line."""

    def shows(self, digits: str) -> None:
        """Send an indication in mm."""
        os.write(self.ours, f"{digits} mm\r\n".encode())


@dataclass
class Daemon:
    """A station that runs."""

    process: subprocess.Popen[str]
    gauge: Gauge
    address: str
    file: Path

    def bench(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run `gaugepost bench` with `words` against this station, to its end."""
        return gaugepost("bench", *words, at=self.address)

    @contextlib.contextmanager
    def begun(self, *words: str) -> Iterator[subprocess.Popen[str]]:
        """Have `gaugepost bench` with `words` going on; it ends with the block."""
        with started("bench", *words, at=self.address) as going:
            yield going


def gaugepost(*words: str | Path, at: str = "") -> subprocess.CompletedProcess[str]:
    """Run the program to its end."""
    return subprocess.run(
        [sys.executable, "-m", "gaugepost", *words],
        env=_environment(at), capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


@contextlib.contextmanager
def started(*words: str | Path, at: str = "") -> Iterator[subprocess.Popen[str]]:
    """Start the program; where it still runs at the end of the block, it is killed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "gaugepost", *words],
        env=_environment(at), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    with process:
        try:
            yield process
        finally:
            process.kill()


@contextlib.contextmanager
def daemon(folder: Path, *, of_gauge: str = "") -> Iterator[Daemon]:
    """Run a station in `folder` at a free port, its gauge connected; `of_gauge` is more of what the file says of it."""
    gauge, file = Gauge(), folder / "station.toml"
    file.write_text(STATION.format(device=gauge.path).replace("[masters.", f"{of_gauge}\n[masters.", 1))
    try:
        with started("run", file, "--port", "0") as process:
            assert process.stdout is not None
            line = process.stdout.readline()
            if not line.startswith("listening on http://127.0.0.1:"):
                process.kill()
                raise AssertionError(line, *process.communicate())
            yield Daemon(process, gauge, line.split()[-1], file)
    finally:
        gauge.close()


def line_of(process: subprocess.Popen[str]) -> str:
    """Return the next line that the program prints."""
    assert process.stdout is not None
    return process.stdout.readline().rstrip("\n")


def _environment(at: str) -> dict[str, str]:
    plain = {key: value for key, value in os.environ.items() if not key.startswith("GAUGEPOST")}
    # A proxy that the environment names must not be asked for what is on this computer.
    plain |= {"http_proxy": "http://192.0.2.1:9", "COLUMNS": "80", "PYTHONWARNINGS": "error"}
    return plain | ({"GAUGEPOST_AT": at} if at else {})

"""The real daemon as a subprocess, with gauges on real pseudo-terminals, for tests that look at it from outside."""

from __future__ import annotations

import csv
import json
import os
import select
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from tests.bench_tools.terminal import Terminal

START_S = 30.0
"""How long a start may take. It bounds a failure; nothing passes or fails by it otherwise."""


class Port(Terminal):
    """A pseudo-terminal: the test holds the gauge's end, the daemon opens `path`."""

    def send(self, data: bytes) -> None:
        """Write all of `data`, waiting where the daemon does not read."""
        while data:
            data = data[os.write(self.ours, data) :]

    def received(self, count: int) -> bytes:
        """Return the `count` bytes that the daemon sends next; fail where they do not come."""
        data = b""
        while len(data) < count:
            ready, _, _ = select.select([self.ours], [], [], START_S)
            assert ready, f"{data!r} is all that came"
            data += os.read(self.ours, count - len(data))
        return data

    def room(self) -> bool:
        """Whether the gauge's end takes bytes without waiting."""
        return bool(select.select([], [self.ours], [], 0)[1])


@dataclass
class Daemon:
    """`gaugepost run` on a station file in `folder`; start, kill and start again as often as wanted."""

    folder: Path
    station: str
    env: Mapping[str, str] = field(default_factory=dict)
    address: str = ""
    port: int = 0
    """Where it listens; 0 for a port that is free, another one after each start."""
    status: int = 0
    """HTTP status of the last answer."""
    process: subprocess.Popen[str] | None = None
    start_s: float = START_S
    """How long a start may take here."""

    @property
    def data(self) -> Path:
        """The station's data folder."""
        return self.folder / "data"

    @property
    def journal(self) -> Path:
        """The journal's file."""
        return self.data / "journal.db"

    def start(self) -> Self:
        """Start it and wait until it listens."""
        file = self.folder / "station.toml"
        file.write_text(self.station, encoding="utf-8")
        log = (self.folder / "daemon.log").open("a")
        with log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "gaugepost", "run", str(file), "--port", str(self.port)],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env={**os.environ, **self.env},
            )
        assert self.process.stdout is not None
        ready, _, _ = select.select([self.process.stdout], [], [], self.start_s)
        line = self.process.stdout.readline() if ready else ""
        if not line.startswith("listening on "):
            self.process.kill()
            self.process.communicate()
            raise AssertionError(f"the daemon did not listen: {line!r}\n{self.log()}")
        self.address = line.removeprefix("listening on ").strip()
        return self

    def log(self) -> str:
        """What it wrote to its log so far."""
        return (self.folder / "daemon.log").read_text(encoding="utf-8")

    def kill(self) -> None:
        """SIGKILL, at once."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """SIGTERM, and wait; return the exit code."""
        return self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> int:
        assert self.process is not None
        self.process.send_signal(how)
        self.process.communicate(timeout=START_S)
        code = self.process.returncode
        self.process = None
        return code

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process is not None:
            self.kill() if kind else self.stop()

    def get(self, path: str) -> Any:
        """Return the JSON answer to a GET under /v1."""
        return self._ask("GET", path, None)

    def post(self, path: str, body: Mapping[str, object], method: str = "POST") -> Any:
        """Return the JSON answer to a command under /v1."""
        return self._ask(method, path, body)

    def _ask(self, method: str, path: str, body: Mapping[str, object] | None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        headers = {"Content-Type": "application/json"}
        request = urllib.request.Request(f"{self.address}/v1{path}", data, headers, method=method)  # noqa: S310
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:  # noqa: S310
                self.status = answer.status
                return json.load(answer)
        except urllib.error.HTTPError as refused:
            with refused:
                self.status = refused.code
                return json.load(refused)

    def records(self, after: int = 0, **filters: object) -> Iterator[dict[str, Any]]:
        """Yield every record after `after`, oldest first."""
        asked = "".join(f"&{name}={value}" for name, value in filters.items())
        while True:
            page = self.get(f"/records?after={after}&limit=1000{asked}")
            yield from page["records"]
            if page["next"] <= after:
                return
            after = page["next"]

    def wait_for(self, count: int, *, after: int = 0, **filters: object) -> list[dict[str, Any]]:
        """Return at least `count` records of the sort after sequence `after`, as soon as there are so many."""
        found: list[dict[str, Any]] = []
        deadline = time.monotonic() + START_S
        asked = "".join(f"&{name}={value}" for name, value in filters.items())
        while len(found) < count:
            assert time.monotonic() < deadline, f"{len(found)} of {count} came: {found[-3:]}\n{self.log()}"
            page = self.get(f"/records?after={after}&limit=1000&wait=5{asked}")
            found += page["records"]
            after = page["next"]
        return found

    def rows(self) -> list[dict[str, str]]:
        """Return the rows of every CSV file, in the order of the files' names."""
        found = []
        for path in sorted((self.data / "csv").glob("*.csv")):
            with path.open(newline="", encoding="utf-8") as file:
                found += list(csv.DictReader(file))
        return found


def station_file(ports: Sequence[Port], *, extra: str = "", gauge: str = "") -> str:
    """Return a station with one millimetre gauge a port, one ring, one bore, and a CSV file."""
    links = "".join(
        f"""
[links.usb-{at}]
kind = "serial_port"
device = "{port.path}"
[links.usb-{at}.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm", in = "in" }}

[gauges.g{at}]
link = "usb-{at}"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
mastering_readings = 2
{gauge}
"""
        for at, port in enumerate(ports)
    )
    names = ", ".join(f'"g{at}"' for at in range(len(ports)))
    return f"""
[station]
name = "test bench"
time_zone = "UTC"
{links}
[masters.ring-1]
size = "38.0012 mm"
serial_number = "R-1"
[characteristics.A]
feature = "bore"
limits = "38 H7"
gauges = [{names}]
[destinations.sheet]
kind = "csv_file"
{extra}
"""

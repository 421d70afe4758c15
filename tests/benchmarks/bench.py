"""The daemon under load: ports, mastered gauges, frames as fast as they are taken, and what the process costs."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.bench_tools.daemon import Daemon, Port, station_file

LONGEST_S = 120.0
"""How long a benchmark waits for what must come. It bounds a failure, and measures nothing."""

_TICKS = os.sysconf("SC_CLK_TCK")
_PAGE = os.sysconf("SC_PAGE_SIZE")


@contextmanager
def ports(count: int) -> Iterator[list[Port]]:
    """Lend pseudo-terminals."""
    with ExitStack() as stack:
        yield [stack.enter_context(Port()) for _ in range(count)]


@contextmanager
def station(
    folder: Path, plugged: Sequence[Port], env: Mapping[str, str] | None = None, text: str = ""
) -> Iterator[Daemon]:
    """Run the real daemon with a mastered and checked gauge on each of the ports; `text` is another station file."""
    with Daemon(folder, text or station_file(plugged), env=env or {}) as daemon:
        for at in range(len(plugged)):
            until(lambda: daemon.get("/links")["links"][at]["state"] == "connected", "a link")  # noqa: B023
        master = {"masters": ["ring-1"], "serials": ["R-1"]}
        _read(daemon, plugged, "mastering", master, ("38.0010", "38.0012"))
        _read(daemon, plugged, "check", {"master": "ring-1", "serial": "R-1"}, ("38.0011", "38.0013"))
        yield daemon


def _read(
    daemon: Daemon, plugged: Sequence[Port], what: str, said: Mapping[str, object], show: Sequence[str]
) -> None:
    for at, port in enumerate(plugged):
        answer = daemon.post(f"/gauges/g{at}/{what}", said)
        if daemon.status != 200:
            raise AssertionError(answer)
        before = daemon.get("/station")["head"]
        for digits in show:
            port.send(f"{digits} mm\r\n".encode())
        until(lambda: daemon.get("/station")["head"] > before, what)  # noqa: B023
    daemon.wait_for(len(plugged), kind=what)


def until(true: Callable[[], bool], what: str) -> None:
    """Wait until `true`; fail where it never gets so."""
    deadline = time.monotonic() + LONGEST_S
    while not true():
        if time.monotonic() > deadline:
            raise AssertionError(f"never: {what}")
        time.sleep(0.02)


def frame(number: int) -> bytes:
    """Return a gauge's `number`th frame: no two that follow each other are alike, or one would count as a double."""
    return b"38.%04d mm\r\n" % (number % 250)


class Load(threading.Thread):
    """Has gauges send, turn by turn, as fast as they are read or at `pace` frames a second, until all is sent."""

    def __init__(self, plugged: Sequence[Port], frames: int, pace: float = 0) -> None:
        super().__init__(name="load")
        self._ports, self._frames, self._pace = plugged, frames, pace
        self.sent = 0

    def run(self) -> None:
        begun, each = time.monotonic(), [0] * len(self._ports)
        while self.sent < self._frames:
            for at, port in enumerate(self._ports):
                if self._pace:
                    time.sleep(max(0.0, begun + self.sent / self._pace - time.monotonic()))
                if self.sent < self._frames and port.room():
                    port.send(frame(each[at]))
                    each[at] += 1
                    self.sent += 1


@dataclass(frozen=True, slots=True)
class Cost:
    """What a process has used so far, as /proc tells it (proc_pid_stat(5), proc_pid_status(5))."""

    cpu_s: float
    rss_mb: float
    wakes: int
    """Times that one of its threads gave the processor up by itself, and so had to be woken."""

    @classmethod
    def of(cls, pid: int) -> Cost:
        """Read it."""
        own = Path(f"/proc/{pid}")
        after_name = (own / "stat").read_text().rpartition(")")[2].split()
        wakes = 0
        for thread in (own / "task").iterdir():
            lines = (thread / "status").read_text().splitlines()
            wakes += next(int(line.split()[1]) for line in lines if line.startswith("voluntary_ctxt"))
        cpu = (int(after_name[11]) + int(after_name[12])) / _TICKS
        return cls(cpu, int((own / "statm").read_text().split()[1]) * _PAGE / 1e6, wakes)

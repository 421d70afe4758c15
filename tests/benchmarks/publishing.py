"""What benchmarks of publishing share: gauges that send, who publishes what they say, and one subscriber with a clock.

Run as a program, this file is the subscriber: a process of its own, as at whoever takes the readings. Everybody is
there from the beginning of a benchmark and rests while another one's gauges send, so that a round takes a second, and
whatever else the computer does meets all of them alike.
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench_tools.broker import OPEN, Broker
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.benchmarks.bench import LONGEST_S, frame, ports, station, until

FLOOD_FRAMES = 20
"""Frames in one write where a gauge sends without pause: what sends must not be what is measured."""

AT_ONCE = (*OPEN, "set_tcp_nodelay true")
"""Else the broker's kernel holds a small packet back until the subscriber's has answered the last one, for 40 ms."""

SHEET = '[destinations.sheet]\nkind = "csv_file"\n'


class Gauges:
    """Gauges on ports of their own. Each goes on from its last frame: none is alike the one before."""

    def __init__(self, plugged: Sequence[Port], pid: int) -> None:
        """`pid` is the process that listens to them."""
        self.ports, self.pid = plugged, pid
        self._next = [0] * len(plugged)

    def paced(self, frames: int, pace: float) -> dict[str, list[int]]:
        """Send turn by turn, `pace` frames a second in all; return when each was written (ns), by gauge."""
        written: dict[str, list[int]] = {f"g{at}": [] for at in range(len(self.ports))}
        begun = time.monotonic()
        for number in range(frames):
            at = number % len(self.ports)
            data = frame(self._number(at))
            time.sleep(max(0.0, begun + number / pace - time.monotonic()))
            written[f"g{at}"].append(time.monotonic_ns())
            self.ports[at].send(data)
        return written

    def flood(self, frames: int) -> int:
        """Send `frames` in all as fast as they are taken; return when the first one was written (ns)."""
        left = [frames // len(self.ports)] * len(self.ports)
        begun = time.monotonic_ns()
        while any(left):
            before = sum(left)
            for at, port in enumerate(self.ports):
                if left[at] and port.room():
                    many = min(FLOOD_FRAMES, left[at])
                    port.send(b"".join(frame(self._number(at)) for _ in range(many)))
                    left[at] -= many
            if sum(left) == before:
                time.sleep(0.002)
        return begun

    def _number(self, at: int) -> int:
        self._next[at] += 1
        return self._next[at]


class Listener:
    """The subscriber, by its process: it notes the time at which its callback got each reading."""

    def __init__(self, broker: Broker) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.publishing", str(broker.port)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._said() == "ready"

    def heard(self, count: int) -> dict[str, list[int]]:
        """Wait for `count` readings; return when each came (ns), by gauge, and forget them."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{count}\n")
        self._process.stdin.flush()
        found: dict[str, list[int]] = json.loads(self._said())
        got = sum(map(len, found.values()))
        assert got == count, f"{got} of {count} readings came"
        return found

    def _said(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.communicate()  # its input ends, and so does it


@contextmanager
def script(
    broker: Broker, name: str, plugged: Sequence[Port], rows: Path | None, module: str = "bare"
) -> Iterator[Gauges]:
    """Run the bare script, or another `module` here that is called alike, with synced `rows` or without."""
    devices = [port.path for port in plugged]
    command = [sys.executable, "-m", f"tests.benchmarks.{module}", str(broker.port), f"bench/{name}"]
    process = subprocess.Popen(
        [*command, "-" if rows is None else str(rows), *devices], stdout=subprocess.PIPE, text=True
    )
    with process as bare:
        assert bare.stdout is not None
        assert bare.stdout.readline() == "ready\n"
        try:
            yield Gauges(plugged, bare.pid)
        finally:
            bare.kill()


def published(plugged: Sequence[Port], broker: Broker, name: str, *, sheet: bool, more: str = "") -> str:
    """Return a station that publishes readings as `bench/NAME/GAUGE`; with a CSV file or without."""
    text = station_file(plugged)
    if not sheet:
        assert SHEET in text
        text = text.replace(SHEET, "")
    return f"""{text}
[destinations.broker]
kind = "mqtt"
kinds = ["reading"]
host = "127.0.0.1"
port = {broker.port}
topic = "bench/{name}/{{gauge}}"
status_topic = ""
{more}
"""


@contextmanager
def running(folder: Path, plugged: Sequence[Port], text: str) -> Iterator[tuple[Daemon, Gauges]]:
    """Run the daemon with mastered gauges on a station file of `published`."""
    folder.mkdir()
    with station(folder, plugged, text=text) as daemon:
        until(lambda: lags(daemon) == 0, "the masterings delivered")
        assert daemon.process is not None
        yield daemon, Gauges(plugged, daemon.process.pid)


def lags(daemon: Daemon) -> int:
    """Return how far the last of the destinations is behind."""
    return max(int(each["lag"]) for each in daemon.get("/destinations")["destinations"])


@contextmanager
def contenders(folder: Path, gauges: int, *, fsync: bool) -> Iterator[tuple[Listener, dict[str, Gauges]]]:
    """Run subscriber, broker, script (`script`) and the daemon with MQTT alone (`daemon`).

    With `fsync` also a script that syncs a row (`fsync`), and the least that keeps a reading first (`least`).
    """
    with ExitStack() as stack:
        enter = stack.enter_context
        broker = enter(Broker(folder, AT_ONCE))
        ways = {"script": enter(script(broker, "script", enter(ports(gauges)), None))}
        if fsync:
            ways["fsync"] = enter(script(broker, "fsync", enter(ports(gauges)), folder / "rows.csv"))
            ways["least"] = enter(script(broker, "least", enter(ports(gauges)), folder / "rows.db", "least"))
        plugged = enter(ports(gauges))
        text = published(plugged, broker, "daemon", sheet=False)
        _, ways["daemon"] = enter(running(folder / "daemon", plugged, text))
        yield enter(Listener(broker)), ways


@dataclass(frozen=True, slots=True)
class Spread:
    """A ratio of two ways over the rounds."""

    low: float
    middle: float
    high: float

    @classmethod
    def of(cls, ours: Sequence[float], base: Sequence[float]) -> Self:
        """Return how far the ratio of one round went apart from another's."""
        ratios = [one / other for one, other in zip(ours, base, strict=True)]
        return cls(min(ratios), statistics.median(ratios), max(ratios))

    def __str__(self) -> str:
        return f"ratio by round {self.low:.2f} – {self.middle:.2f} – {self.high:.2f}"


def busy() -> str:
    """Return in words how loaded the computer is."""
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


def _subscribe(port: int) -> None:
    """Be the subscriber: for each number on the input wait for as many readings, and say when each came."""
    got: list[tuple[int, str]] = []
    client = Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _client, _data, message: got.append((time.monotonic_ns(), message.topic))
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.connect("127.0.0.1", port)
    client.loop_start()
    # At QoS 0: answering the broker would take this process as long as listening, on the same processors.
    client.subscribe("bench/+/+", 0)
    for line in sys.stdin:
        count, deadline = int(line), time.monotonic() + LONGEST_S
        while len(got) < count and time.monotonic() < deadline:
            time.sleep(0.02)
        times: dict[str, list[int]] = {}
        for at_ns, topic in got:
            times.setdefault(topic.rpartition("/")[2], []).append(at_ns)
        got.clear()
        print(json.dumps(times), flush=True)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    _subscribe(int(sys.argv[1]))

"""How fast 100,000 records that waited drain to a broker, and how long everybody else waits meanwhile."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from urllib.parse import urlsplit

from tests.bench_tools.broker import Broker
from tests.bench_tools.daemon import Daemon
from tests.benchmarks.bench import LONGEST_S, ports, until
from tests.benchmarks.figures import Figure, scratch
from tests.benchmarks.publishing import AT_ONCE, Gauges, busy, published, running

GAUGES, BACKLOG, ONE_GO, PACE, WITHOUT_S, GOAL = 8, 100_000, 5000, 100.0, 10.0, 5000
PROBES = ("a command's reply (the journal)", "the live stream", "the CSV file")


def figures() -> Iterator[Figure]:
    """Measure with the backlog waiting, while it drains, and when it has: 100 readings a second come all the time."""
    with scratch() as folder, ExitStack() as stack:
        enter = stack.enter_context
        broker, plugged = enter(Broker(folder, AT_ONCE)), enter(ports(GAUGES))
        text = published(plugged, broker, "daemon", sheet=True)
        daemon, gauges = enter(running(folder / "daemon", plugged, text))
        probes = _Probes(daemon, gauges)
        with broker.away():
            for _ in range(BACKLOG // ONE_GO):
                gauges.flood(ONE_GO)
                until(lambda: _lag(daemon, "sheet") == 0, "the CSV file has it")
            until(lambda: _lag(daemon, "broker") >= BACKLOG, "the backlog waits")
            without = probes.measured(lambda begun: time.monotonic() - begun < WITHOUT_S)
        begun, waited = time.monotonic(), _lag(daemon, "broker")
        daemon.post("/destinations/broker/retry", {"reason": "benchmark"})
        ended = begun

        def drains(_: float) -> bool:
            nonlocal ended
            ended = time.monotonic()
            return _lag(daemon, "broker") > PACE

        meanwhile = probes.measured(drains)
        after = probes.measured(lambda begun: time.monotonic() - begun < WITHOUT_S)
    rate = waited / (ended - begun)
    yield Figure(
        f"records a second, {waited} waiting", rate, "/s", 0, f"nothing; {busy()}",
        f"at least {GOAL}/s", rate >= GOAL,
    )  # fmt: skip
    for name in PROBES:
        drained, rested = sorted(meanwhile[name]), sorted(without[name] + after[name])
        for words, share in (("median", 0.5), ("99 of 100 within", 0.99)):
            ours, base = (each[int(share * (len(each) - 1))] / 1e3 for each in (drained, rested))
            yield Figure(f"{name}, {words}", ours, "ms", base, f"without a drain, {len(rested)} of them")


def _lag(daemon: Daemon, name: str) -> int:
    found = daemon.get("/destinations")["destinations"]
    return next(int(each["lag"]) for each in found if each["destination"] == name)


class _Probes:
    """Looks at the journal, the live stream and the CSV file while gauges send; waits are in µs."""

    def __init__(self, daemon: Daemon, gauges: Gauges) -> None:
        self._daemon, self._gauges = daemon, gauges
        self._sheet = daemon.data / "csv" / "records.csv"
        self._hang_up: Callable[[], None] = lambda: None

    def measured(self, goes_on: Callable[[float], bool]) -> dict[str, list[float]]:
        """Have gauges send for as long as `goes_on`, which is asked every second; return each probe's waits."""
        over = threading.Event()
        replies: list[float] = []
        streamed: list[int] = []
        written: list[int] = []
        ready = threading.Barrier(3)
        threads = [
            threading.Thread(target=self._commands, args=(replies, over)),
            threading.Thread(target=self._stream, args=(streamed, over, ready)),
            threading.Thread(target=self._rows, args=(written, over, ready)),
        ]
        for thread in threads:
            thread.start()
        ready.wait()
        sent: list[int] = []
        begun = time.monotonic()
        while goes_on(begun):
            sent += sorted(at for times in self._gauges.paced(int(PACE), PACE).values() for at in times)
        until(lambda: min(len(streamed), len(written)) >= len(sent), "every reading seen")
        over.set()
        self._hang_up()
        for thread in threads:
            thread.join()
        ends = {PROBES[1]: streamed, PROBES[2]: written}
        waits = {
            name: [(came - at) / 1e3 for at, came in zip(sent, times, strict=False)]
            for name, times in ends.items()
        }
        return {PROBES[0]: replies, **waits}

    def _commands(self, replies: list[float], over: threading.Event) -> None:
        while not over.wait(0.05):
            begun = time.monotonic_ns()
            self._daemon.post("/tags", {"piece": f"P{len(replies)}"}, "PUT")
            replies.append((time.monotonic_ns() - begun) / 1e3)

    def _stream(self, streamed: list[int], over: threading.Event, ready: threading.Barrier) -> None:
        head = self._daemon.get("/station")["head"]
        connection = http.client.HTTPConnection(urlsplit(self._daemon.address).netloc, timeout=LONGEST_S)
        connection.request("GET", f"/v1/stream?kind=reading&after={head}")
        answer = connection.getresponse()
        assert connection.sock is not None
        self._hang_up = lambda: connection.sock.shutdown(socket.SHUT_RDWR)
        ready.wait()
        while not over.is_set():
            if answer.readline().startswith(b"event: reading"):
                streamed.append(time.monotonic_ns())
        connection.close()

    def _rows(self, written: list[int], over: threading.Event, ready: threading.Barrier) -> None:
        with self._sheet.open("rb") as file:
            file.seek(0, 2)
            ready.wait()
            while not over.wait(0.002):
                rows = file.read().count(b"\n")
                written += [time.monotonic_ns()] * rows

"""Fifty benches on one computer, one broker and one database: what a bench costs, and whether all of it arrives."""

from __future__ import annotations

import os
import statistics
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from pathlib import Path

from tests.bench_tools.broker import Broker, Subscriber
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.postgres import Server
from tests.benchmarks.figures import Figure, scratch

BENCHES, EACH_S, SECONDS = 50, 2.0, 60
"""How many, how often each measures (a busy bench does every few seconds), and for how long."""
START_S, AT_ONCE = 300.0, 8
"""Fifty services that start on a busy computer wait for each other."""
_TICKS = os.sysconf("SC_CLK_TCK")

DESTINATIONS = """
[destinations.broker]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "plant/{{station}}/{{kind}}"
[destinations.database]
kind = "postgres"
host = "127.0.0.1"
port = {server}
database = "quality"
username = "plant"
"""


def figures() -> Iterator[Figure]:
    """Have them all measure at the same time, then ask broker and database for what they got."""
    with scratch() as folder, ExitStack() as stack:
        server = stack.enter_context(Server(("max_connections = 200",)))
        broker = stack.enter_context(Broker(folder))
        subscriber = stack.enter_context(Subscriber(broker, "plant/#", "-q", "1"))
        extra = DESTINATIONS.format(broker=broker.port, server=server.port)
        ports, made = [], []
        for at in range(BENCHES):
            home = folder / str(at)
            (home / "data").mkdir(parents=True)
            ports.append(stack.enter_context(Port()))
            text = station_file(ports[-1:], extra=extra).replace('"test bench"', f'"bench-{at}"')
            made.append(Daemon(home, text, start_s=START_S))
        with ThreadPoolExecutor(AT_ONCE) as starting:
            daemons = list(starting.map(stack.enter_context, made))
        for daemon in daemons:
            _connected(daemon)
        before = [_cpu_s(daemon) for daemon in daemons]
        sent = _measure(ports)
        used = [_cpu_s(daemon) - was for daemon, was in zip(daemons, before, strict=True)]
        rows = _arrived(server, sent)
        subscriber.settled()
        heard = sum(each.topic.endswith("/reading") for each in subscriber.heard)
        late = [row[0] for row in server.ask(_LATE)]
        memory = [_own_mb(daemon) for daemon in daemons]
        behind = sum(one["lag"] for each in daemons for one in each.get("/destinations")["destinations"])
    yield Figure(
        "rows in the database, once each",
        rows,
        "",
        sent,
        f"readings of {BENCHES} benches",
        "all",
        rows == sent,
    )
    yield Figure("messages that the broker passed on", heard, "", sent, "the same", "all", heard == sent)
    yield Figure("records that a destination still lacks", behind, "", 0, "none", "none", behind == 0)
    yield Figure("from measured to a row, median", statistics.median(late) * 1000, "ms", 0, "nothing")
    yield Figure("99 of 100 within", statistics.quantiles(late, n=100)[98] * 1000, "ms", 0, "nothing")
    share = statistics.mean(used) / SECONDS
    yield Figure(
        "processor of a bench's service", share * 100, "%", 100, f"one core, a reading every {EACH_S:g} s"
    )
    yield Figure(
        "memory of its own of a bench's service", statistics.mean(memory), "MB", max(memory), "the largest"
    )


_LATE = (
    "SELECT extract(epoch FROM arrived_at - measured_at)::float8 FROM gaugepost.record WHERE kind = 'reading'"
)


def _connected(daemon: Daemon) -> None:
    """Wait until its gauge can be heard: what a gauge sends before that is nobody's."""
    deadline = time.monotonic() + START_S
    while any(link["state"] != "connected" for link in daemon.get("/links")["links"]):
        if time.monotonic() > deadline:
            raise TimeoutError(f"its gauge is never connected: {daemon.log()[-2000:]}")
        time.sleep(0.1)


def _measure(ports: list[Port]) -> int:
    """Have each bench send a value every `EACH_S`, no two at the same moment; return how many were sent."""
    begun, sent = time.monotonic(), 0
    step = EACH_S / len(ports)
    while (due := sent * step) < SECONDS:
        threading.Event().wait(max(0.0, begun + due - time.monotonic()))
        ports[sent % len(ports)].send(f"{sent / 10_000:.4f} mm\r\n".encode())
        sent += 1
    return sent


def _arrived(server: Server, sent: int) -> int:
    deadline = time.monotonic() + 120
    while True:
        ((rows,),) = server.ask("SELECT count(*) FROM gaugepost.record WHERE kind = 'reading'")
        if rows >= sent or time.monotonic() > deadline:
            return int(rows)
        time.sleep(0.2)


def _cpu_s(daemon: Daemon) -> float:
    assert daemon.process is not None
    fields = Path(f"/proc/{daemon.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / _TICKS


def _own_mb(daemon: Daemon) -> float:
    """Memory that no other process shares."""
    assert daemon.process is not None
    lines = Path(f"/proc/{daemon.process.pid}/smaps_rollup").read_text().splitlines()
    return sum(int(line.split()[1]) for line in lines if line.startswith("Private_")) / 1000

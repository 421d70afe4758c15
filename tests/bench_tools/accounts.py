"""What was shown, what the journal holds, and what a far side has of it: for tests that account for every record."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from typing import Any

from gaugepost.core.record import PUBLISHED_KINDS
from gaugepost.edge.journal import Reader
from tests.bench_tools.broker import Heard
from tests.bench_tools.daemon import Daemon, Port

PATIENCE_S = 60.0
"""Bounds a failure; nothing passes or fails by it otherwise."""

STATUS = "gaugepost/test bench/status"


def show(port: Port, numbers: range) -> None:
    """Have a gauge show 38.0001 mm for 1, and so on: no two values alike."""
    port.send("".join(f"38.{number:04} mm\r\n" for number in numbers).encode())


@contextlib.contextmanager
def load(ports: Sequence[Port], sent: Sequence[list[str]], pause_s: float = 0.004) -> Iterator[None]:
    """Have gauges send as fast as they are read, no two values alike, for the time of the block."""
    stop = threading.Event()

    def run(port: Port, values: list[str]) -> None:
        while not stop.wait(pause_s):
            if port.room():
                digits = f"{len(values) / 10_000:.4f}"
                values.append(digits)  # before it is written: what may have been heard counts as sent
                port.send(f"{digits} mm\r\n".encode())

    threads = [threading.Thread(target=run, args=pair) for pair in zip(ports, sent, strict=True)]
    for thread in threads:
        thread.start()
    try:
        yield
    finally:
        stop.set()
        for thread in threads:
            thread.join()


def standing(daemon: Daemon, name: str) -> dict[str, Any]:
    """How a delivery stands."""
    listed = daemon.get("/destinations")["destinations"]
    found: dict[str, Any] = next(one for one in listed if one["destination"] == name)
    return found


def until(daemon: Daemon, true: Callable[[], bool], what: str = "it") -> None:
    """Wait until `true`; fail with how everything stands where it never gets so."""
    deadline = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < deadline, f"never: {what}\n{daemon.get('/destinations')}\n{daemon.log()}"
        time.sleep(0.02)


def delivered(daemon: Daemon, *names: str) -> None:
    """Wait until these destinations have all that there is."""
    for name in names:
        until(daemon, lambda: standing(daemon, name)["lag"] == 0, f"{name} has everything")  # noqa: B023


def journalled(daemon: Daemon) -> list[str]:
    """Ids of everything that a destination is to get, in order."""
    with closing(Reader(daemon.journal)) as reader:
        return [f"{reader.epoch}-{entry.sequence}" for entry in reader.replay(kinds=list(PUBLISHED_KINDS))]


def first_seen(heard: Iterable[Heard]) -> list[str]:
    """Ids in the order in which a consumer sees them who tells repeats by their id; repeats are otherwise equal."""
    seen: dict[str, bytes] = {}
    for each in heard:
        if each.topic not in (STATUS, "marker"):
            assert seen.setdefault(each.json["id"], each.payload) == each.payload, "two records under one id"
    return list(seen)

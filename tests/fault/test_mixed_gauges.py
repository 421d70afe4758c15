"""A full bench, serial and networked, one gauge babbling: all other gauges' frames are recorded once, in order."""

from __future__ import annotations

import threading
import time
from collections import defaultdict
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.far_sides import PortServer
from tests.bench_tools.network_gauges import SocketGauge, with_network_gauges

SERIAL, SOCKETS, SERVERS = 26, 3, 3
EACH, PACE_S = 2400, 0.05
"""Frames a gauge, and how far apart: 20 a second."""


@pytest.mark.attack
def test_a_full_bench_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """32 gauges at 20 frames a second for two minutes, garbage on one more port: each gauge's frames once, in order."""
    with ExitStack() as stack:
        ports = [stack.enter_context(Port()) for _ in range(SERIAL + 1)]
        noisy = ports[-1]
        says: dict[str, Callable[[bytes], object]] = {
            f"g{at}": port.send for at, port in enumerate(ports[:-1])
        }
        urls = {}
        for at in range(SOCKETS):
            wire = stack.enter_context(SocketGauge())
            urls[f"wire-{at}"], says[f"wire-{at}"] = wire.url, wire.send
        for at in range(SERVERS):
            server = PortServer()
            stack.callback(server.close)
            urls[f"server-{at}"], says[f"server-{at}"] = server.url, server.port.write
        text = with_network_gauges(station_file(ports), urls)
        with Daemon(tmp_path, text) as daemon:
            daemon.wait_for(len(says) + 1, kind="link")
            stop = threading.Event()
            babbling = threading.Thread(target=_babble, args=(noisy, stop))
            babbling.start()
            try:
                for number in range(EACH):
                    for say in says.values():
                        say(b"38.%04d mm\r\n" % number)
                    time.sleep(PACE_S)
            finally:
                stop.set()
                babbling.join()
            readings = _readings(daemon, EACH * len(says))
            bad = list(daemon.records(kind="bad-frame"))
    shown = defaultdict(list)
    for reading in readings:
        shown[reading["gauge"]].append(reading["indication"])
    assert set(shown) == set(says)
    want = [f"38.{number:04d}" for number in range(EACH)]
    assert {name: frames for name, frames in shown.items() if frames != want} == {}
    assert {record["link"] for record in bad} == {f"usb-{SERIAL}"}


def _readings(daemon: Daemon, count: int) -> list[dict[str, Any]]:
    """Return at least `count` readings, and all that there are then."""
    found: list[dict[str, Any]] = []
    after = 0
    while len(found) < count:
        page = daemon.get(f"/records?after={after}&limit=1000&kind=reading&wait=20")
        assert page["records"], f"{len(found)} of {count} came, then none for 20 s\n{daemon.log()}"
        found += page["records"]
        after = page["next"]
    return found + list(daemon.records(after=after, kind="reading"))


def _babble(port: Port, stop: threading.Event) -> None:
    while not stop.is_set():
        if port.room():
            port.send(b"\x00\xff~garbage~\r\n" * 9)
        time.sleep(0.01)

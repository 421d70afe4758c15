"""Gauges that are told that their value was kept: only once it is on the disk, and not after they gave up."""

from __future__ import annotations

import select
from pathlib import Path

import pytest

from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.fault.shim import SYNCS, Event, Shim
from tests.fault.test_daemon_faults import WAL, Bench

CONFIRMED = b"OK\r"


@pytest.fixture
def text() -> str:
    return 'confirmation = "OK\\r"\npattern = '


def test_a_value_is_confirmed_once_it_is_on_the_disk(tmp_path: Path, text: str) -> None:
    """Each value once, after the journal's sync; bytes that are no value never."""
    shim = Shim(tmp_path)
    shim.clear()
    with Port() as port, Daemon(tmp_path, _station(port, text), env=shim.env()) as daemon:
        bench = Bench(daemon, port, shim)
        bench.until(lambda: daemon.get("/links")["links"][0]["state"] == "connected", "connected")
        for _ in range(3):
            bench.show()
            assert port.received(len(CONFIRMED)) == CONFIRMED
        port.send(b"no value\r\n")
        daemon.wait_for(1, kind="bad-frame")
        bench.show()
        assert port.received(len(CONFIRMED)) == CONFIRMED
        assert not select.select([port.ours], [], [], 0)[0], "one confirmation for each value"
        # What was written arrives a moment before the shim notes that it was.
        bench.until(lambda: len(_told(shim)) >= 4, "every confirmation in the shim's log")
        told = _told(shim)
        synced = [e for e in shim.events() if e.call in SYNCS and e.target.endswith(WAL)]
        assert len(told) == 4
        for event, before in zip(told[1:], told, strict=False):
            assert any(before.end_ns <= each.begin_ns and each.end_ns <= event.begin_ns for each in synced)


def test_what_could_not_be_kept_is_not_confirmed(tmp_path: Path, text: str) -> None:
    """While nothing is recorded nothing is confirmed, and what is recorded later isn't either: the gauge gave up."""
    shim = Shim(tmp_path)
    shim.clear()
    with Port() as port, Daemon(tmp_path, _station(port, text), env=shim.env()) as daemon:
        bench = Bench(daemon, port, shim)
        bench.until(lambda: daemon.get("/links")["links"][0]["state"] == "connected", "connected")
        shim.inject([f"pwrite|write *{WAL} errno=ENOSPC"])
        for _ in range(4):
            bench.show()
        bench.until(lambda: not daemon.get("/health")["recording"], "not recording")
        bench.until(lambda: bench.heard() == 4, "all heard")
        shim.clear()
        daemon.wait_for(4, kind="reading")
        bench.show()
        assert port.received(len(CONFIRMED)) == CONFIRMED
        assert not select.select([port.ours], [], [], 0)[0], "only the last one was confirmed"


def _told(shim: Shim) -> list[Event]:
    return [event for event in shim.events() if event.data == CONFIRMED]


def _station(port: Port, text: str) -> str:
    return station_file([port]).replace("pattern = ", text)

"""The daemon with a fault at every one of its writes and syncs: no acknowledged reading is lost, nothing is doubled."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from gaugepost.edge.journal import Journal, Reader, examine
from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.fault.shim import Shim

pytestmark = pytest.mark.attack

CALLS = "write|pwrite|writev|fsync|fdatasync|ftruncate"
FAULTS = ("errno=EIO", "errno=ENOSPC", "stall_ms=300")
FILES = ("journal.db-wal", "deliveries.db-wal", "*.csv")
MOST_CALLS = 60
"""More calls on one file than one reading leads to; whoever needs more has broken the walk through them."""


@dataclass
class Run:
    """A daemon under the shim, what its gauge sent, and what was said to be recorded."""

    daemon: Daemon
    port: Port
    shim: Shim
    sent: list[str] = field(default_factory=list)

    def show(self) -> None:
        """Have the gauge send another value."""
        self.sent.append(f"38.{len(self.sent):04}")
        self.port.send(f"{self.sent[-1]} mm\r\n".encode())

    def until(self, true: Callable[[], bool], what: str) -> None:
        """Wait until `true`; fail where it never gets so."""
        deadline = time.monotonic() + START_S
        while not true():
            assert time.monotonic() < deadline, f"never {what}\n{self.daemon.log()[-3000:]}"
            time.sleep(0.02)

    def recorded(self) -> list[str]:
        """The digits of every reading that the daemon says it recorded."""
        return [record["indication"] for record in self.daemon.records(kind="reading")]

    def delivered(self) -> list[str]:
        """The digits in the CSV file's rows."""
        return [row["indication"] for row in self.daemon.rows() if row["kind"] == "reading"]

    def hit(self, name: str, fault: str, since: int) -> bool:
        """Whether the fault befell a call on a file so named after the first `since` calls."""
        end = name.removeprefix("*")
        calls = [event for event in self.shim.events()[since:] if event.target.endswith(end)]
        if fault.startswith("stall"):
            return any(event.end_ns - event.begin_ns > 290_000_000 for event in calls)
        return any(event.error for event in calls)


@pytest.fixture
def run(tmp_path: Path) -> Iterator[Run]:
    shim = Shim(tmp_path)
    shim.clear()
    with Port() as port, Daemon(tmp_path, station_file([port]), env=shim.env()) as daemon:
        yield Run(daemon, port, shim)


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.partition("=")[2])
def test_a_fault_at_every_write_of_a_reading(run: Run, name: str, fault: str) -> None:
    """Whichever write or sync fails or stalls: every reading is recorded once, in order, and delivered once."""
    run.show()
    run.until(lambda: run.delivered() == run.sent, "delivered")
    for at in range(MOST_CALLS):
        since = len(run.shim.events())
        run.shim.inject([f"{CALLS} *{name.removeprefix('*')} {fault} after={at} count=1"])
        run.show()
        run.until(lambda: run.recorded() == run.sent, "recorded, once and in order")
        run.until(lambda: run.delivered() == run.sent, "delivered, once and in order")
        if not run.hit(name, fault, since):
            break
    assert 1 <= at < MOST_CALLS - 1, f"{at} calls were hit"
    run.shim.clear()
    assert run.daemon.get("/health")["recording"]
    gaps = list(run.daemon.records(kind="gap"))
    assert all(gap["count"] == 0 for gap in gaps), "a frame was lost"
    assert bool(gaps) == (name == "journal.db-wal" and not fault.startswith("stall"))
    assert run.daemon.stop() == 0
    report = examine(run.daemon.journal)
    assert report.sound, report.findings


ALL_OF_A_START = 20
"""So many calls make the journal; what follows are commits like any other, of which every third is enough here."""


def _worked(daemon: Daemon, port: Port) -> list[tuple[str, str]]:
    """Have two readings recorded; return the ids and digits that were acknowledged."""
    for digits in ("38.0001", "38.0002"):
        port.send(f"{digits} mm\r\n".encode())
    return [(each["id"], each["indication"]) for each in daemon.wait_for(2, kind="reading")]


def _held(daemon: Daemon) -> list[tuple[str, str | None]]:
    """The ids and digits of the journal's readings, in a chain that verifies and that can be written on."""
    report = examine(daemon.journal)
    assert report.sound, report.findings
    Journal.open(daemon.journal, "test bench").close()
    reader = Reader(daemon.journal)
    kept = [(f"{reader.epoch}-{e.sequence}", e.record.indication) for e in reader.replay(kinds=["reading"])]
    reader.close()
    return kept


def _done(shim: Shim) -> int:
    """How many calls on the station's data there were so far."""
    return sum("/data/" in event.target and event.call in CALLS.split("|") for event in shim.events())


def test_a_fault_at_writes_of_the_first_start(tmp_path: Path) -> None:
    """It goes on, or it ends with a code that is not 0 and starts clean when the fault is gone; then it records."""
    refused, at, calls = 0, 0, 1
    while at < calls:
        folder = tmp_path / f"{at}"
        folder.mkdir()
        shim = Shim(folder)
        shim.inject([f"{CALLS} */data/* {FAULTS[at % 2]} after={at} count=1"])
        with Port() as port:
            daemon = Daemon(folder, station_file([port]), env=shim.env())
            try:
                daemon.start()
                calls = max(calls, _done(shim))
            except AssertionError:
                refused += 1
                calls = max(calls, at + 4)  # it goes on to where it listens
                assert daemon.process is not None
                assert daemon.process.returncode not in (0, -9), "it neither listened nor said why not"
                assert "Traceback" not in daemon.log(), f"at call {at} it ended as if by a bug of ours"
                shim.clear()
                daemon.start()
            shim.clear()
            acknowledged = _worked(daemon, port)
            daemon.kill()
        assert _held(daemon) == acknowledged, f"at call {at}"
        at += 1 if at < ALL_OF_A_START else 3
    assert 0 < refused < calls
    assert calls > ALL_OF_A_START


def test_a_fault_at_every_write_of_the_end(tmp_path: Path) -> None:
    """Whatever fails while it ends: it ends, by the exit code of a clean end or of a loss, and there is no loss."""
    at, calls = 0, 1
    while at < calls:
        folder = tmp_path / f"{at}"
        folder.mkdir()
        shim = Shim(folder)
        shim.clear()
        with Port() as port:
            daemon = Daemon(folder, station_file([port]), env=shim.env()).start()
            acknowledged = _worked(daemon, port)
            before = _done(shim)
            shim.inject([f"{CALLS} */data/* {FAULTS[at % 2]} after={at} count=1"])
            assert daemon.stop() in (0, 1), daemon.log()
            calls = max(calls, _done(shim) - before)
        assert _held(daemon) == acknowledged, f"at call {at}"
        at += 1
    assert calls > 5

"""The whole daemon on a disk that fails, fills up and stalls: nothing is said too early, nothing is lost."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.fault.shim import SENDS, SYNCS, WRITES, Event, Shim

WAL = "journal.db-wal"


@dataclass
class Bench:
    """A daemon under the shim with one gauge."""

    daemon: Daemon
    port: Port
    shim: Shim
    shown: int = 0

    def show(self) -> str:
        """Have the gauge send another value; return its digits."""
        self.shown += 1
        digits = f"38.{self.shown:04}"
        self.port.send(f"{digits} mm\r\n".encode())
        return digits

    def until(self, true: Callable[[], bool], what: str) -> None:
        """Wait until `true`; fail where it never gets so."""
        deadline = time.monotonic() + START_S
        while not true():
            assert time.monotonic() < deadline, f"never {what}\n{self.daemon.log()}"
            time.sleep(0.01)

    def readings(self) -> list[dict[str, Any]]:
        """Return the readings recorded so far."""
        return list(self.daemon.records(kind="reading"))

    def heard(self) -> int:
        """Return how many frames came over the link."""
        (link,) = self.daemon.get("/links")["links"]
        return int(link["frames"])


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    shim = Shim(tmp_path)
    shim.clear()
    with Port() as port, Daemon(tmp_path, station_file([port]), env=shim.env()) as daemon:
        yield Bench(daemon, port, shim)


def _of(events: list[Event], calls: frozenset[str], name: str) -> list[Event]:
    return [event for event in events if event.call in calls and event.target.endswith(name)]


def test_synced_before_anything_is_said(bench: Bench) -> None:
    """Each reading is in the journal and synced before its row is written and before it is answered over REST."""
    windows = []
    bench.show()  # the first row comes with the file's header, in one write
    bench.until(lambda: len(bench.daemon.rows()) == 1, "a row")
    for _ in range(10):
        head, begun = bench.daemon.get("/station")["head"], time.monotonic_ns()
        bench.show()
        bench.daemon.wait_for(1, after=head, kind="reading")
        bench.until(lambda: len(bench.daemon.rows()) == bench.shown, "a row")
        bench.until(lambda: bench.daemon.get("/destinations")["destinations"][0]["lag"] == 0, "delivered")
        windows.append((begun, time.monotonic_ns()))
    events = bench.shim.events()
    for begun, ended in windows:
        during = [event for event in events if begun <= event.begin_ns and event.end_ns <= ended]
        written = _of(during, WRITES, WAL)
        synced = _of(during, SYNCS, WAL)
        row = next(event for event in _of(during, WRITES, ".csv") if event.data.startswith(b"reading,"))
        answers = [e for e in during if e.call in SENDS and e.data.startswith(b'{"records":[{')]
        assert written, "the reading was not written to the journal"
        durable = next(event for event in synced if event.begin_ns >= written[-1].end_ns)
        assert durable.result == 0
        assert durable.end_ns <= row.begin_ns, "a row was written before the journal was synced"
        assert answers, "nothing was answered"
        assert all(durable.end_ns <= event.begin_ns for event in answers), (
            "answered before the journal was synced"
        )
        row_synced = next(event for event in _of(during, SYNCS, ".csv") if event.begin_ns >= row.end_ns)
        cursor = _of(during, WRITES, "deliveries.db-wal")
        assert cursor[0].end_ns <= row.begin_ns, "the batch's boundaries were not stored before it was sent"
        assert any(event.begin_ns >= row_synced.end_ns for event in cursor), (
            "the cursor did not follow the row"
        )


@pytest.mark.parametrize(
    "rule",
    [
        f"pwrite|write *{WAL} errno=ENOSPC",
        f"fdatasync|fsync *{WAL} errno=EIO",
        f"pwrite *{WAL} errno=EIO after=1",
    ],
    ids=["disk full", "sync fails", "write fails half way"],
)
def test_journal_that_takes_nothing(bench: Bench, rule: str) -> None:
    """While the journal takes nothing that is shown and commands are refused; then all that came is recorded, once."""
    sent = [bench.show()]
    bench.daemon.wait_for(1, kind="reading")
    bench.shim.inject([rule])
    sent += [bench.show() for _ in range(5)]
    bench.until(lambda: not bench.daemon.get("/health")["recording"], "not recording")
    assert bench.daemon.status == 503
    bench.daemon.post("/tags", {"piece": "7"}, "PUT")
    assert bench.daemon.status == 503
    sent += [bench.show() for _ in range(5)]
    bench.until(lambda: bench.heard() == len(sent), "all heard")
    assert len(bench.readings()) <= len(sent) - 5
    bench.shim.clear()
    bench.daemon.wait_for(len(sent), kind="reading")
    assert [record["indication"] for record in bench.readings()] == sent
    (gap,) = bench.daemon.records(kind="gap")
    assert gap["count"] == 0
    assert "0 lost" in gap["text"]
    assert bench.daemon.get("/health")["recording"]
    bench.daemon.post("/tags", {"piece": "7"}, "PUT")
    assert bench.daemon.status == 200
    bench.until(
        lambda: [row["indication"] for row in bench.daemon.rows() if row["kind"] == "reading"] == sent, "sent"
    )


def test_stalled_disk_holds_up_no_port(bench: Bench) -> None:
    """While a sync hangs, frames are read off the port and the service answers; afterwards every frame is recorded."""
    bench.show()
    bench.daemon.wait_for(1, kind="reading")
    head = bench.daemon.get("/station")["head"]
    bench.shim.inject([f"fdatasync|fsync *{WAL} stall_ms=4000 count=1"])
    sent = [bench.show() for _ in range(50)]
    bench.until(lambda: bench.heard() == 51, "all heard")
    assert bench.daemon.get("/station")["head"] == head, (
        "the stall was over before the port was read: no proof"
    )
    assert len(bench.daemon.wait_for(51, kind="reading")) == 51
    assert [record["indication"] for record in bench.readings()][1:] == sent


def test_failing_destination_holds_up_nothing(bench: Bench) -> None:
    """A CSV file on a full disk is tried again by itself; journal and REST go on, and the rows come later."""
    bench.shim.inject(["write *.csv errno=ENOSPC"])
    sent = [bench.show() for _ in range(5)]
    bench.daemon.wait_for(5, kind="reading")
    bench.until(
        lambda: bench.daemon.get("/destinations")["destinations"][0]["state"] == "unreachable", "unreachable"
    )
    bench.shim.clear()
    bench.until(lambda: [row["indication"] for row in bench.daemon.rows()] == sent, "delivered")


def test_exit_code_of_a_journal_that_never_came_back(bench: Bench) -> None:
    """Ending while frames could not be recorded is said with a non-zero exit code, not hidden."""
    bench.shim.inject([f"pwrite|write *{WAL} errno=ENOSPC"])
    bench.show()
    bench.until(lambda: not bench.daemon.get("/health")["recording"], "not recording")
    assert bench.daemon.stop() == 1
    assert "could not be recorded" in bench.daemon.log()

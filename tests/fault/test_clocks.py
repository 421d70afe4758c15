"""The real daemon while its wall clock is moved forward and back, and across a start of the computer."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gaugepost.edge.journal import examine
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.fault.wall import Wall

pytestmark = pytest.mark.attack

HOUR_MS = 3_600_000


class Station:
    """A mastered gauge that is checked for four hours, at a daemon whose wall clock the test moves."""

    def __init__(self, folder: Path, port: Port) -> None:
        self.wall, self.port = Wall(folder), port
        text = station_file([port], gauge='mastering_valid_for = "4 h"')
        self.daemon = Daemon(folder, text, env=self.wall.env()).start()
        self.number = 0
        self.daemon.post("/tags", {"operator": "M1", "lot": "L1", "piece": "1", "characteristic": "A"}, "PUT")
        self.daemon.post("/gauges/g0/mastering", {"masters": ["ring-1"], "serials": ["R-1"], "readings": 2})
        for digits in ("38.0042", "38.0043"):
            self._sent(digits, "master-reading")
        assert self.daemon.wait_for(1, kind="mastering")[0]["code"] == "accepted"
        self.check()
        assert self.show()["verdict"] == "in-limits"

    def check(self) -> None:
        """Check the gauge on the ring; it passes."""
        self.daemon.post("/gauges/g0/check", {"master": "ring-1", "serial": "R-1", "readings": 2})
        for digits in ("38.0042", "38.0043"):
            last = self._sent(digits, "master-reading")
        (check,) = self.daemon.wait_for(1, kind="check", after=last["sequence"])
        assert check["code"] == "passed"

    def show(self) -> dict[str, Any]:
        """Measure; return the reading."""
        self.number += 1
        return self._sent(f"38.01{self.number:02}", "reading")

    def _sent(self, digits: str, kind: str) -> dict[str, Any]:
        head = self.daemon.get("/station")["head"]
        self.port.send(f"{digits} mm\r\n".encode())
        return self.daemon.wait_for(1, kind=kind, after=head)[0]

    def jumps(self) -> list[dict[str, Any]]:
        """The records that say that the wall clock was moved."""
        return [each for each in self.daemon.records(kind="condition") if each["code"] == "clock-jump"]


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    with Port() as port:
        made = Station(tmp_path, port)
        try:
            yield made
        finally:
            if made.daemon.process is not None:
                made.daemon.stop()


@pytest.mark.parametrize("hours", [5, -5], ids=["forward", "back"])
def test_a_moved_wall_clock_within_one_start(station: Station, hours: int) -> None:
    """It is recorded; order, ids and durations stay right: a check good for four hours is not five hours old."""
    before = station.show()
    station.wall.move(hours * HOUR_MS)
    after = station.show()
    assert after["sequence"] == before["sequence"] + 2, (
        "one record between them says that the clock was moved"
    )
    (jump,) = station.jumps()
    assert abs(float(jump["text"].split()[-2]) - hours * 3600) < 60
    assert (after["measured_at"] > before["measured_at"]) == (hours > 0)
    assert 0 <= after["clock_ms"] - before["clock_ms"] < 300_000, "the other clock went on as before"
    assert after["verdict"] == "in-limits"
    ids = [record["id"] for record in station.daemon.records()]
    assert [int(each.rpartition("-")[2]) for each in ids] == list(range(1, len(ids) + 1))
    assert station.daemon.stop() == 0
    rows = [row["id"] for row in station.daemon.rows()]
    assert rows == sorted(rows, key=lambda each: int(each.rpartition("-")[2]))
    assert len(rows) == len(set(rows))
    assert examine(station.daemon.journal).sound


def test_a_wall_clock_that_is_back_after_a_start_of_the_computer(station: Station) -> None:
    """Nobody knows how old the check is then: nothing is judged until the gauge is checked again."""
    station.daemon.stop()
    station.wall.move(-2 * HOUR_MS)
    station.wall.boot("0e6f4c1e-6a39-4b9b-a55e-0c2d3f1c7a11")
    station.daemon.start()
    reading = station.show()
    assert reading["verdict"] == "not-judged"
    assert any("clock went back" in reason for reason in reading["reasons"])
    start = list(station.daemon.records(kind="start"))[-1]
    assert (start["ends_mastering"], start["boot"]) == (True, "0e6f4c1e-6a39-4b9b-a55e-0c2d3f1c7a11")
    station.check()
    assert station.show()["verdict"] == "in-limits"


def test_a_start_of_the_computer_with_a_clock_that_went_on(station: Station) -> None:
    """Across a start durations are of wall time: two hours on the check still counts, five hours on it doesn't."""
    for hours, verdict, boot in ((2, "in-limits", "b-2"), (5, "not-judged", "b-3")):
        station.daemon.stop()
        station.wall.move(hours * HOUR_MS)
        station.wall.boot(boot)
        station.daemon.start()
        reading = station.show()
        assert reading["verdict"] == verdict
        assert "ends_mastering" not in list(station.daemon.records(kind="start"))[-1]
    assert reading["reasons"] == ["last checked more than 4 h ago"]


def test_a_restart_of_the_service_alone_with_the_clock_moved(station: Station) -> None:
    """The computer did not start: durations are of the clock that counts on, however the wall clock was moved."""
    for hours in (5, -5):
        station.daemon.stop()
        station.wall.move(hours * HOUR_MS)
        station.daemon.start()
        assert station.show()["verdict"] == "in-limits"
    moved = [round(float(each["text"].split()[-2]) / 3600) for each in station.jumps()]
    assert moved == [5, -10], "told at each start, by how much"

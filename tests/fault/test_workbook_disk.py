"""A sheet that somebody has is never written into: a whole new one takes its place once it is on the disk."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from openpyxl import load_workbook

from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.crash.test_workbook_kill import SHEET, blank, shown
from tests.fault.shim import SYNCS, WRITES, Shim

pytestmark = pytest.mark.attack

NEW = ".inspection.xlsx.gaugepost"


@pytest.fixture
def shim(tmp_path: Path) -> Shim:
    return Shim(tmp_path)


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """An inspection sheet that somebody made."""
    file = tmp_path / "data" / "inspection.xlsx"
    file.parent.mkdir()
    blank(file)
    return file


@pytest.fixture
def at_work(tmp_path: Path, shim: Shim, sheet: Path) -> Iterator[tuple[Daemon, Port]]:
    """A station with piece 7 in hand that fills it."""
    with Port() as port, Daemon(tmp_path, station_file([port], extra=SHEET), env=shim.env()) as daemon:
        daemon.post("/tags", {"piece": "7"}, "PUT")
        yield daemon, port


def _measure(daemon: Daemon, port: Port, digits: str) -> str:
    """Measure the piece and return the reading's id."""
    after = max((record["sequence"] for record in daemon.records()), default=0)
    port.send(f"{digits} mm\r\n".encode())
    return str(daemon.wait_for(1, after=after, kind="reading")[0]["id"])


def _wait_until_shown(sheet: Path, name: str, daemon: Daemon) -> None:
    deadline = time.monotonic() + START_S
    while shown(sheet).get("7", ("", None))[0] != name:
        assert time.monotonic() < deadline, daemon.log()
        time.sleep(0.05)


def test_a_sheet_is_written_aside_synced_and_put_in_its_place(
    at_work: tuple[Daemon, Port], shim: Shim, sheet: Path
) -> None:
    """Bytes go to a file beside it, which is synced before it gets the name; the name is synced after it."""
    daemon, port = at_work
    for digits in ("38.0012", "38.0013"):
        _wait_until_shown(sheet, _measure(daemon, port, digits), daemon)
    assert daemon.stop() == 0
    events = shim.events()
    renames = [at for at, event in enumerate(events) if event.call == "rename" and event.target == str(sheet)]
    assert len(renames) >= 2
    before = 0
    for at in renames:
        aside = [event.call for event in events[before:at] if event.target.endswith(NEW)]
        assert aside.count("fsync") == 1
        assert aside[-1] == "fsync", "nothing is written after what was synced"
        assert aside[0] in WRITES
        before = at
    for at, following in zip(renames, [*renames[1:], len(events)], strict=True):
        synced = [event.target for event in events[at:following] if event.call in SYNCS]
        assert str(sheet.parent) in synced
    touched = [event for event in events if event.target == str(sheet) and event.call != "rename"]
    assert touched == []


@pytest.mark.parametrize(
    "rule", ["fsync {} errno=EIO", "write {} short=700", "write {} errno=ENOSPC", "rename {} errno=EACCES"]
)
def test_a_disk_that_refuses_leaves_the_sheet_as_it_was(
    rule: str, at_work: tuple[Daemon, Port], shim: Shim, sheet: Path
) -> None:
    """Where the new one can't be written, synced or named, the old one stays to the byte, and is filled afterwards."""
    daemon, port = at_work
    first = _measure(daemon, port, "38.0012")
    _wait_until_shown(sheet, first, daemon)
    before = sheet.read_bytes()
    name = str(sheet) if rule.startswith("rename") else f"*{NEW}"
    rules = [rule.format(name)]
    if "short" in rule:  # a torn write, and no room for the rest
        rules.append(f"write {name} errno=ENOSPC after=1")
    shim.inject(rules)
    second = _measure(daemon, port, "38.0013")
    deadline = time.monotonic() + START_S
    while daemon.get("/destinations/inspection")["state"] != "unreachable":
        assert time.monotonic() < deadline, daemon.get("/destinations/inspection")
        time.sleep(0.05)
    assert sheet.read_bytes() == before
    assert not (sheet.parent / NEW).exists()
    with closing(load_workbook(sheet)) as book:
        assert book.worksheets[0]["B4"].value == "Piece"
    shim.clear()
    _wait_until_shown(sheet, second, daemon)

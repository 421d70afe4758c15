"""A daemon that fills an inspection sheet is killed again and again: the file is whole each time, and right at last."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook

from tests.bench_tools.accounts import delivered, journalled, load
from tests.bench_tools.daemon import Daemon, Port, station_file

KILLS = 40
PIECES = 12
LAST = 4 + PIECES

SHEET = f"""
[destinations.inspection]
kind = "workbook"
file = "inspection.xlsx"
pieces = "B5:B{LAST}"
cells = {{ H1 = "piece" }}
[[destinations.inspection.fill]]
characteristic = "A"
value = "C5:C{LAST}"
verdict = "D5:D{LAST}"
measured_at = "E5:E{LAST}"
id = "F5:F{LAST}"
"""


def blank(path: Path) -> None:
    book = Workbook()
    assert book.active is not None
    book.active["B4"] = "Piece"
    book.active["G1"] = f"=COUNT(C5:C{LAST})"
    book.save(path)
    book.close()


def shown(path: Path) -> dict[str, tuple[str, Any]]:
    """Return the id and value that the sheet shows of each piece; every row is whole, or empty."""
    with closing(load_workbook(path)) as book:
        page = book.worksheets[0]
        assert page["B4"].value == "Piece"
        found = {}
        for row in page[f"B5:F{LAST}"]:
            piece, value, verdict, when, name = (cell.value for cell in row)
            assert [each is None for each in (value, verdict, when, name)] == [piece is None] * 4
            if piece is not None:
                found[str(piece)] = (name, value)
        return found


def measured(daemon: Daemon) -> Iterator[dict[str, Any]]:
    """Yield the readings of pieces that stand, oldest first; the first came before one was in hand."""
    voided = {record["replaces"] for record in daemon.records(kind="void")}
    for record in daemon.records(kind="reading"):
        if record["id"] not in voided and "piece" in record:
            yield record


def measure(daemon: Daemon, chance: random.Random) -> None:
    """Take pieces in hand, and wait for some readings of each."""
    after = max((record["sequence"] for record in daemon.records(kind="reading")), default=0)
    for _ in range(chance.randrange(1, 4)):
        daemon.post("/tags", {"piece": str(chance.randrange(PIECES))}, "PUT")
        after = daemon.wait_for(chance.randrange(1, 4), after=after, kind="reading")[-1]["sequence"]


@pytest.mark.attack
def test_killed_while_it_fills_a_sheet(tmp_path: Path) -> None:
    """Over 40 kills the sheet never shows what the journal does not hold; then it shows all that stands, and no more.

    In the end everything is voided: a cell that a kill left filled without the daemon's knowing would stay filled.
    """
    chance = random.Random(40)
    sent: list[list[str]] = [[]]
    file = tmp_path / "data" / "inspection.xlsx"
    file.parent.mkdir()
    blank(file)
    left, caught = 0, 0
    daemon = Daemon(tmp_path, "")
    for number in range(KILLS):
        with Port() as port:  # what a kill unplugs comes back on a port of its own
            daemon.station = station_file([port], extra=SHEET)
            with daemon:
                before = journalled(daemon)
                with load([port], sent, 0.05):
                    measure(daemon, chance)
                    if number % 5 == 4:
                        *_, last = measured(daemon)
                        daemon.post(f"/records/{last['id']}/void", {"operator": "M2", "reason": "burr"})
                    time.sleep(chance.random() / 5)
                    daemon.kill()
        ids = {name for name, _ in shown(file).values()}
        assert ids <= set(journalled(daemon)), "the sheet shows what the journal does not hold"
        caught += not ids <= set(before)
        left += (file.parent / f".{file.name}.gaugepost").exists()
    assert caught, "nothing was filled in between start and kill: the test proves nothing"
    with Port() as port:
        daemon.station = station_file([port], extra=SHEET)
        with daemon:
            delivered(daemon, "inspection")
            stands = {record["piece"]: (record["id"], float(record["value"])) for record in measured(daemon)}
            assert shown(file) == stands
            assert not (file.parent / f".{file.name}.gaugepost").exists()
            for record in list(measured(daemon)):
                daemon.post(f"/records/{record['id']}/void", {"operator": "M2", "reason": "all of it"})
            delivered(daemon, "inspection")
            assert shown(file) == {}
    print(f"{KILLS} kills, {caught} of them after cells were filled, {left} within a replacement")

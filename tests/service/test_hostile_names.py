"""Names, lots, codes and frames are data wherever they go: answers, journal, file names, CSV, log lines."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from gaugepost.edge.journal import Reader, examine
from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack

NAMES = (
    '=HYPERLINK("http://shop.example")',
    "+1+1",
    "-2+3",
    "@SUM(A1:A9)",
    "=cmd|' /C calc'!A0",
    "'; DROP TABLE record; --",
    '" OR "1"="1',
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "../../../etc/passwd",
    "..",
    "/etc/passwd",
    "C:\\Windows\\x",
    "CON",
    "nul.txt",
    "%2e%2e%2fx",
    "{lot}",
    "%(asctime)s {0} $HOME `id`",
    "#/+/$SYS",
    "a,b;c\"d'e",
    "ＬＯＴ１",
    "Ωλ-7 ±µ",
)
"""Formulas (OWASP, CSV Injection), SQL, HTML, paths, devices, placeholders, topics' wildcards, quotes, scripts."""
REFUSED = (
    'L1\n{"event": "forged", "level": "info"}',
    "L1\r\nSet-Cookie: a=b",
    "\x1b[2Jcleared",
    "L\x00",
    "L\u202e1",
    "L\u2028L",
    "\u200b",
    " ",
    "",
    "x" * 65,
)
"""Line ends, terminals' commands, what turns or hides text, nothing at all, too much."""
FRAMES = (
    b"=1+1 mm",
    b"<script> mm",
    b"38.0001 mm'; DROP TABLE record; --",
    b"\x1b[2J38.0001 mm",
    b"NaN mm",
    b"\x00" * 9,
)


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[tuple[Daemon, Port]]:
    """Yield a daemon that writes a file for each lot."""
    extra = 'file_by = "lot"\npath = "csv/{lot}.csv"'
    folder = tmp_path / "station"
    folder.mkdir()
    with Port() as port, Daemon(folder, station_file([port], extra=extra)) as daemon:
        yield daemon, port


def test_names_are_data(daemon: tuple[Daemon, Port], tmp_path: Path) -> None:
    """Whatever a lot, a piece or a person is called comes back letter by letter, and nothing takes it for more."""
    station, port = daemon
    outside = {path for path in tmp_path.parent.rglob("*") if station.folder not in path.parents}
    for number, name in enumerate(NAMES, 1):
        told = station.post("/tags", {"lot": name, "piece": name, "operator": name}, "PUT")
        assert station.status == 200, told
        port.send(f"38.{number:04} mm\r\n".encode())
        station.wait_for(number, kind="reading")
        (found,) = station.records(kind="reading", lot=quote(name, safe=""))
        assert [found[key] for key in ("lot", "piece", "operator")] == [name] * 3
    for name in REFUSED:
        told = station.post("/tags", {"lot": name}, "PUT")
        assert station.status in (409, 422), (name, told)
        assert told["hint"]
    for number, frame in enumerate(FRAMES, 1):
        port.send(frame + b"\r\n")
        station.wait_for(number, kind="bad-frame")
    assert len(list(station.records(kind="reading"))) == len(NAMES)
    for name in NAMES:
        station.post(f"/gauges/{quote(name, safe='')}/reports", {"what": name}, "POST")
        assert station.status in (404, 409, 422), name
    assert station.stop() == 0
    station.process = None
    assert {path for path in tmp_path.parent.rglob("*") if station.folder not in path.parents} == outside
    _journal(station)
    _sheets(station.data / "csv")
    for line in station.log().splitlines():
        assert isinstance(json.loads(line), dict)
    assert "forged" not in {json.loads(line)["event"] for line in station.log().splitlines()}


def _journal(station: Daemon) -> None:
    """Hold that the chain is whole and every name is in it."""
    assert examine(station.journal).sound
    reader = Reader(station.journal)
    try:
        entries = list(reader.entries(0, 1000))
    finally:
        reader.close()
    assert {entry.record.lot for entry in entries} - {None} == set(NAMES)


def _sheets(folder: Path) -> None:
    """Hold that each lot has a file of its own, there, and that no cell begins as a formula does."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert {path.parent for path in files} == {folder}
    lots = set()
    for path in files:
        with path.open(newline="", encoding="utf-8-sig") as file:
            for row in csv.DictReader(file):
                for key in ("lot", "piece", "operator", "raw"):
                    assert not row[key].startswith(("=", "+", "-", "@", "\t", "\r")), (path, row[key])
                lots.add(row["lot"])
    assert {lot.removeprefix("'") for lot in lots if lot} == {name.removeprefix("'") for name in NAMES}

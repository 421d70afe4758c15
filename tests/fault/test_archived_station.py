"""A station goes on after records of years ago were archived: nothing is sent again, all numbers are derived again."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import pytest

from gaugepost.cli import main
from gaugepost.edge.journal import examine
from tests.bench_tools.daemon import Daemon, Port, station_file

pytestmark = pytest.mark.attack


def _gaugepost(*words: object) -> str:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        assert main(list(map(str, words))) == 0, out.getvalue()
    return out.getvalue()


def _master(daemon: Daemon, port: Port) -> None:
    for what, said, digits in (
        ("mastering", {"masters": ["ring-1"], "serials": ["R-1"]}, ("38.0010", "38.0012")),
        ("check", {"master": "ring-1", "serial": "R-1"}, ("38.0011", "38.0013")),
    ):
        after = daemon.get("/station")["head"]
        daemon.post(f"/gauges/g0/{what}", said)
        assert daemon.status == 200
        for each in digits:
            port.send(f"{each} mm\r\n".encode())
        daemon.wait_for(1, kind=what, after=after)


def _measure(daemon: Daemon, port: Port, lot: str, pieces: range) -> None:
    for piece in pieces:
        after = daemon.get("/station")["head"]
        daemon.post("/tags", {"lot": lot, "piece": str(piece)}, "PUT")
        port.send(f"38.{40 + piece:04} mm\r\n".encode())
        daemon.wait_for(1, kind="reading", after=after)


def test_a_station_goes_on_after_archiving(tmp_path: Path) -> None:
    """The destination gets what is new and nothing twice, attempts are counted on, both files derive to the same."""
    with Port() as port:
        daemon = Daemon(tmp_path, station_file([port])).start()
        _master(daemon, port)
        _measure(daemon, port, "L-1", range(8))
        old = daemon.wait_for(8, kind="reading")
        _master(daemon, port)
        _measure(daemon, port, "L-2", range(2))
        daemon.stop()
        before = daemon.rows()
        (tmp_path / "archives").mkdir()
        assert "archived" in _gaugepost(
            "archive", daemon.data, tmp_path / "archives", "--before", "2100-01-01"
        )
        (file,) = (tmp_path / "archives").iterdir()
        (part,) = examine(daemon.journal).archived
        assert part.last >= old[-1]["sequence"]
        (daemon.data / "bench.snapshot").unlink()  # the bench as it was comes from the journal alone
        daemon.start()
        assert daemon.get(f"/records/{old[0]['id']}")
        assert daemon.status == 404, "what is archived is not the service's any more"
        assert next(daemon.records())["sequence"] == part.last + 1
        _measure(daemon, port, "L-1", range(3, 4))
        again = daemon.wait_for(3, kind="reading")[-1]
        assert (again["lot"], again["piece"], again["attempt"]) == ("L-1", "3", 2)
        assert again["value_mm"]
        assert daemon.stop() == 0
        rows = daemon.rows()
    assert rows[: len(before)] == before
    assert len({row["id"] for row in rows}) == len(rows)
    for path in (daemon.data, file):
        told = _gaugepost("verify", path, "--numbers")
        assert "the same, 0 do not" in told
        assert "sound" in told

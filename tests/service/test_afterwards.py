"""Commands about measurements over REST and on the command line, at the real daemon with a gauge on a real port."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.bench_tools.accounts import until
from tests.bench_tools.daemon import Daemon, Port, station_file


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[tuple[Daemon, Port]]:
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        daemon.post("/tags", {"operator": "M1", "lot": "L1", "piece": "1"}, "PUT")
        yield daemon, port


def show(bench: tuple[Daemon, Port], digits: str, count: int) -> dict[str, object]:
    """Have the gauge send a value; return the reading, the `count`th of all."""
    daemon, port = bench
    port.send(f"{digits} mm\r\n".encode())
    return daemon.wait_for(count, kind="reading")[-1]


def said(daemon: Daemon, *words: str) -> subprocess.CompletedProcess[str]:
    """Run `gaugepost bench` against the daemon."""
    command = [sys.executable, "-m", "gaugepost", "bench", *words, "--at", daemon.address]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_void_and_amend(bench: tuple[Daemon, Port]) -> None:
    """A reading is voided or moved by a record of its own that names it by id; the reading stays as it was."""
    daemon, _ = bench
    first, second = show(bench, "38.0041", 1), show(bench, "38.0042", 2)
    answer = daemon.post(f"/records/{first['id']}/void", {"reason": "chip under a contact"})
    assert (daemon.status, answer["accepted"]) == (200, True)
    answer = daemon.post(
        f"/records/{second['sequence']}/amendment", {"piece": "2", "reason": "called out wrong"}
    )
    assert daemon.status == 200
    (void,), (amended,) = daemon.records(kind="void"), daemon.records(kind="amendment")
    assert (void["replaces"], void["text"], void["operator"]) == (first["id"], "chip under a contact", "M1")
    assert (amended["replaces"], amended["piece"], amended["value_mm"]) == (
        second["id"],
        "2",
        second["value_mm"],
    )
    assert daemon.get(f"/records/{first['id']}") == first
    for path, body, status in (
        (f"/records/{first['id']}/void", {"reason": "again"}, 409),
        ("/records/999/void", {"reason": "which"}, 404),
        (f"/records/{second['sequence']}/amendment", {"value": "38", "reason": "nicer"}, 422),
        (f"/records/{second['sequence']}/void", {}, 422),
    ):
        refusal = daemon.post(path, body)
        assert daemon.status == status, refusal
        assert refusal["hint"]


def test_another_attempt_and_early_finish(bench: tuple[Daemon, Port]) -> None:
    """The reason for another attempt stands on the reading; a mastering ends with what was read."""
    daemon, _ = bench
    show(bench, "38.0041", 1)
    daemon.post("/gauges/g0/attempts", {"why": "rework", "note": "reamed"})
    again = show(bench, "38.0042", 2)
    assert (again["attempt"], again["text"]) == (2, "the piece was reworked: reamed")
    daemon.post("/gauges/g0/mastering", {"masters": ["ring-1"], "serials": ["R-1"], "readings": 9})
    bench[1].send(b"38.0030 mm\r\n")
    daemon.wait_for(1, kind="master-reading")
    assert daemon.post("/gauges/g0/procedure/finish", {})["text"] == "mastering accepted"
    refusal = daemon.post("/gauges/g0/request", {})
    assert (daemon.status, refusal["hint"].startswith("press its own button")) == (409, True)


def test_the_same_on_the_command_line(bench: tuple[Daemon, Port]) -> None:
    """Each action has its command, which answers when the record is on disk and ends with 2 where it is refused."""
    daemon, _ = bench
    reading = show(bench, "38.0041", 1)
    done = said(daemon, "again", "g0", "recheck")
    assert (done.returncode, done.stdout) == (0, "measure A of piece 1 again\n"), done.stderr
    done = said(daemon, "amend", str(reading["sequence"]), "--piece", "2", "--reason", "called out wrong")
    assert (done.returncode, done.stdout) == (0, f"record {reading['sequence']} now belongs to piece 2\n"), (
        done.stderr
    )
    done = said(daemon, "void", str(reading["id"]), "--reason", "twice")
    assert done.returncode == 2
    assert "was replaced by" in done.stderr
    done = said(daemon, "finish", "g0")
    assert done.returncode == 2
    assert "going on" in done.stderr


def test_a_gauge_that_answers_when_asked(tmp_path: Path) -> None:
    """A request goes out on the gauge's line, and what comes back is a reading."""
    with Port() as port:
        text = station_file([port], gauge='answer_within = "60 s"')
        text = text.replace('units = { mm = "mm"', 'request = "?\\r"\nunits = { mm = "mm"')
        with Daemon(tmp_path, text) as daemon:
            daemon.wait_for(1, kind="link")
            daemon.post("/gauges/g0/request", {})
            assert daemon.status == 200
            assert port.received(2) == b"?\r"
            port.send(b"38.0041 mm\r\n")
            assert daemon.wait_for(1, kind="reading")[0]["indication"] == "38.0041"


PLACES = """
[characteristics.B]
feature = "bore"
limits = "38 H7"
gauges = ["g0"]
positions = [{ name = "top", depth = "2 mm" }, { name = "bottom", depth = "20 mm" }]
"""


def test_a_form_comes_with_its_places_and_goes_with_them(tmp_path: Path) -> None:
    """What places show is published as JSON and CSV; who voids or amends a reading of it voids it too."""
    with Port() as port, Daemon(tmp_path, station_file([port], extra=PLACES)) as daemon:
        bench = daemon, port
        tags = {"operator": "M1", "lot": "L1", "piece": "1", "characteristic": "B"}
        daemon.post("/tags", tags, "PUT")
        serials = {"masters": ["ring-1"], "serials": ["R-1"]}
        daemon.post("/gauges/g0/mastering", serials)
        port.send(b"38.0030 mm\r\n38.0031 mm\r\n")
        daemon.wait_for(1, kind="mastering")
        daemon.post("/gauges/g0/check", {"master": "ring-1", "serial": "R-1"})
        port.send(b"38.0032 mm\r\n")
        daemon.wait_for(1, kind="check")
        show(bench, "38.0100", 1)
        bottom = show(bench, "38.0125", 2)
        (form,) = daemon.wait_for(1, kind="form")
        assert (form["taper_mm"], form["characteristic"], form["piece"]) == ("0.002500000", "B", "1")
        assert form["members"][1] == bottom["id"]
        taper = ("form", "0.002500000")
        until(daemon, lambda: taper in {(row["kind"], row["taper_mm"]) for row in daemon.rows()}, "the form")
        daemon.post(f"/records/{bottom['id']}/amendment", {"piece": "2", "reason": "called out wrong"})
        (void,) = daemon.wait_for(1, kind="void")
        assert void["replaces"] == form["id"]

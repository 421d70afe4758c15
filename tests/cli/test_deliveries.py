"""`gaugepost deliveries` at the real daemon: what is stuck is seen, tried again, or left out, and nothing else is."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.daemon import START_S, Daemon, Port, station_file
from tests.bench_tools.picky import PickySide
from tests.cli.daemons import gaugepost

pytestmark = pytest.mark.attack


@pytest.fixture
def far(tmp_path: Path) -> PickySide:
    return PickySide(tmp_path / "far")


@pytest.fixture
def bench(tmp_path: Path, far: PickySide) -> Iterator[tuple[Daemon, Port]]:
    with Port() as port, Daemon(tmp_path, station_file([port], extra=far.table), far.env) as daemon:
        yield daemon, port


def measure(daemon: Daemon, port: Port, *pieces: str) -> list[str]:
    """Measure each piece once; return the readings' ids."""
    ids: list[str] = []
    for piece in pieces:
        daemon.post("/tags", {"piece": piece, "operator": "M1"}, "PUT")
        head = daemon.get("/station")["head"]
        port.send(f"38.0{len(ids):02}1 mm\r\n".encode())
        ids.append(daemon.get(f"/records?after={head}&kind=reading&wait=20")["records"][0]["id"])
        time.sleep(0.35)  # the bench takes a value that comes sooner for a double
    return ids


def told(daemon: Daemon, *words: str, code: int = 0) -> str:
    done = gaugepost("deliveries", *words, at=daemon.address)
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout if code != 2 else done.stderr


def charts(daemon: Daemon, name: str = "charts") -> dict[str, Any]:
    found: dict[str, Any] = json.loads(told(daemon, "show", name, "--json"))
    return found


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + START_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_table_that_can_not_be_written_is_tried_on_command(bench: tuple[Daemon, Port]) -> None:
    """The list says who is unreachable and why; `retry` says how it went, and delivers as soon as it can."""
    daemon, port = bench
    measure(daemon, port, "1")
    until(lambda: charts(daemon, "sheet")["lag"] == 0)
    aside = daemon.data / "csv-aside"
    (daemon.data / "csv").rename(aside)
    (daemon.data / "csv").write_text("something else has the folder's name")
    measure(daemon, port, "2")
    until(lambda: charts(daemon, "sheet")["state"] == "unreachable")
    listed = told(daemon)
    assert [line.split()[:3] for line in listed.splitlines() if line.startswith("sheet")] == [
        ["sheet", "csv_file", "unreachable"]
    ]
    assert "Not a directory" in listed or "File exists" in listed
    assert "unreachable" in told(daemon, "retry", "sheet", code=1)
    (daemon.data / "csv").unlink()
    aside.rename(daemon.data / "csv")
    assert "sheet" in told(daemon, "retry", "sheet")
    until(lambda: charts(daemon, "sheet")["lag"] == 0)
    assert [row["piece"] for row in daemon.rows() if row["kind"] == "reading"] == ["1", "2"]
    assert [one["command"] for one in charts(daemon, "sheet")["commands"]] == ["retry", "retry"]


def test_refused_records_are_shown_and_handed_over_again(bench: tuple[Daemon, Port], far: PickySide) -> None:
    """Its answer is shown, stripped of what a terminal would obey; what is taken then leaves the list, once."""
    daemon, port = bench
    far.tell("refuses", "2", "3")
    ids = measure(daemon, port, "1", "2", "3", "4")
    until(lambda: charts(daemon)["refused"] == 2 and charts(daemon)["lag"] == 0)
    shown = told(daemon, "show", "charts")
    assert f"{ids[1]}  " in shown
    assert r"no such piece\x1b[2J" in shown
    assert "\x1b" not in shown
    far.forget("refuses")
    assert "is not set aside" in told(daemon, "retry", "charts", ids[0], code=2)
    assert "1 record handed over again" in told(daemon, "retry", "charts", ids[1].rpartition("-")[2])
    until(lambda: charts(daemon)["refused"] == 1)
    told(daemon, "retry", "charts", "--all", "--operator", "M2", "--reason", "the far side was mended")
    until(lambda: charts(daemon)["refused"] == 0)
    assert far.pieces() == ["1", "4", "2", "3"]
    assert [key.startswith("again-") for key, _, _ in far.taken()] == [False, False, True, True]
    commands = charts(daemon)["commands"]
    assert [(one["operator"], one["records"]) for one in commands] == [("M2", [ids[2]]), ("M1", [ids[1]])]


def test_what_was_to_come_again_comes_again_after_a_kill(bench: tuple[Daemon, Port], far: PickySide) -> None:
    """A hand-over that was commanded and not yet taken survives SIGKILL."""
    daemon, port = bench
    far.tell("refuses", "2")
    measure(daemon, port, "1", "2")
    until(lambda: charts(daemon)["refused"] == 1)
    far.forget("refuses")
    far.tell("away")
    told(daemon, "retry", "charts", "--all", "--operator", "M2")
    until(lambda: charts(daemon)["state"] == "unreachable")
    assert charts(daemon)["again"] == 1
    daemon.kill()
    far.forget("away")
    daemon.start()
    until(lambda: charts(daemon)["refused"] == 0)
    assert far.pieces() == ["1", "2"]


def test_a_record_that_blocks_is_left_out(bench: tuple[Daemon, Port], far: PickySide) -> None:
    """The destination breaks over one piece; skipped with who and why, the others go on, and the list keeps it."""
    daemon, port = bench
    measure(daemon, port, "1")
    until(lambda: charts(daemon)["lag"] == 0)
    far.tell("breaks", "9")
    ids = measure(daemon, port, "9", "2")
    until(lambda: charts(daemon)["state"] == "broken")
    assert "what piece is this?" in told(daemon)
    assert "broken" in told(daemon, "retry", "charts", code=1)
    under_way = charts(daemon)["under_way"]
    assert under_way["first"] == ids[0]
    assert "required: --reason" in told(daemon, "skip", "charts", ids[0], "--operator", "M2", code=2)
    assert "required: --operator" in told(daemon, "skip", "charts", ids[0], "--reason", "x", code=2)
    by = ("--reason", "not ours", "--operator", "M2")
    assert "name records, or give --batch KEY" in told(daemon, "skip", "charts", *by, code=2)
    assert "1 record skipped" in told(daemon, "skip", "charts", ids[0], *by)
    until(lambda: charts(daemon)["lag"] == 0)
    assert far.pieces() == ["1", "2"]
    (skipped,) = charts(daemon)["skipped_records"]
    assert (skipped["id"], skipped["operator"], skipped["reason"]) == (ids[0], "M2", "not ours")
    assert "by M2: not ours" in told(daemon, "show", "charts")
    assert daemon.get(f"/records/{ids[0]}")["piece"] == "9"
    daemon.kill()
    far.forget("breaks")
    daemon.start()
    until(lambda: charts(daemon)["lag"] == 0)
    assert far.pieces() == ["1", "2"]


def test_a_whole_batch_is_left_out(bench: tuple[Daemon, Port], far: PickySide) -> None:
    """The batch that blocks is named by its key; another key is refused with the right one."""
    daemon, port = bench
    far.tell("breaks", "1", "2")
    measure(daemon, port, "1", "2")
    until(lambda: charts(daemon)["state"] == "broken")
    key = charts(daemon)["under_way"]["key"]
    by = ("--reason", "trial parts", "--operator", "M2")
    assert key in told(daemon, "skip", "charts", "--batch", "0-1-2", *by, code=2)
    told(daemon, "skip", "charts", "--batch", key, *by)
    until(lambda: charts(daemon)["state"] == "broken" or charts(daemon)["lag"] == 0)
    if charts(daemon)["lag"]:  # the second reading came in a batch of its own
        told(daemon, "skip", "charts", "--batch", charts(daemon)["under_way"]["key"], *by)
    measure(daemon, port, "3")
    until(lambda: charts(daemon)["lag"] == 0)
    assert far.pieces() == ["3"]
    assert charts(daemon)["skipped"] == 2


def test_a_removed_destination_keeps_its_history(bench: tuple[Daemon, Port], far: PickySide) -> None:
    """Taken out of the station file it is still listed, as removed; named again it goes on where it stopped."""
    daemon, port = bench
    with_it = daemon.station
    measure(daemon, port, "1")
    until(lambda: charts(daemon)["lag"] == 0)
    through = charts(daemon)["through"]
    daemon.stop()
    daemon.station = with_it.replace(far.table, "")
    daemon.start()
    measure(daemon, port, "2")
    gone = charts(daemon)
    assert (gone["state"], gone["lag"]) == ("removed", None)
    assert gone["through"] >= through
    assert [one["current"] for one in gone["history"]] == [True]
    assert "goes on where it stopped" in told(daemon, "retry", "charts", code=2)
    assert "charts" not in [one["destination"] for one in daemon.get("/health")["destinations"]]
    daemon.stop()
    daemon.station = with_it
    daemon.start()
    until(lambda: charts(daemon)["lag"] == 0)
    assert far.pieces() == ["1", "2"]


def test_a_disabled_destination_is_listed_with_its_cause(bench: tuple[Daemon, Port], far: PickySide) -> None:
    """With a plug-in that fails to load, the daemon runs, and shows the cause and how far it had got."""
    daemon, port = bench
    measure(daemon, port, "1")
    until(lambda: charts(daemon)["lag"] == 0)
    through = charts(daemon)["through"]
    daemon.kill()
    sound = far.module.read_text()
    far.module.write_text("raise RuntimeError('rotten')")
    daemon.start()
    measure(daemon, port, "2")
    off = charts(daemon)
    assert (off["state"], off["through"]) == ("disabled", through)
    assert off["lag"] == daemon.get("/station")["head"] - through > 0
    assert "RuntimeError: rotten" in told(daemon)
    assert "rotten" in told(daemon, "retry", "charts", code=2)
    daemon.stop()
    far.module.write_text(sound)
    daemon.start()
    until(lambda: charts(daemon)["lag"] == 0)
    assert far.pieces() == ["1", "2"]


def test_one_that_begins_at_a_time(tmp_path: Path) -> None:
    """A new destination gets what was measured since the day it begins at; where that is to come, nothing yet."""
    with Port() as port, Daemon(tmp_path, station_file([port])) as daemon:
        measure(daemon, port, "1", "2")
        daemon.stop()
        daemon.station += "".join(
            f'[destinations.{name}]\nkind = "csv_file"\npath = "{name}.csv"\nfile_by = "one"\nfrom = {begin}\n'
            for name, begin in (("past", "2020-01-01"), ("future", '"2999-01-01T06:00"'), ("now", '"now"'))
        )
        daemon.start()
        measure(daemon, port, "3")
        for name in ("past", "now", "future"):
            until(lambda name=name: charts(daemon, name)["lag"] == 0)  # type: ignore[misc]
        pieces = {
            name: [piece for piece in "123" if f",{piece},1," in (daemon.data / f"{name}.csv").read_text()]
            for name in ("past", "now")
        }
        assert pieces == {"past": ["1", "2", "3"], "now": ["3"]}
        assert not (daemon.data / "future.csv").exists()


def test_words_before_and_after_the_action(bench: tuple[Daemon, Port]) -> None:
    """--at and --json may stand on either side of the action; an unknown name is answered with the nearest."""
    daemon, _ = bench
    for words in (("--at", daemon.address, "--json", "show", "sheet"), ("show", "sheet", "--json")):
        done = gaugepost("deliveries", *words, at="" if "--at" in words else daemon.address)
        assert json.loads(done.stdout)["destination"] == "sheet"
    assert "did you mean charts?" in told(daemon, "show", "chrats", code=2)
    with_limit = daemon.get("/destinations/charts?limit=0")
    assert (daemon.status, "limit" in with_limit["detail"]) == (422, True)

"""The station file taken again, and edited, while the daemon works with it."""

from __future__ import annotations

import contextlib
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.bench_tools.daemon import START_S, Daemon, Port, station_file


@pytest.fixture
def ports() -> Iterator[list[Port]]:
    with contextlib.ExitStack() as stack:
        yield [stack.enter_context(Port()) for _ in range(3)]


def reload(daemon: Daemon, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "gaugepost", "reload", "--at", daemon.address, *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def rewrite(daemon: Daemon, text: str) -> None:
    (daemon.folder / "station.toml").write_text(text, encoding="utf-8")


def shown(daemon: Daemon, gauge: str) -> list[str]:
    return [each["indication"] for each in daemon.records(kind="reading", gauge=gauge)]


def test_no_frame_is_lost_over_reloads(tmp_path: Path, ports: list[Port]) -> None:
    """A gauge that sends all the time misses nothing while others come and go beside it."""
    few, more = station_file(ports[:1]), station_file(ports[:2])
    (tmp_path / "data").mkdir()
    with Daemon(tmp_path, few) as daemon:
        over, sent = threading.Event(), 0

        def send() -> None:
            nonlocal sent
            while not over.wait(0.005):
                ports[0].send(f"{sent / 10_000:.4f} mm\r\n".encode())
                sent += 1

        hand = threading.Thread(target=send)
        hand.start()
        try:
            for text, said in [(more, "gauges g1 added"), (few, "gauges g1 removed")] * 3:
                rewrite(daemon, text)
                answer = reload(daemon, "--reason", "another gauge")
                assert answer.returncode == 0, answer.stderr
                assert said in answer.stdout
                if text is more:
                    _sees(daemon, "usb-1")
                    head = _head(daemon)
                    ports[1].send(b"1.0000 mm\r\n")
                    daemon.wait_for(1, kind="reading", gauge="g1", after=head)
        finally:
            over.set()
            hand.join()
        daemon.wait_for(sent, kind="reading", gauge="g0")
        assert shown(daemon, "g0") == [f"{number / 10_000:.4f}" for number in range(sent)]
        links = [each["text"] for each in daemon.records(kind="link") if each["link"] == "usb-0"]
        assert len(links) == 1, "it was connected once and never lost"
        taken = list(daemon.records(kind="set-up"))[1:]
        assert [each["code"] for each in taken] == ["reloaded"] * 6
        assert all(each["text"].endswith("another gauge") for each in taken)
    verify = [sys.executable, "-m", "gaugepost", "verify", "--numbers", str(daemon.journal)]
    proven = subprocess.run(verify, capture_output=True, text=True, timeout=60, check=False)
    assert proven.returncode == 0, proven.stdout


def test_what_is_wrong_changes_nothing(tmp_path: Path, ports: list[Port]) -> None:
    """A file with errors, or with what needs another start, is refused with every reason; the station runs on."""
    text = station_file(ports[:1])
    (tmp_path / "data").mkdir()
    with Daemon(tmp_path, text) as daemon:
        daemon.wait_for(1, kind="link")
        head = _head(daemon)
        rewrite(daemon, text.replace('kind = "delimited_text"', 'kind = "delimited_txt"'))
        answer = reload(daemon)
        assert answer.returncode == 2
        assert "delimited_text" in answer.stderr
        refused = daemon.post("/station/reload", {})
        assert daemon.status == 422
        assert refused["findings"][0]["line"] > 1
        rewrite(daemon, text.replace('time_zone = "', 'time_zone = "Europe/Berlin" # ', 1))
        answer = reload(daemon)
        assert answer.returncode == 2
        assert "station.time_zone can't be changed while the station runs" in answer.stderr
        assert _head(daemon) == head
        ports[0].send(b"1.0000 mm\r\n")
        daemon.wait_for(1, kind="reading")


def test_a_destination_comes_and_goes(tmp_path: Path, ports: list[Port]) -> None:
    """One that is added gets what it should, one that is removed keeps its place and goes on when it is back."""
    text = station_file(ports[:1])
    table = '\n[destinations.second]\nkind = "csv_file"\npath = "second.csv"\n'
    (tmp_path / "data").mkdir()
    with Daemon(tmp_path, text) as daemon:
        ports[0].send(b"1.0000 mm\r\n")
        for there, digits in ((True, b"2"), (False, b"3"), (True, b"4")):
            rewrite(daemon, text + table * there)
            assert reload(daemon).returncode == 0
            names = [each["destination"] for each in daemon.get("/destinations")["destinations"]]
            assert ("second" in names) or not there
            ports[0].send(digits + b".0000 mm\r\n")
            daemon.wait_for(int(digits), kind="reading")
        _until(lambda: (tmp_path / "data" / "second.csv").read_text().count("\nreading,") == 4)


def test_a_signal_reloads(tmp_path: Path, ports: list[Port]) -> None:
    """SIGHUP takes the file as the command does; one that is wrong goes to the log and ends nothing."""
    text = station_file(ports[:1])
    (tmp_path / "data").mkdir()
    with Daemon(tmp_path, text) as daemon:
        assert daemon.process is not None
        rewrite(daemon, station_file(ports[:2]))
        daemon.process.send_signal(signal.SIGHUP)
        _sees(daemon, "usb-1")
        rewrite(daemon, "[station")
        daemon.process.send_signal(signal.SIGHUP)
        _until(lambda: "station file not taken" in daemon.log())
        ports[1].send(b"1.0000 mm\r\n")
        daemon.wait_for(1, kind="reading", gauge="g1")


def test_an_edit_keeps_the_comments_and_is_recorded(tmp_path: Path, ports: list[Port]) -> None:
    """The file says what was asked for and nothing else is otherwise in it; who edited it and why is in the journal."""
    text = "# drawing 4711\n" + station_file(ports[:1])
    (tmp_path / "data").mkdir()
    with Daemon(tmp_path, text) as daemon:
        file = daemon.get("/station/file")
        assert file["text"] == text
        change = {"characteristics": {"B": {"feature": "bore", "limits": "20 H6", "gauges": ["g0"]}}}
        edit: dict[str, Any] = {"change": change, "sha256": file["sha256"], "operator": "M2", "reason": "new"}
        looked = daemon.post("/station/file", edit | {"look": True}, "PATCH")
        assert looked.get("changes") == ["characteristics B added"], looked
        assert daemon.get("/station/file")["text"] == text, "looking changes nothing"
        done = daemon.post("/station/file", edit, "PATCH")
        assert daemon.status == 200, done
        new = daemon.get("/station/file")["text"]
        added = '[characteristics.B]\nfeature = "bore"\nlimits = "20 H6"\ngauges = ["g0"]\n'
        assert added in new
        assert _lines(new.replace(added, "")) == _lines(text)
        assert "B" in {each["characteristic"] for each in daemon.get("/characteristics")["characteristics"]}
        record = list(daemon.records(kind="set-up"))[-1]
        assert (record["operator"], record["text"]) == ("M2", "characteristics B added: new")
        stale = daemon.post("/station/file", edit, "PATCH")
        assert (daemon.status, "changed since" in stale["detail"]) == (409, True)
        wrong = {"change": {"characteristics": {"B": {"limits": "20 zz9"}}}, "sha256": _sha256(daemon)}
        refused = daemon.post("/station/file", wrong, "PATCH")
        assert daemon.status == 422
        assert refused["findings"][0]["key"] == "characteristics.B.limits"
        assert daemon.get("/station/file")["text"] == new


def test_an_edit_that_cannot_be_written_changes_nothing(tmp_path: Path, ports: list[Port]) -> None:
    """Where the service may not write the file, the answer says so before anything is taken."""
    (tmp_path / "data").mkdir()
    with Daemon(tmp_path, station_file(ports[:1])) as daemon:
        edit = {"change": {"characteristics": {"A": None}}, "sha256": _sha256(daemon)}
        assert daemon.process is not None
        (tmp_path / f".station.toml.{daemon.process.pid}.part").symlink_to("/nowhere")
        refused = daemon.post("/station/file", edit, "PATCH")
        assert daemon.status == 503, refused
        assert "can't be written" in refused["detail"]
        assert len(list(daemon.records(kind="set-up"))) == 1


def _lines(text: str) -> list[str]:
    return [line for line in text.splitlines() if line]


def _sha256(daemon: Daemon) -> str:
    return str(daemon.get("/station/file")["sha256"])


def _head(daemon: Daemon) -> int:
    return int(daemon.get("/station")["head"])


def _sees(daemon: Daemon, link: str) -> None:
    def connected() -> bool:
        links = {each["link"]: each["state"] for each in daemon.get("/links")["links"]}
        return links.get(link) == "connected"

    _until(connected)


def _until(holds: Any) -> None:
    deadline = time.monotonic() + START_S
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.05)

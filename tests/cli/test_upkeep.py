"""What keeps a mastering in force at a station that runs: contact sets, and checks told before they stop anybody."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

from tests.bench_tools.daemon import Port
from tests.cli.daemons import Daemon, daemon, line_of

SERIAL = ("--serial", "R-4711", "--wait")


def follows(station: Daemon, words: tuple[str, ...], *digits: str) -> str:
    with station.begun(*words) as going:
        line_of(going)
        for each in digits:
            station.gauge.shows(each)
            line_of(going)
        return line_of(going)


def gauge_of(station: Daemon) -> dict[str, Any]:
    shown: dict[str, Any] = json.loads(station.bench("show", "--json").stdout)["gauges"][0]
    return shown


def test_a_check_is_told_though_no_frame_comes(tmp_path: Path) -> None:
    """A schedule runs by itself: soon due, then due, on the record and in the table, with what it is."""
    with daemon(tmp_path, of_gauge='check_every = "8 s"') as station:
        assert follows(station, ("master", "bore-38", "ring-38", *SERIAL), "38.0014", "38.0016")
        assert follows(station, ("check", "bore-38", "ring-38", *SERIAL), "38.0014").startswith("passed")
        deadline = time.monotonic() + 60
        while gauge_of(station)["judged"]:
            assert time.monotonic() < deadline
        assert gauge_of(station)["reasons"] == ["the check every 8 s is due"]
        assert "the check every 8 s is due" in station.bench("show").stdout
        told: list[str] = []
        while "check-due" not in told:
            assert time.monotonic() < deadline
            told = _conditions(station)
        assert told.count("check-due") == 1
        assert told[0] in ("check-due-soon", "check-due")


def _conditions(station: Daemon) -> list[str]:
    from urllib.request import ProxyHandler, build_opener

    with build_opener(ProxyHandler({})).open(
        f"{station.address}/v1/records?kind=condition", timeout=30
    ) as answer:
        return [record["code"] for record in json.load(answer)["records"]]


SCANNER = """
[links.scanner-port]
kind = "serial_port"
device = "{device}"
[links.scanner-port.decoder]
kind = "code_text"
terminator = "\\r"

[scanners.hand-scanner]
link = "scanner-port"
codes = ["SN {serial}"]
"""


def test_a_ring_is_scanned_instead_of_typed(tmp_path: Path) -> None:
    """With a scanner on a real line nobody types a serial number; a code that is no ring's is told at once."""
    with Port() as scanner:
        table = SCANNER.format(device=scanner.path, serial="{serial_number}")
        with (
            daemon(tmp_path, of_gauge=table) as station,
            station.begun("master", "bore-38", "ring-38", "--wait") as going,
        ):
            assert (
                line_of(going)
                == "scan ring-38 each before reading it; read ring-38 2 times each with bore-38"
            )
            station.gauge.shows("38.0014")
            assert line_of(going) == "not taken: 38.0014: ring-38 was not scanned: scan it, then read it"
            scanner.send(b"SN R-9\r")
            assert line_of(going).startswith("not taken: no master here has the serial number R-9")
            scanner.send(b"SN R-4711\r")
            assert line_of(going) == "scanned: master ring-38 for bore-38"
            for digits in ("38.0014", "38.0016"):
                station.gauge.shows(digits)
                line_of(going)
            assert line_of(going).startswith("accepted: mastered on ring-38")
            assert going.wait(30) == 0


def test_contacts_are_changed_by_command(tmp_path: Path) -> None:
    """With two contact sets somebody says which is on before mastering; putting on the other ends the mastering."""
    with daemon(tmp_path, of_gauge='contact_sets = ["A", "B"]') as station:
        begun = station.bench("master", "bore-38", "ring-38", "--serial", "R-4711")
        assert begun.returncode == 2
        assert "nobody said which contact set is on bore-38" in begun.stderr
        forgotten = station.bench("report", "bore-38", "contacts")
        assert "say which of them is on it now" in forgotten.stderr
        done = station.bench("report", "bore-38", "contacts", "--contact-set", "A")
        assert done.stdout == "bore-38 is to be checked before its next verdict, with contact set A on\n"
        assert follows(station, ("master", "bore-38", "ring-38", *SERIAL), "38.0014", "38.0016")
        assert follows(station, ("check", "bore-38", "ring-38", *SERIAL), "38.0014").startswith("passed")
        assert gauge_of(station)["judged"]
        station.bench("report", "bore-38", "contacts", "--contact-set", "B", "--operator", "M2")
        after = gauge_of(station)
        assert (after["contact_set"], after["judged"]) == ("B", False)
        assert after["reasons"] == ["the contacts were changed, contact set B is on"]
        assert "contact set B is on it" in station.bench("show").stdout

"""The real daemon, a gauge on a real pty, and a person at the command line."""

from __future__ import annotations

import contextlib
import json
import signal
from pathlib import Path

import pytest

from gaugepost.core.record import Kind
from gaugepost.edge.journal import Reader
from tests.cli.daemons import STATION, Daemon, daemon, gaugepost, line_of

MASTER = ("master", "bore-38", "ring-38", "--serial", "R-4711", "--wait")
CHECK = ("check", "bore-38", "ring-38", "--serial", "R-4711", "--wait")


CANT_BEGIN = [
    (
        ("master", "bore-38", "ring-38", "--serial", "R-1"),
        "the serial number of ring-38 is not R-1",
        "engraved",
    ),
    (("master", "bore-83", "ring-38"), "no gauge is named 'bore-83'", "did you mean bore-38?"),
    (("check", "bore-38", "ring-38", "--serial", "R-4711"), "bore-38 was never mastered", "master it first"),
    (("abandon", "bore-38"), "no mastering or check of bore-38 is going on", "nothing to abandon"),
    (("set",), "nothing to set was said", "say for example"),
    (("set", "--lot", "L1", "--clear", "lot"), "lot is both set and cleared", "one of the two"),
    (("master", "bore-38", "ring-38", "--readings", "0"), "readings 0 can't be taken", ""),
]


def _masters(station: Daemon, *digits: str) -> list[str]:
    """Master with these indications; return all that was printed, the exit code last."""
    return _follows(station, MASTER, *digits)


def _follows(station: Daemon, words: tuple[str, ...], *digits: str) -> list[str]:
    with station.begun(*words) as going:
        printed = [line_of(going)]
        for each in digits:
            station.gauge.shows(each)
            printed.append(line_of(going))
        # Not communicate(): it reads past what readline() has taken into its buffer already.
        assert going.stdout is not None
        assert going.stderr is not None
        rest = [*going.stdout.read().splitlines(), *going.stderr.read().splitlines()]
        return [*printed, *rest, str(going.wait(30))]


def test_a_morning_at_the_bench(tmp_path: Path) -> None:
    """Master, check, say what is in hand, measure, look, end: each step answers, and the journal holds them all."""
    with daemon(tmp_path) as station:
        assert _masters(station, "38.0014", "38.0016") == [
            "read ring-38 2 times each with bore-38",
            "ring-38: reading 1 of 2: 38.0014 mm",
            "ring-38: reading 2 of 2: 38.0016 mm",
            "accepted: mastered on ring-38, spread 0.0002 mm; check it before its first verdict",
            "0",
        ]
        assert _follows(station, CHECK, "38.0014") == [
            "measure ring-38 once with bore-38",
            "ring-38: reading 1 of 1: 38.0014 mm",
            "passed: off by -0.0001 mm, 0.002 mm is allowed, spread 0 mm",
            "0",
        ]
        done = station.bench("set", "--operator", "M2", "--lot", "L-0311", "--piece", "1")
        assert (done.returncode, done.stdout) == (0, "operator M2, lot L-0311, piece 1\n")
        station.gauge.shows("38.0281")
        reading: dict[str, str] = {}
        while not reading:
            shown = json.loads(station.bench("show", "--json").stdout)
            reading = shown["gauges"][0]["last_reading"] or {}
        assert (reading["value"], reading["verdict"], reading["piece"]) == ("38.0278", "oversize", "1")
        lines = station.bench("show").stdout.splitlines()
        assert lines[0].startswith("south-bench: recording, last record ")
        assert lines[1] == "in hand: operator M2, lot L-0311, piece 1, position -"
        assert lines[4].split() == ["bore-38", "bore-serial", "connected", "ring-38", "yes"]
        assert lines[5].strip() == "measures bush-bore; last 38.0278 mm, oversize, reject"
        station.process.send_signal(signal.SIGTERM)
        assert station.process.wait(30) == 0
    with contextlib.closing(Reader(tmp_path / "data")) as reader:
        kinds = [entry.record.kind for entry in reader.entries(0, 100)]
    assert kinds == [
        Kind.START, Kind.SET_UP, Kind.LINK, Kind.MASTERING_BEGUN, Kind.MASTER_READING, Kind.MASTER_READING,
        Kind.MASTERING, Kind.CHECK_BEGUN, Kind.MASTER_READING, Kind.CHECK, Kind.TAGS, Kind.READING, Kind.STOP,
    ]  # fmt: skip


def test_what_went_wrong_is_1(tmp_path: Path) -> None:
    """A refused mastering, a failed check and one that was given up say why, and end with 1."""
    with daemon(tmp_path) as station:
        refused = _masters(station, "38.5014", "38.5016")
        assert refused[3] == "refused: mastering on ring-38, spread 0.0002 mm"
        assert "another master, or not preset" in refused[4]
        assert refused[-1] == "1"
        assert _masters(station, "38.0014", "38.0016")[-1] == "0"
        failed = _follows(station, CHECK, "38.0064")
        assert failed[2] == "failed: check on ring-38, spread 0 mm"
        assert failed[3].strip().startswith("off by 0.0049")
        assert failed[-1] == "1"
        with station.begun(*CHECK) as going:
            line_of(going)
            given_up = station.bench("abandon", "bore-38", "--reason", "called away")
            assert given_up.stdout == "the check of bore-38 is abandoned\n"
            assert going.wait(30) == 1
            assert line_of(going) == "a check was begun and abandoned: called away"
        reported = station.bench("report", "bore-38", "knock", "--note", "off the table")
        assert reported.stdout == "bore-38 is to be checked before its next verdict\n"
        shown = station.bench("show").stdout
        assert "the gauge was knocked or dropped: off the table" in shown
        assert "-> gaugepost bench check bore-38 MASTER --serial NUMBER --wait" in shown


def test_what_can_not_be_begun_is_2(tmp_path: Path) -> None:
    """What the service refuses is told with what to do, and ends with 2."""
    with daemon(tmp_path) as station:
        for words, finding, hint in CANT_BEGIN:
            done = station.bench(*words)
            assert (done.returncode, done.stdout) == (2, ""), done.stderr
            assert finding in done.stderr
            assert hint in done.stderr
        cleared = station.bench("set", "--lot", "L1", "--clear", "position")
        assert (cleared.returncode, cleared.stdout) == (0, "lot L1, no position, no piece\n")


def test_a_line_that_is_pulled_out_ends_the_wait(tmp_path: Path) -> None:
    """Whoever waits for a reading is told that the gauge's line is gone."""
    with daemon(tmp_path) as station, station.begun(*MASTER) as going:
        line_of(going)
        station.gauge.unplug()
        assert going.wait(30) == 1
        assert line_of(going).startswith("the link bore-serial was lost (")
        assert "lost" in station.bench("show").stdout


def test_ctrl_c_leaves_the_procedure_and_says_so(tmp_path: Path) -> None:
    """Ctrl-C ends the following only: what goes on is named, and how to give it up."""
    with daemon(tmp_path) as station, station.begun(*MASTER) as going:
        line_of(going)
        station.gauge.shows("38.0014")
        line_of(going)
        going.send_signal(signal.SIGINT)
        assert going.wait(30) == 130
        assert going.stderr is not None
        assert "gaugepost bench abandon bore-38" in going.stderr.read()
        shown = json.loads(station.bench("show", "--json").stdout)
        assert shown["gauges"][0]["procedure"]["reading"] == 2


@pytest.mark.attack
def test_a_station_that_can_not_run_is_2(tmp_path: Path) -> None:
    """A wrong file shows every finding, a journal or an address that another daemon has is named; all end with 2."""
    wrong = tmp_path / "wrong.toml"
    text = STATION.format(device="/dev/none")
    wrong.write_text(text.replace("check_limit", "chek_limit").replace('"38 H7"', '"38 H77"'))
    done = gaugepost("run", wrong)
    assert (done.returncode, done.stdout) == (2, "")
    assert "gauges.bore-38.chek_limit" in done.stderr
    assert "grade IT77 is not covered" in done.stderr
    assert "Traceback" not in done.stderr
    assert gaugepost("run", tmp_path / "none.toml").returncode == 2
    with daemon(tmp_path) as station:
        again = gaugepost("run", station.file, "--port", "0")
        assert again.returncode == 2
        assert "journal" in again.stderr
        (tmp_path / "other").mkdir()
        other = tmp_path / "other" / "station.toml"
        other.write_text(text)
        port = station.address.rpartition(":")[2]
        taken = gaugepost("run", other, "--port", port)
        assert taken.returncode == 2
        assert f"http://127.0.0.1:{port} is in use" in taken.stderr
        assert "write port = " in taken.stderr
    assert gaugepost("run", wrong, "--port", "70000").returncode == 2

"""The recall at the command line: the real daemon, a gauge on a real pty, and a ring that turns out bad."""

from __future__ import annotations

import contextlib
import csv
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from gaugepost.cli import main
from gaugepost.core.record import Kind
from gaugepost.edge.journal import Reader
from tests.cli.daemons import Daemon, daemon, line_of

# 38 H7 is 38.000 to 38.025 mm (ISO 286-1). The gauge shows 0.3 µm too much on a ring of 38.0012 mm.
SHOWN = ("38.0010", "38.0100", "38.0249", "38.0264")
LARGER = ("--size", "38.0022 mm")


@dataclass
class Done:
    """How a command ended."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    """A station that mastered, checked and measured four bores."""
    with daemon(tmp_path_factory.mktemp("recall")) as running:
        _follow(running, ("master", "bore-38", "ring-38", "--serial", "R-4711"), "38.0014", "38.0016")
        _follow(running, ("check", "bore-38", "ring-38", "--serial", "R-4711"), "38.0015")
        running.bench("set", "--operator", "M2", "--lot", "L-0311", "--piece", "1")
        for digits in SHOWN:
            running.gauge.shows(digits)
        with contextlib.closing(Reader(_data(running))) as reader:
            while len(reader.entries(0, 100, kinds=[Kind.READING])) < len(SHOWN):
                time.sleep(0.02)
        yield running


def _follow(station: Daemon, words: tuple[str, ...], *digits: str) -> None:
    with station.begun(*words, "--wait") as going:
        line_of(going)
        for each in digits:
            station.gauge.shows(each)
            line_of(going)
        assert going.wait(30) == 0


def _data(station: Daemon) -> Path:
    return station.file.parent / "data"


@pytest.fixture
def trace(station: Daemon, capsys: pytest.CaptureFixture[str]) -> Callable[..., Done]:
    """Run the program here, against that station and its journal: a process of its own for each takes its time."""

    def run(*words: str, command: str = "trace", where: tuple[str, ...] | None = None) -> Done:
        at = ("--station", str(station.file), "--at", station.address) if where is None else where
        code = main([command, *words, *at])
        said = capsys.readouterr()
        return Done(code, said.out, said.err)

    return run


def test_a_copy_is_traced_without_its_station(station: Daemon, trace: Callable[..., Done]) -> None:
    """Another journal is only read: to record anything the station is needed."""
    copy = ("--journal", str(_data(station)))
    listed = trace("gauge", "bore-38", "--all", where=copy)
    assert (listed.returncode, "the decision stays (4)" in listed.stdout) == (0, True)
    refused = trace("gauge", "bore-38", "--suspect", "why", where=copy)
    assert (refused.returncode, "can only be read" in refused.stderr) == (2, True)


@pytest.mark.parametrize(
    ("words", "finding", "hint"),
    [
        (("master", "ring-83"), "no master was ever named 'ring-83' here", "did you mean ring-38?"),
        (("master", "ring-38", "--size", "38.0022"), "'38.0022'", "unit"),
        (("gauge", "bore-38", "--size", "38 mm"), "whose certificate", "name the master too"),
        (("mastering", "ring-38"), "is no record of a mastering", "a reading has it under `mastering`"),
        (
            ("mastering", f"{36 * 'e'}-{2**63}"),
            "is no record of a mastering",
            "a reading has it under `mastering`",
        ),
        (("mastering", "1"), "record 1 is a start", "name the record"),
        (("master", "ring-38", "--since", "yesterday"), "yesterday", ""),
        (("master", "ring-38", "--csv", "/nowhere/recall.csv"), "can't be written", "another file"),
        (("master", "ring-38", "--rejudge", "why"), "nothing is corrected", "size as calibrated"),
    ],
)
def test_what_is_asked_wrongly(
    trace: Callable[..., Done], words: tuple[str, ...], finding: str, hint: str
) -> None:
    """Each mistake says what is wrong and what to write instead, and ends with 2."""
    done = trace(*words)
    assert done.returncode == 2, done.stdout
    assert finding in done.stderr
    assert hint in done.stderr


def test_a_ring_comes_back_larger(station: Daemon, trace: Callable[..., Done], tmp_path: Path) -> None:
    """The list says what to get back; the file has every row; recorded once, nothing is left; the journal verifies."""
    listed = trace("master", "ring-38", *LARGER, "--csv", str(tmp_path / "recall.csv"))
    assert listed.returncode == 1, listed.stderr
    lines = listed.stdout.splitlines()
    assert lines[0] == "master ring-38: 4 measurements depended on it"
    assert lines[1].strip() == "corrected  masters.ring-38.size = 38.0022 mm"
    assert lines[2].strip() == "changed    4, and the decision of 1"
    assert lines[4] == "get it back: it was accepted and is not (1)"
    assert "38.0246" in lines[6]
    assert "38.0256" in lines[6]
    with (tmp_path / "recall.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["value_becomes"] for row in rows] == ["38.0256", "38.0017", "38.0107", "38.0271"]
    assert [row["decision_becomes"] for row in rows] == ["reject", "accept", "accept", "reject"]
    done = trace("master", "ring-38", *LARGER, "--rejudge", "calibrated anew")
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "4 of 4 measurements were judged again")
    again = trace("master", "ring-38", *LARGER, "--rejudge", "calibrated anew")
    assert again.stdout.splitlines()[-1] == "0 of 4 measurements were judged again"
    verified = trace(command="verify", where=(str(_data(station)), "--numbers"))
    assert verified.returncode == 0, verified.stdout
    assert "come out the same, 0 do not" in verified.stdout
    with contextlib.closing(Reader(_data(station))) as reader:
        made = [entry.record for entry in reader.entries(0, 100, kinds=[Kind.REJUDGED])]
    assert [str(record.value) for record in made] == ["38.0017", "38.0107", "38.0256", "38.0271"]
    assert {(record.operator, record.text) for record in made} == {("M2", "calibrated anew")}


def test_a_ring_was_dropped(station: Daemon, trace: Callable[..., Done]) -> None:
    """Without a better value all that rested on it is marked as suspect, by name of who says so."""
    done = trace("master", "ring-38", "--suspect", "the ring was dropped", "--operator", "Q1")
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "4 readings were marked as suspect")
    said = ("suspect", "bore-38", "--reason", "a contact is chipped")
    doubted = trace(*said, command="bench", where=("--at", station.address))
    assert doubted.stdout.startswith("4 readings of bore-38 are marked as suspect")
    at: dict[str, Any] = {"command": "bench", "where": ("--at", station.address)}
    gauge, ring = trace("suspects", **at).stdout.splitlines()
    assert gauge.endswith("by M2: a contact is chipped")
    assert ring.endswith("by Q1: the ring was dropped")
    because = ("--reason", "calibrated anew: as before", "--operator", "Q1")
    lifted = trace("lift", ring.partition(":")[0], *because, **at)
    assert lifted.stdout == "4 readings are no longer suspect\n"
    refused = trace("lift", gauge.partition(":")[0], *because, **at)
    assert refused.returncode == 2
    assert "there is no good check that speaks for it" in refused.stderr
    assert trace("suspects", **at).stdout.splitlines() == [gauge]
    assert "SUSPECT: 1 open, see gaugepost bench suspects" in trace("show", **at).stdout
    assert "by Q1: calibrated anew: as before" in trace("suspects", "--all", **at).stdout

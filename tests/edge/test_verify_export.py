"""`verify` and `export` on the command line, run as the programs that they are."""

from __future__ import annotations

import csv
import io
import json
import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from gaugepost.commands.journal_asked import parse_bound
from gaugepost.core.errors import ValueRefused
from gaugepost.core.publication import publish
from gaugepost.core.record import COLUMNS, Kind, Record
from gaugepost.core.setup import SetUp, to_document
from gaugepost.edge.journal import Journal, Reader
from tests.edge.readings import reading
from tests.shape.tree import ROOT

START_MS = 1_793_871_234_567
"""Wall time of reading 0: 2026-11-05, 10:33:54 in Vienna."""

COMMAND = """
import argparse, importlib, sys
command = importlib.import_module(f"gaugepost.commands.{sys.argv[1]}")
parser = argparse.ArgumentParser(prog=f"gaugepost {sys.argv[1]}")
command.add_arguments(parser)
sys.exit(command.run(parser.parse_args(sys.argv[2:])))
"""
ENVIRONMENT = {"PYTHONPATH": str(ROOT / "daemon"), "PYTHONDONTWRITEBYTECODE": "1", "LC_ALL": "C"}


def _run(*arguments: object, stdout: int = subprocess.PIPE) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-c", COMMAND, *map(str, arguments)],
        env=ENVIRONMENT,
        stdout=stdout,
        stderr=subprocess.PIPE,
        check=False,
        timeout=120,
    )


@pytest.fixture(scope="module")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with a set-up in Vienna's time and 99 readings, five seconds apart."""
    directory = tmp_path_factory.mktemp("station")
    journal = Journal.open(directory / "journal.db", "Prüfplatz 3")
    document = to_document(SetUp(station="Prüfplatz 3", zone="Europe/Vienna"))
    journal.append([Record(kind=Kind.SET_UP, measured_at=START_MS, clock_ms=1, document=document)])
    journal.append([reading(number, operator="=1+1" if number == 3 else "op-17") for number in range(1, 100)])
    journal.close()
    return directory


@pytest.fixture
def reader(data: Path) -> Iterator[Reader]:
    made = Reader(data)
    yield made
    made.close()


def _rows(out: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(out.decode(), newline="")))


def test_verify_prints_a_head_that_proves_the_journal_later(data: Path, reader: Reader) -> None:
    """Exit code 0, the count, the span and the head; and that head, given again, is found."""
    done = _run("verify", data)
    sequence, digest = reader.head()
    lines = done.stdout.decode().splitlines()
    assert (done.returncode, done.stderr) == (0, b"")
    assert "station  Prüfplatz 3" in lines
    assert f"head     {sequence}:{digest.hex()}" in lines
    assert "span     2026-11-05T09:33:54.567Z to 2026-11-05T09:42:09.567Z" in lines
    assert lines[-1] == "sound"
    proved = _run("verify", data / "journal.db", "--head", f"{sequence}:{digest.hex()}")
    assert (proved.returncode, b"holds the head of record 100" in proved.stdout) == (0, True)


def test_verify_says_what_is_wrong_with_exit_code_1(data: Path, reader: Reader) -> None:
    """A head that is not in the journal makes it unsound, in words."""
    done = _run("verify", data, "--head", f"101:{'ab' * 32}")
    assert done.returncode == 1
    assert b"is gone: the journal ends at record 100" in done.stdout
    assert b"not sound" in done.stdout
    assert b"head  " not in done.stdout


def test_verify_says_what_it_cannot_read_with_exit_code_2(tmp_path: Path) -> None:
    """No journal, or a head that is none, is not the same as an unsound journal."""
    done = _run("verify", tmp_path / "nowhere")
    assert (done.returncode, done.stdout) == (2, b"")
    assert b"there is no journal at" in done.stderr
    assert _run("verify", tmp_path, "--head", "7:abc").returncode == 2


def test_verify_shows_progress_to_a_person(data: Path) -> None:
    """On a terminal the walk is seen to go on."""
    ours, theirs = pty.openpty()
    try:
        subprocess.run(
            [sys.executable, "-c", COMMAND, "verify", data],
            env=ENVIRONMENT,
            stdout=subprocess.DEVNULL,
            stderr=theirs,
            check=True,
        )
        shown = os.read(ours, 10_000)
        assert b"verified" in shown
        assert b"100 of 100" in shown
    finally:
        os.close(ours)
        os.close(theirs)


def test_csv_has_every_column_and_exact_numbers(data: Path, reader: Reader) -> None:
    """The table holds every record under the vocabulary's names, numbers to the last zero, and runs no formula."""
    done = _run("export", data, "--format", "csv")
    rows = _rows(done.stdout)
    assert done.stdout.decode().startswith(",".join(COLUMNS) + "\r\n")
    assert (done.returncode, len(rows)) == (0, 100)
    assert rows[1]["id"] == f"{reader.epoch}-2"
    assert rows[1]["lower"] == "38.000"
    assert rows[1]["master_correction_mm"] == "-0.002800000"
    assert Decimal(rows[1]["value_mm"]) == Decimal("38.011874318")
    assert rows[1]["station"] == "Prüfplatz 3"
    assert rows[3]["operator"] == "'=1+1"
    assert rows[0]["gauge"] == ""


def test_json_lines_are_the_records_as_published(data: Path, reader: Reader) -> None:
    """A line of JSON is what every destination gets."""
    done = _run("export", data, "--format", "jsonl")
    told = [json.loads(line) for line in done.stdout.decode().splitlines()]
    assert told == [publish(entry, reader.epoch, reader.station) for entry in reader.replay()]


@pytest.mark.parametrize(
    ("asked", "sequences"),
    [
        (["--kind", "set-up"], [1]),
        (["--kind", "set-up", "--kind", "check"], [1]),
        (["--gauge", "bore-9"], []),
        (["--gauge", "bore-1", "--lot", "L1", "--piece", "P0007"], [48]),
        (["--characteristic", "bore A 38 H7", "--lot", "L2"], list(range(81, 101))),
        (["--since", "2026-11-05T10:42:00"], [99, 100]),
        (["--since", "2026-11-05T09:42:04.567Z"], [99, 100]),
        (["--since", "2026-11-05T10:42:00+01:00", "--until", "2026-11-05T09:42:09.567Z"], [99]),
        (["--since", "2026-11-06"], []),
        (["--until", "2026-11-04"], []),
        (["--since", "2026-11-05", "--until", "2026-11-05"], list(range(1, 101))),
    ],
)
def test_only_what_is_asked_for_is_exported(data: Path, asked: list[str], sequences: list[int]) -> None:
    """Filters hold together, and a period is in the station's time zone where nothing else is said."""
    done = _run("export", data, "--format", "csv", "--columns", "sequence", *asked)
    assert done.returncode == 0, done.stderr
    assert [int(row["sequence"]) for row in _rows(done.stdout)] == sequences
    assert (b"no record is what was asked for" in done.stderr) is (not sequences)


@pytest.mark.parametrize(
    ("text", "is_end", "expected"),
    [
        ("2026-11-01", False, "2026-11-01T00:00:00+01:00"),
        ("2026-11-01", True, "2026-11-02T00:00:00+01:00"),
        ("2026-12-31", True, "2027-01-01T00:00:00+01:00"),
        ("2026-10-25", False, "2026-10-25T00:00:00+02:00"),
        ("2026-10-25", True, "2026-10-26T00:00:00+01:00"),
        ("2026-03-29", True, "2026-03-30T00:00:00+02:00"),
        ("2026-07-01 06:00", True, "2026-07-01T06:00:00+02:00"),
        ("2026-07-01T06:00:00.5z", False, "2026-07-01T06:00:00.500+00:00"),
    ],
)
def test_days_and_times_are_the_station_s(text: str, is_end: bool, expected: str) -> None:
    """A day has 23 or 25 hours where the clocks change; a day's end is the start of the next.

    Source: the IANA time zone database; Vienna changes on 2026-03-29 and 2026-10-25 (Directive 2000/84/EC).
    """
    told = parse_bound(text, ZoneInfo("Europe/Vienna"), is_end=is_end)
    assert told == round(datetime.fromisoformat(expected).timestamp() * 1000)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "yesterday",
        "2026-02-30",
        "2026-11",
        "20261101",
        "2026-W45-1",
        "2026-11-01T25:00",
        "2026-11-01T6:00",
        "9999-12-31",
    ],
)
def test_what_is_no_day_and_no_time_is_refused(text: str) -> None:
    """Whoever mistypes a day is told how to write one."""
    with pytest.raises(ValueRefused, match="write 2026-11-01"):
        parse_bound(text, ZoneInfo("UTC"), is_end=True)


def test_wrong_arguments_end_with_code_2(data: Path, tmp_path: Path) -> None:
    """What can't be understood or read is said, and nothing is written."""
    assert b"neither a day" in _run("export", data, "--format", "csv", "--since", "soon").stderr
    assert b"there are: kind, id" in _run("export", data, "--format", "csv", "--columns", "id,size").stderr
    done = _run("export", tmp_path, "--format", "csv", "--output", tmp_path / "out.csv")
    assert (done.returncode, b"no journal at" in done.stderr) == (2, True)
    assert list(tmp_path.iterdir()) == []


def test_a_file_appears_whole_or_not_at_all(data: Path, tmp_path: Path) -> None:
    """An export takes its name when it is complete; one that fails leaves the old file and nothing else."""
    out = tmp_path / "out.csv"
    out.write_text("yesterday's")
    assert _run("export", data, "--format", "csv", "--since", "soon", "--output", out).returncode == 2
    assert out.read_text() == "yesterday's"
    assert _run("export", data, "--format", "csv", "--output", out).returncode == 0
    assert len(_rows(out.read_bytes())) == 100
    assert list(tmp_path.iterdir()) == [out]
    failed = _run("export", data, "--format", "csv", "--output", tmp_path / "nowhere" / "out.csv")
    assert failed.returncode == 3
    assert b"nowhere/out.csv can't be written: there is no folder" in failed.stderr


def test_a_full_disk_ends_with_code_3(data: Path) -> None:
    """Output that could not be written is never taken for a whole one."""
    full = os.open("/dev/full", os.O_WRONLY)
    try:
        done = _run("export", data, "--format", "jsonl", stdout=full)
    finally:
        os.close(full)
    assert (done.returncode, b"No space left on device; free space" in done.stderr) == (3, True)


def test_a_reader_that_stops_early_ends_the_export_quietly(tmp_path: Path) -> None:
    """`gaugepost export ... | head -1` prints a line and no traceback, and the code says that it was cut."""
    journal = Journal.open(tmp_path / "journal.db", "bench-3")
    journal.append([reading(number) for number in range(3000)])
    journal.close()
    with subprocess.Popen(
        [sys.executable, "-c", COMMAND, "export", tmp_path, "--format", "jsonl"],
        env=ENVIRONMENT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as program:
        assert program.stdout is not None
        assert program.stderr is not None
        assert json.loads(program.stdout.readline())["sequence"] == 1
        program.stdout.close()
        assert program.stderr.read() == b""
    assert program.returncode == 141

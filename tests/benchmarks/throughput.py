"""Readings a second from gauges' bytes to the journal, REST and the CSV file, against a bare script with a file."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from gaugepost.edge.journal import Reader
from tests.bench_tools.daemon import Port
from tests.benchmarks.bench import Load, ports, station, until
from tests.benchmarks.figures import Figure, scratch

GAUGES, FRAMES = (1, 8, 32), 10_000
PACE, KEEPS_UP = 1500, 0.95

BARE = """
import csv, os, sys, threading, time
import serial

def listen(path):
    with serial.Serial(path) as port:
        while True:
            digits, unit = port.readline().split()
            row = [time.time(), path, float(digits), unit.decode()]
            with lock:
                writer.writerow(row)
                file.flush()
                os.fsync(file.fileno())

lock = threading.Lock()
with open(sys.argv[1], "w", newline="") as file:
    writer = csv.writer(file)
    threads = [threading.Thread(target=listen, args=(path,)) for path in sys.argv[2:]]
    for thread in threads:
        thread.start()
    print("ready", flush=True)
    for thread in threads:
        thread.join()
"""


def figures() -> Iterator[Figure]:
    """Saturate the script and the daemon in turn, then let the gauges send at a pace that a bench never reaches."""
    for gauges in GAUGES:
        many = f"{gauges} gauge{'s' if gauges > 1 else ''}"
        with scratch() as folder, ports(gauges) as plugged:
            script = _script(folder, plugged)
        for pace in (0, PACE):
            with scratch() as folder, ports(gauges) as plugged:
                journalled, delivered = _daemon(folder, plugged, pace)
            if pace:
                share = delivered / pace
                yield Figure(
                    f"{many} at {pace}/s, in the CSV file", delivered, "/s", pace, "frames sent",
                    f"at least {KEEPS_UP} of them until the last row", share >= KEEPS_UP,
                )  # fmt: skip
            else:
                against = "a bare script with fsync"
                yield Figure(f"{many}, in the journal and over REST", journalled, "/s", script, against)
                yield Figure(f"{many}, in the CSV file", delivered, "/s", script, against)


def _script(folder: Path, plugged: list[Port]) -> float:
    rows = folder / "rows.csv"
    command = [sys.executable, "-c", BARE, str(rows), *(port.path for port in plugged)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bare:
        assert bare.stdout is not None
        bare.stdout.readline()
        lines = _lines(rows)
        (rate,) = _rates(plugged, 0, lambda: lines() >= FRAMES)
        bare.kill()
    return rate


def _daemon(folder: Path, plugged: list[Port], pace: int) -> tuple[float, float]:
    with station(folder, plugged) as daemon, closing(Reader(daemon.journal)) as journal:
        lines, head = _lines(daemon.data / "csv" / "records.csv"), journal.head()[0]
        until(lambda: daemon.get("/destinations")["destinations"][0]["lag"] == 0, "the masterings delivered")
        before = lines()
        journalled, delivered = _rates(
            plugged, pace, lambda: journal.head()[0] >= head + FRAMES, lambda: lines() >= before + FRAMES
        )
        return journalled, delivered


def _rates(plugged: list[Port], pace: int, *all_there: Callable[[], bool]) -> tuple[float, ...]:
    """Return the frames a second from the first sent until each of the ends had all of them."""
    begun, load, rates = time.perf_counter(), Load(plugged, FRAMES, pace), []
    load.start()
    for there in all_there:
        until(there, "all there")
        rates.append(FRAMES / (time.perf_counter() - begun))
    load.join()
    return tuple(rates)


def _lines(path: Path) -> Callable[[], int]:
    """Return what counts the lines of a growing file, reading each part of it once."""
    size = count = 0

    def lines() -> int:
        nonlocal size, count
        with path.open("rb") as file:
            file.seek(size)
            fresh = file.read()
        size += len(fresh)
        count += fresh.count(b"\n")
        return count

    return lines

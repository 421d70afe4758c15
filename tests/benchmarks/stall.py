"""How long a frame waits in its port while every sync of the journal hangs for 100 ms, against a disk that is well."""

from __future__ import annotations

import statistics
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import closing

from gaugepost.edge.journal import Reader
from tests.bench_tools.daemon import Daemon, Port
from tests.benchmarks.bench import frame, ports, station, until
from tests.benchmarks.figures import Figure, scratch
from tests.fault.shim import Shim

GAUGES, FRAMES, PACE = 8, 400, 97.0
"""Frames, and frames a second: no whole number of milliseconds, whose stamps would all be cut alike."""
STALL_MS = 100
GOAL_MS = 5


def figures() -> Iterator[Figure]:
    """Send at a pace, with the stall and without in turn; the record tells the millisecond of a frame's arrival."""
    waits: dict[bool, list[float]] = {False: [], True: []}
    recorded: dict[bool, list[float]] = {False: [], True: []}
    with scratch() as folder, ports(GAUGES) as plugged:
        shim = Shim(folder)
        shim.clear()
        with station(folder, plugged, shim.env()) as daemon:
            for stalls in (False, True, False, True):
                shim.inject([f"fdatasync|fsync *journal.db-wal stall_ms={STALL_MS}"] if stalls else [])
                waited, took_s = _waits(daemon, plugged)
                waits[stalls] += waited
                recorded[stalls].append(took_s)
    goal = f"within {GOAL_MS} ms of it, though syncs take {STALL_MS} ms"
    for name, of in (("on average", statistics.fmean), ("99 of 100 within", _most)):
        well, ill = of(waits[False]), of(waits[True])
        what = f"a frame's wait in the port, {name}"
        yield Figure(what, ill, "ms", well, "no stall", goal, ill - well <= GOAL_MS)
    yield Figure(
        f"{FRAMES} frames until all are recorded",
        statistics.median(recorded[True]),
        "s",
        statistics.median(recorded[False]),
        "no stall",
    )


def _most(waits: list[float]) -> float:
    return sorted(waits)[int(0.99 * len(waits))]


def _waits(daemon: Daemon, plugged: list[Port]) -> tuple[list[float], float]:
    """Send frames at the pace; return each one's wait in ms, and how long it took until all were recorded, in s."""
    sent_ms: dict[str, list[float]] = defaultdict(list)
    begun = time.monotonic()
    with closing(Reader(daemon.journal)) as journal:
        at = journal.head()[0]
        for number in range(FRAMES):
            time.sleep(max(0.0, begun + number / PACE - time.monotonic()))
            sent_ms[f"g{number % GAUGES}"].append(time.time() * 1000)
            plugged[number % GAUGES].send(frame(number))
        until(lambda: journal.head()[0] >= at + FRAMES, "all recorded")
        took_s = time.monotonic() - begun
        records = [entry.record for entry in journal.replay(at)]
    # Stamps are cut to the millisecond: half of one is what that takes away.
    return [record.measured_at + 0.5 - sent_ms[str(record.gauge)].pop(0) for record in records], took_s

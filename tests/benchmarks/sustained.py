"""The most readings a second that reach a subscriber while gauges send without pause, against a bare script."""

from __future__ import annotations

import statistics
from collections.abc import Iterator

from tests.benchmarks.figures import Figure, scratch
from tests.benchmarks.publishing import Gauges, Listener, Spread, busy, contenders

FRAMES, ROUNDS = 9600, 5
GOALS = {1: 0.0, 8: 3.0, 32: 2.0}


def figures() -> Iterator[Figure]:
    """Have each way's gauges send all they can, in turn; a rate is of all readings until the last one is heard."""
    for gauges, goal in GOALS.items():
        with scratch() as folder, contenders(folder, gauges, fsync=False) as (listener, ways):
            taken: dict[str, list[float]] = {name: [] for name in ways}
            for _ in range(ROUNDS):
                for name, each in ways.items():
                    taken[name].append(_rate(each, listener))
        value, base = map(statistics.median, (taken["daemon"], taken["script"]))
        yield Figure(
            f"readings a second, {gauges} gauge{'s' if gauges > 1 else ''}", value, "/s", base,
            f"a bare script; {Spread.of(taken['daemon'], taken['script'])}; {busy()}",
            f"at least {goal} times" if goal else "", value >= goal * base,
        )  # fmt: skip


def _rate(gauges: Gauges, listener: Listener) -> float:
    begun = gauges.flood(FRAMES)
    last = max(max(times) for times in listener.heard(FRAMES).values())
    return FRAMES / (last - begun) * 1e9

"""From a byte written into a gauge's port to a subscriber's callback, against bare scripts."""

from __future__ import annotations

import statistics
from collections.abc import Iterator

from tests.benchmarks.figures import Figure, scratch
from tests.benchmarks.publishing import Gauges, Listener, Spread, busy, contenders

GAUGES, ROUNDS, ROUND_S = 8, 9, 1.0
AGAINST = {
    "script": "a bare script",
    "fsync": "a bare script that syncs a row",
    "least": "the least that keeps it first",
}
GOALS = {(100, "script"): 2.0, (100, "fsync"): 1.25, (1000, "script"): 1.6}


def figures() -> Iterator[Figure]:
    """Have each way's gauges send for a second at a time, in turn; what counts is a round's median."""
    with scratch() as folder, contenders(folder, GAUGES, fsync=True) as (listener, ways):
        for pace in (100, 1000):
            taken: dict[str, list[float]] = {name: [] for name in ways}
            most: dict[str, list[float]] = {name: [] for name in ways}
            for at in range(ROUNDS + 1):
                for name, gauges in ways.items():
                    waits = _waits(gauges, listener, pace)
                    if at:  # the first round warms up
                        taken[name].append(statistics.median(waits))
                        most[name].append(waits[int(0.99 * len(waits))])
            ours = taken["daemon"]
            for name, against in AGAINST.items():
                value, base = statistics.median(ours), statistics.median(taken[name])
                goal = GOALS.get((pace, name))
                yield Figure(
                    f"{pace}/s over {GAUGES} gauges, median", value, "µs", base,
                    f"{against}; {Spread.of(ours, taken[name])}; {busy()}",
                    f"at most {goal} times" if goal else "", goal is None or value <= goal * base,
                )  # fmt: skip
            for name, against in AGAINST.items():
                yield Figure(
                    f"{pace}/s over {GAUGES} gauges, 99 of 100 within",
                    statistics.median(most["daemon"]),
                    "µs",
                    statistics.median(most[name]),
                    against,
                )


def _waits(gauges: Gauges, listener: Listener, pace: float) -> list[float]:
    """Return how long each reading took, in µs, ascending."""
    frames = round(pace * ROUND_S)
    written = gauges.paced(frames, pace)
    heard = listener.heard(frames)
    return sorted(
        (came - sent) / 1e3
        for name, times in written.items()
        for sent, came in zip(times, heard[name], strict=True)
    )

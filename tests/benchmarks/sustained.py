"""The most readings a second that reach a subscriber while gauges send without pause, against a bare script."""

from __future__ import annotations

import statistics
from collections.abc import Iterator

from tests.benchmarks.bench import Cost
from tests.benchmarks.figures import Figure, scratch
from tests.benchmarks.publishing import Gauges, Listener, Spread, busy, contenders

FRAMES, ROUNDS = 9600, 5
GOALS = {1: 0.0, 8: 3.0, 32: 2.0}


def figures() -> Iterator[Figure]:
    """Have each way's gauges send all they can, in turn; a rate is of all readings until the last one is heard.

    Where others use the computer too, the processor's time says more than the rate.
    """
    for gauges, goal in GOALS.items():
        with scratch() as folder, contenders(folder, gauges, fsync=False) as (listener, ways):
            taken: dict[str, list[tuple[float, float]]] = {name: [] for name in ways}
            for _ in range(ROUNDS):
                for name, each in ways.items():
                    taken[name].append(_rate(each, listener))
        (ours, ours_us), (base, base_us) = (zip(*taken[name], strict=True) for name in ("daemon", "script"))
        value, against = statistics.median(ours), statistics.median(base)
        many = f"{gauges} gauge{'s' if gauges > 1 else ''}"
        yield Figure(
            f"readings a second, {many}", value, "/s", against,
            f"a bare script; {Spread.of(ours, base)}; {busy()}",
            f"at least {goal} times" if goal else "", value >= goal * against,
        )  # fmt: skip
        what = f"processor's time for a reading, {many}"
        yield Figure(what, statistics.median(ours_us), "µs", statistics.median(base_us), "a bare script")


def _rate(gauges: Gauges, listener: Listener) -> tuple[float, float]:
    """Return readings a second, and the publishing process's µs of the processor for one."""
    used = Cost.of(gauges.pid).cpu_s
    begun = gauges.flood(FRAMES)
    last = max(max(times) for times in listener.heard(FRAMES).values())
    used = Cost.of(gauges.pid).cpu_s - used
    return FRAMES / (last - begun) * 1e9, used / FRAMES * 1e6

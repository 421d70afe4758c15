"""The most readings a second that CSV file, broker and REST all get at once, against the broker alone."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from contextlib import ExitStack

from tests.bench_tools.broker import Broker
from tests.bench_tools.daemon import Daemon
from tests.benchmarks.bench import ports, until
from tests.benchmarks.figures import Figure, scratch
from tests.benchmarks.publishing import AT_ONCE, Gauges, Listener, Spread, busy, lags, published, running
from tests.benchmarks.push import far_side

GAUGES, FRAMES, ROUNDS, GOAL = 8, 9600, 5, 0.5


def figures() -> Iterator[Figure]:
    """Have each station's gauges send all they can, in turn, until its last destination has everything."""
    taken: dict[bool, list[float]] = {False: [], True: []}
    with scratch() as folder, ExitStack() as stack:
        enter = stack.enter_context
        broker, url = enter(Broker(folder, AT_ONCE)), enter(far_side(None))
        ways = {}
        for every in taken:
            plugged, name = enter(ports(GAUGES)), "all" if every else "alone"
            rest = f'[destinations.push]\nkind = "rest_push"\nurl = "{url}"' if every else ""
            text = published(plugged, broker, name, sheet=every, more=rest)
            ways[every] = enter(running(folder / name, plugged, text))
        listener = enter(Listener(broker))
        for _ in range(ROUNDS):
            for every, (daemon, gauges) in ways.items():
                taken[every].append(_rate(daemon, gauges, listener))
    ours, alone = taken[True], taken[False]
    value, base = statistics.median(ours), statistics.median(alone)
    yield Figure(
        f"readings a second, {GAUGES} gauges", value, "/s", base,
        f"the broker alone; {Spread.of(ours, alone)}; {busy()}",
        f"at least {GOAL} times", value >= GOAL * base,
    )  # fmt: skip


def _rate(daemon: Daemon, gauges: Gauges, listener: Listener) -> float:
    begun = gauges.flood(FRAMES)
    listener.heard(FRAMES)
    until(lambda: lags(daemon) == 0, "everything delivered")
    return FRAMES / (time.monotonic_ns() - begun) * 1e9

"""From a Bluetooth gauge's notification to its row in the journal: beside a serial port, sixteen at once, one away.

The library is the real one and speaks D-Bus to a service of ours on a bus of its own: there is no radio in it, which on
the air adds a connection interval (7.5 ms and more, by the gauge), and which a scan for a gauge that is away takes from
those that are connected. What is measured of that is what the program does meanwhile; how long it scans, a test holds
(`tests/contract/test_bluetooth_seeking.py`).
"""

from __future__ import annotations

import asyncio
import statistics
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, closing

from gaugepost.edge.journal import Reader
from tests.bench_tools.bluetooth.aside import Aside, bench_aside
from tests.bench_tools.bluetooth.bench import VALUES, gauge
from tests.bench_tools.bluetooth.peripheral import Peripheral
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.benchmarks.bench import LONGEST_S, Cost, frame, until
from tests.benchmarks.figures import Figure, scratch
from tests.benchmarks.links import FRAMES, PAUSE_S, connected, median_ms

GAUGES, PACE, SECONDS = 16, 10, 10
ROUNDS, STRANGERS = 9, 3
"""Pairs of medians, and devices nearby that advertise 50 times a second each: what comes in while it is scanned."""


def figures() -> Iterator[Figure]:
    """Have one gauge send at a time, by wire and by radio; then sixteen by radio, ten values a second each."""
    with ExitStack() as stack:
        folder, aside = stack.enter_context(scratch()), stack.enter_context(bench_aside())
        port = stack.enter_context(Port())
        own = [gauge(0x10 + at, name=f"gauge {at}") for at in range(GAUGES)]
        strangers = [gauge(0x80 + at, name=f"stranger {at}") for at in range(STRANGERS)]
        aside.bench.place(*own, *strangers)
        text = station_file([port]) + "".join(_by_radio(at, each) for at, each in enumerate(own))
        bus = {"DBUS_SYSTEM_BUS_ADDRESS": aside.bench.bus.address}
        daemon = stack.enter_context(Daemon(folder, text, bus))
        until(lambda: connected(daemon) == len(own) + 1, "every link connected")
        until(lambda: all(each.find(VALUES).listeners for each in own), "every gauge listened to")
        journal = stack.enter_context(closing(Reader(daemon.journal)))
        wire = median_ms(port.send, journal)
        radio = median_ms(lambda data: aside.do(aside.bench.say(own[0], data)), journal)
        yield Figure("terminator to journal, serial port", wire, "ms", wire, "itself")
        yield Figure("notification to journal, Bluetooth", radio, "ms", wire, "serial port")
        waits, lost = _all_at_once(aside, own, journal)
        paced = f"{GAUGES} gauges, {PACE}/s each"
        yield Figure(f"notification to journal, {paced}", statistics.median(waits), "ms", radio, "one gauge")
        yield Figure("  99 of 100 within", waits[int(0.99 * len(waits))], "ms", radio, "one gauge's median")
        yield Figure("  not recorded", lost, "", len(waits) + lost, "notifications", "none", lost == 0)
        yield from _one_away(aside, own, daemon, journal)


def _one_away(aside: Aside, own: Sequence[Peripheral], daemon: Daemon, journal: Reader) -> Iterator[Figure]:
    """Have one gauge send, in turn with every other connected and while the last is away and scanned for."""
    *_, away = own
    taken: dict[bool, list[float]] = {False: [], True: []}
    cpu: dict[bool, list[float]] = {False: [], True: []}
    scanned, pid = 0, daemon.process.pid if daemon.process else 0
    for at in range(2 * ROUNDS):
        missing = at % 2 == 1
        aside.do(_within_reach(aside, away, within=not missing))
        until(lambda: connected(daemon) == len(own) + 1 - missing, "the other gauge gone, or back")  # noqa: B023
        until(lambda: aside.bench.service.scanning() == missing, "scanned as it should be")  # noqa: B023
        used = Cost.of(pid).cpu_s
        taken[missing].append(median_ms(lambda data: aside.do(aside.bench.say(own[0], data)), journal))
        scanned += aside.bench.service.scanning()
        cpu[missing].append((Cost.of(pid).cpu_s - used) / FRAMES * 1000)
    for what, of in (("notification to journal", taken), ("  processor time a notification", cpu)):
        medians = {missing: statistics.median(of[missing]) for missing in of}
        ratios = sorted(a / b for a, b in zip(of[True], of[False], strict=True) if b)
        spread = f"pairs {ratios[0]:.2f} to {ratios[-1]:.2f}" if ratios else "too short to tell"
        against = f"none away; {spread}; scanned to the end in {scanned} of {ROUNDS}"
        yield Figure(f"{what}, one away", medians[True], "ms", medians[False], against)


async def _within_reach(aside: Aside, one: Peripheral, *, within: bool) -> None:
    one.advertising = within
    if not within:
        aside.bench.service.drop(one)


def _by_radio(at: int, own: Peripheral) -> str:
    return f"""
[links.air-{at}]
kind = "bluetooth_le"
address = "{own.address}"
values = "{VALUES}"
[links.air-{at}.decoder]
kind = "delimited_text"
pattern = "{{value}} {{unit}}"
units = {{ mm = "mm" }}
[gauges.air-{at}]
link = "air-{at}"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
"""


def _all_at_once(aside: Aside, own: Sequence[Peripheral], journal: Reader) -> tuple[list[float], int]:
    """Return how long each notification took to be recorded, in ms, ascending, and how many never were."""
    time.sleep(FRAMES * PAUSE_S)
    after, sent = journal.head()[0], dict[str, list[float]]()
    aside_work = asyncio.run_coroutine_threadsafe(_paced(aside, own, sent), aside.loop)
    came, wanted, deadline = dict[str, list[float]](), GAUGES * PACE * SECONDS, time.monotonic() + LONGEST_S
    while sum(map(len, came.values())) < wanted and time.monotonic() < deadline:
        for entry in journal.replay(after):
            after = entry.sequence
            if entry.record.kind == "reading" and entry.record.gauge is not None:
                came.setdefault(entry.record.gauge, []).append(time.monotonic())
        time.sleep(0.001)
    aside_work.result(LONGEST_S)
    pairs = ((sent[name], came.get(name, [])) for name in sent)
    waits = sorted((b - a) * 1000 for begun, ended in pairs for a, b in zip(begun, ended, strict=False))
    return waits, wanted - len(waits)


async def _paced(aside: Aside, own: Sequence[Peripheral], sent: dict[str, list[float]]) -> None:
    """Have each gauge send on its own beat."""
    begun = time.monotonic()
    for number in range(PACE * SECONDS * len(own)):
        at, beat = number % len(own), number // len(own)
        await asyncio.sleep(max(0.0, begun + number / (PACE * len(own)) - time.monotonic()))
        sent.setdefault(f"air-{at}", []).append(time.monotonic())
        await aside.bench.say(own[at], frame(beat))

"""From a frame's terminator to its row in the journal, by kind of link, and beside a gauge that babbles."""

from __future__ import annotations

import statistics
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing

from gaugepost.edge.journal import Reader
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.far_sides import PortServer
from tests.bench_tools.machine import Machine
from tests.bench_tools.network_gauges import SocketGauge, with_network_gauges
from tests.benchmarks.bench import frame, until
from tests.benchmarks.figures import Figure, scratch
from tests.contract.test_hid_usage import LENGTH

FRAMES, PAUSE_S = 60, 0.02
GOAL_MS = 5.0


def figures() -> Iterator[Figure]:
    """Have one gauge after the other send, each frame when the last is recorded; then all that with a babbler."""
    yield from _serial()
    yield from _input_devices()


def _input_devices() -> Iterator[Figure]:
    """Gauges that type or send reports, on umockdev's devices; telling those to it is part of the time."""
    with ExitStack() as stack:
        folder = stack.enter_context(scratch())
        port, machine = stack.enter_context(Port()), Machine()
        stack.callback(machine.close)
        machine.do("plug", "event5")
        machine.do("plug", "hidraw3", descriptor=LENGTH.hex())
        with Daemon(folder, station_file([port]) + INPUT_DEVICES, machine.env) as daemon:
            journal = stack.enter_context(closing(Reader(daemon.journal)))
            until(lambda: connected(daemon) == 3, "every link connected")

            def report(data: bytes) -> None:
                logical = int(data.split()[0].replace(b".", b"")).to_bytes(3, "little")
                machine.do("type", "hidraw3", bytes=(b"\x01\x00" + logical).hex())

            says: dict[str, Callable[[bytes], object]] = {
                "serial port, on that machine": port.send,
                "keyboard, from before its first key": lambda data: machine.type(
                    "event5", data.split()[0].decode().replace(".", ",")
                ),
                "HID report": report,
            }
            medians = {name: median_ms(say, journal) for name, say in says.items()}
        beside = next(iter(medians))
        for name, value in medians.items():
            yield Figure(f"terminator to journal, {name}", value, "ms", medians[beside], "serial port")


def _serial() -> Iterator[Figure]:
    with ExitStack() as stack:
        folder = stack.enter_context(scratch())
        port, noisy = stack.enter_context(Port()), stack.enter_context(Port())
        wire, server = stack.enter_context(SocketGauge()), PortServer()
        stack.callback(server.close)
        text = with_network_gauges(station_file([port, noisy]), {"wire": wire.url, "server": server.url})
        with Daemon(folder, text) as daemon, closing(Reader(daemon.journal)) as journal:
            links = daemon.get("/links")["links"]
            until(lambda: connected(daemon) == len(links), "every link connected")
            says: dict[str, Callable[[bytes], object]] = {
                "serial port": port.send,
                "socket": wire.send,
                "port server (asked every 10 ms)": server.port.write,
            }
            alone = {name: median_ms(say, journal) for name, say in says.items()}
            for name, value in alone.items():
                yield Figure(
                    f"terminator to journal, {name}", value, "ms", alone["serial port"], "serial port"
                )
            stop = threading.Event()
            babbling = threading.Thread(target=_babble, args=(noisy, stop))
            babbling.start()
            try:
                beside = median_ms(port.send, journal, lines_of="g0")
            finally:
                stop.set()
                babbling.join()
            added = beside - alone["serial port"]
            yield Figure(
                "serial port, beside a gauge that babbles", beside, "ms", alone["serial port"], "alone",
                f"at most {GOAL_MS:g} ms more", added <= GOAL_MS,
            )  # fmt: skip


INPUT_DEVICES = f"""
[links.keys]
kind = "keyboard_wedge"
usb = "1a2b:0c0d:B7"
layout = "german"
[links.keys.decoder]
kind = "delimited_text"
pattern = "{{value}}"
decimal_sign = ","
unit = "mm"
[gauges.keys]
link = "keys"
contact = "single"
display = "absolute"
check_limit = "2 µm"
[links.reports]
kind = "hid_report"
usb = "1a2b:0c0e:B8"
report = 1
[links.reports.decoder]
kind = "hid_usage"
descriptor = "{LENGTH.hex()}"
usage = "ff00:0003"
[gauges.reports]
link = "reports"
contact = "single"
display = "absolute"
check_limit = "2 µm"
"""


def connected(daemon: Daemon) -> int:
    return sum(link["state"] == "connected" for link in daemon.get("/links")["links"])


def _babble(port: Port, stop: threading.Event) -> None:
    """Send what is no frame, as fast as 115,200 baud would."""
    while not stop.is_set():
        if port.room():
            port.send(b"\x00\xff~garbage~\r\n" * 9)
        time.sleep(0.01)


def median_ms(say: Callable[[bytes], object], journal: Reader, lines_of: str = "") -> float:
    waits = []
    for number in range(FRAMES):
        at, begun = journal.head()[0], time.perf_counter()
        say(frame(number))
        while not _recorded(journal, at, lines_of):
            time.sleep(0.0002)
            assert time.perf_counter() - begun < 60, "a frame was never recorded"
        waits.append((time.perf_counter() - begun) * 1000)
        time.sleep(PAUSE_S)
    return statistics.median(waits)


def _recorded(journal: Reader, after: int, gauge: str) -> bool:
    if journal.head()[0] <= after:
        return False
    return not gauge or any(
        entry.record.gauge == gauge and entry.record.kind == "reading" for entry in journal.replay(after)
    )

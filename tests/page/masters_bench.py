"""A bench at which masterings are held to more: soak, a spread and a jump limit, a ring too many, a scanner for rings.

Its second gauge shows differences from the master, so that one ring does not say which way it counts.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from tests.bench_tools.daemon import Daemon, Port
from tests.bench_tools.ports import free_port
from tests.page.bench import Bench, station_text

HELD = """mastering_valid_for = "8 h"
mastering_soak = "0.2 K"
mastering_soak_refuses = true
mastering_spread_limit = "1 µm"
mastering_jump_limit = "5 µm"
preset_limit = "10 µm"
"""
MORE = """
[links.warmth-port]
kind = "serial_port"
device = "{path}"
[links.warmth-port.decoder]
kind = "delimited_text"
quantity = "temperature"
scale = "C"
pattern = "{{channel}} {{value}}"

[thermometers.on-gauge]
link = "warmth-port"
channel = "1"
body = "gauge"
[thermometers.on-ring]
link = "warmth-port"
channel = "2"
body = "master"

[links.scan-port]
kind = "serial_port"
device = "{scan}"
[links.scan-port.decoder]
kind = "code_text"
[scanners.hand]
link = "scan-port"
codes = ["SN-{{serial_number}}"]

[masters.ring-38-large]
size = "38.0208 mm"
uncertainty = "0.8 µm"
coverage_factor = 2
material = "gauge steel"
serial_number = "R38-11"
calibrated = 2026-01-31
"""


class MastersBench(Bench):
    """Such a bench, with its thermometers' line and its scanner."""

    warmth: Port
    scanner: Port

    def warms(self, body: str, celsius: str) -> None:
        """Have the thermometer on gauge or ring show a temperature, and wait until that is on disk."""
        before = self.daemon.get("/station")["head"]
        self.warmth.send(f"{1 if body == 'gauge' else 2} {celsius}\r\n".encode())
        self.daemon.wait_for(1, after=before, kind="temperature")


@contextlib.contextmanager
def masters_bench(folder: Path) -> Iterator[MastersBench]:
    """Start the daemon in `folder`, with nothing mastered yet and ring and gauge at 20.4 °C."""
    with Port() as bore, Port() as seat, Port() as pedal, Port() as warmth, Port() as scanner:
        text = station_text(bore, seat, pedal, MORE.format(path=warmth.path, scan=scanner.path))
        before, seat_table, after = text.partition("[gauges.seat-62]")
        text = before + seat_table + after.replace('"absolute"', '"from-master"', 1)
        text = text.replace('mastering_valid_for = "8 h"\n', HELD).replace(
            'masters = ["ring-38"]', 'masters = ["ring-38", "ring-38-large"]'
        )
        with Daemon(folder, text, port=free_port()) as daemon:
            made = MastersBench(daemon, bore, seat, pedal)
            made.warmth, made.scanner = warmth, scanner
            made.connected()
            made.warms("gauge", "20.4")
            made.warms("ring", "20.4")
            yield made

"""A bench for the page: the real daemon, two gauges and a foot switch on pseudo-terminals, an invented pump housing."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright

from tests.bench_tools.daemon import Daemon, Port

BROWSER = "/usr/bin/chromium"
WAIT_MS = 60_000
"""Bounds a failure; nothing passes or fails by it otherwise."""


def station_text(bore: Port, seat: Port, pedal: Port, extra: str = "") -> str:
    """Return a station whose uncertainties are all declared, so that its guarded rule has a band to show."""
    links = "".join(
        f"""
[links.{name}]
kind = "serial_port"
device = "{port.path}"
[links.{name}.decoder]
{decoder}
"""
        for name, port, decoder in (
            ("bore-port", bore, 'kind = "delimited_text"\npattern = "{value} {unit}"\nunits = { mm = "mm" }'),
            ("seat-port", seat, 'kind = "delimited_text"\npattern = "{value} {unit}"\nunits = { mm = "mm" }'),
            ("pedal-port", pedal, 'kind = "code_text"'),
        )
    )
    return f"""
[station]
name = "housing bench"
time_zone = "UTC"
lot_checks = false
{links}
[gauges.bore-38]
link = "bore-port"
contact = "three-point"
display = "absolute"
check_limit = "4 µm"
mastering_readings = 2
debounce = "0 ms"
resolution = "0.0001 mm"
maximum_error = "1.2 µm"
repeatability = "0.5 µm"
material = "gauge steel"
mastering_valid_for = "8 h"
mastering_valid_count = 50000

[gauges.seat-62]
link = "seat-port"
contact = "two-point"
display = "absolute"
check_limit = "4 µm"
mastering_readings = 2
debounce = "0 ms"
resolution = "0.0001 mm"
maximum_error = "1.5 µm"
repeatability = "0.6 µm"
material = "gauge steel"

[masters.ring-38]
size = "38.0012 mm"
uncertainty = "0.8 µm"
coverage_factor = 2
material = "gauge steel"
serial_number = "R38-07"
calibrated = 2026-01-31
drift_per_year = "0.2 µm"

[masters.ring-62]
size = "62.0008 mm"
uncertainty = "0.9 µm"
coverage_factor = 2
material = "gauge steel"
serial_number = "R62-01"
calibrated = 2026-01-31
drift_per_year = "0.2 µm"

[temperatures]
part = {{ value = "21.0 °C", spread = "0.5 K" }}
gauge = {{ value = "20.8 °C", spread = "0.5 K" }}
master = {{ value = "20.6 °C", spread = "0.3 K" }}

[characteristics.pump-bore]
feature = "bore"
limits = "38 H7"
part_material = "aluminium 6061"
gauges = ["bore-38"]
masters = ["ring-38"]
decision_rule = "guarded acceptance by expanded uncertainty"

[characteristics.seal-seat]
feature = "bore"
nominal = "62 mm"
upper_deviation = "+46 µm"
lower_deviation = "0 µm"
part_material = "aluminium 6061"
gauges = ["seat-62"]
masters = ["ring-62"]
positions = [{{ name = "top-0", angle = "0°", depth = "2 mm" }}, {{ name = "top-60", angle = "60°", depth = "2 mm" }},
             {{ name = "top-120", angle = "120°", depth = "2 mm" }}, {{ name = "bottom", depth = "20 mm" }}]

[triggers.foot-switch]
link = "pedal-port"
does = "next-piece"
debounce = "0 ms"
{extra}
"""


@dataclass
class Bench:
    """The daemon, and what a person there holds in the hand."""

    daemon: Daemon
    bore: Port
    seat: Port
    pedal: Port
    _stamp: int = 0

    def show(self, digits: str, port: Port | None = None) -> None:
        """Have a gauge send digits in mm, and wait until that is on disk; without a port the bore gauge."""
        before = self.daemon.get("/station")["head"]
        (port or self.bore).send(f"{digits} mm\r\n".encode())
        kinds = "reading&kind=master-reading&kind=suppressed&kind=bad-frame"
        self.daemon.wait_for(1, after=before, kind=kinds)

    def step(self) -> None:
        """Press the foot switch."""
        before = self.daemon.get("/station")["head"]
        self.pedal.send(b"go\r\n")
        self.daemon.wait_for(1, after=before, kind="trigger")

    def connected(self) -> None:
        """Return once gauges and foot switch are connected."""
        deadline = time.monotonic() + WAIT_MS / 1000
        while sum(link["state"] == "connected" for link in self.daemon.get("/links")["links"]) < 3:
            assert time.monotonic() < deadline, self.daemon.get("/links")
            time.sleep(0.05)

    def tags(self, **said: str | None) -> None:
        """Say what is in hand."""
        self.daemon.post("/tags", said, "PUT")
        assert self.daemon.status == 200

    def master(self) -> None:
        """Master both gauges and pass their checks."""
        for gauge, port, ring, serial, shown in (
            ("bore-38", self.bore, "ring-38", "R38-07", ("38.0014", "38.0016", "38.0015")),
            ("seat-62", self.seat, "ring-62", "R62-01", ("62.0005", "62.0007", "62.0006")),
        ):
            self.daemon.post(f"/gauges/{gauge}/mastering", {"masters": [ring], "serials": [serial]})
            self.show(shown[0], port)
            self.show(shown[1], port)
            self.daemon.post(f"/gauges/{gauge}/check", {"master": ring, "serial": serial})
            self.show(shown[2], port)
            assert self.daemon.get(f"/gauges/{gauge}")["judged"]


@contextlib.contextmanager
def bench(folder: Path, extra: str = "", port: int = 0) -> Iterator[Bench]:
    """Start the daemon in `folder` with its gauges connected."""
    with (
        Port() as bore,
        Port() as seat,
        Port() as pedal,
        Daemon(folder, station_text(bore, seat, pedal, extra), port=port) as daemon,
    ):
        made = Bench(daemon, bore, seat, pedal)
        made.connected()
        yield made


@contextlib.contextmanager
def browser() -> Iterator[Browser]:
    """Start the browser that the distribution has."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        try:
            yield started
        finally:
            started.close()


def opened(context: BrowserContext, address: str, screen: str = "measure") -> Page:
    """Open the page at a screen, and hold it to what every page is held to: nothing of it fails in the console."""
    page = context.new_page()
    page.set_default_timeout(WAIT_MS)
    page.on("pageerror", lambda error: _failed(page, str(error)))
    page.on(
        "console",
        lambda said: _failed(page, said.text) if said.type == "error" and _ours(said.text) else None,
    )
    page.goto(f"{address}/#{screen}")
    page.wait_for_selector(f'main[data-screen="{screen}"]')
    return page


def shows(page: Page, bench: Bench) -> None:
    """Wait until the page shows the last measurement."""
    last = bench.daemon.get("/measuring")["last"]["sequence"]
    page.wait_for_selector(f'.measure[data-shown="{last}"]')


FAILED: list[str] = []
"""What failed in the console of any page of this run."""


def _failed(page: Page, text: str) -> None:
    FAILED.append(f"{page.url}: {text}")


def _ours(text: str) -> bool:
    """Whether it is a failure of ours: a service that was ended on purpose is none."""
    return "net::ERR_" not in text and "Failed to load resource" not in text

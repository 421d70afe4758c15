"""A station at work without its ports: real journal, recorder, HTTP server and sockets; the test is the gauge."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI

from gaugepost.core.bench import State
from gaugepost.core.bench.events import Arrived, LinkDown, LinkUp, SetUpLoaded, Started
from gaugepost.core.indication import BadFrame, Indication, Temperature
from gaugepost.core.quantity import Unit
from gaugepost.core.setup import to_document
from gaugepost.edge.clock import Clock
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.edge.stationfile import Station, read_station
from gaugepost.service import Running, build_api, serve
from gaugepost.shell.growth import Growth
from gaugepost.shell.parts.parts import Parts
from gaugepost.shell.parts.reloading import Reloading
from gaugepost.shell.recorder import Recorder

STATION = """
[station]
name = "north-bench"
time_zone = "Europe/Berlin"

[links.bore-serial]
kind = "serial_port"
device = "/dev/no-such-port-1"
baud = 9600
[links.bore-serial.decoder]
kind = "delimited_text"
pattern = "{value} {unit}"
units = { mm = "mm" }

[links.dial-serial]
kind = "serial_port"
device = "/dev/no-such-port-2"
baud = 9600
[links.dial-serial.decoder]
kind = "delimited_text"
pattern = "{value} {unit}"
units = { mm = "mm" }

[links.air-serial]
kind = "serial_port"
device = "/dev/no-such-port-3"
baud = 9600
[links.air-serial.decoder]
kind = "delimited_text"
quantity = "temperature"
scale = "C"
pattern = "{value}"

[gauges.bore-38]
link = "bore-serial"
contact = "three-point"
display = "absolute"
check_limit = "2 µm"
mastering_readings = 2
debounce = "0 ms"

[gauges.dial-24]
link = "dial-serial"
contact = "two-point"
display = "from-master"
check_limit = "2 µm"
debounce = "0 ms"

[masters.ring-38]
size = "38.0012 mm"
uncertainty = "0.8 µm"
coverage_factor = 2
serial_number = "R-4711"
due = 2099-03-31

[masters.ring-37]
size = "36.9985 mm"

[thermometers.air]
link = "air-serial"
body = "air"
stands_in_for = ["part"]
spread = "0.5 K"
max_age = "10 min"

[temperatures.gauge]
value = "20.5 °C"
spread = "1 K"

[characteristics.bush-bore]
feature = "bore"
limits = "38 H7"
gauges = ["bore-38"]

[characteristics.sleeve-bore]
feature = "bore"
limits = "0.9450 in +0.0008/0"
gauges = ["dial-24"]
"""


@dataclass
class AtWork:
    """What a test holds of the station."""

    running: Running
    journal: Journal
    http: httpx.AsyncClient
    address: str
    stop: asyncio.Event
    serving: asyncio.Task[None]
    api: FastAPI

    def connect(self, *links: str) -> None:
        """Bring links up."""
        for link in links or ("bore-serial", "dial-serial", "air-serial"):
            self.running.recorder.tell(LinkUp(link, f"{link} by hand"), self.running.now())

    def lose(self, link: str) -> None:
        """Take a link away."""
        self.running.recorder.tell(LinkDown(link, "pulled out"), self.running.now())

    async def shows(self, digits: str, link: str = "bore-serial") -> None:
        """Have the gauge on `link` send `digits` in mm, and wait until they are on disk."""
        raw = f"{digits} mm\r\n".encode()
        await self.arrives(link, Indication(digits, Decimal(digits), Unit.MM, raw))

    async def arrives(self, link: str, decoded: Indication | Temperature | BadFrame) -> None:
        """Have anything arrive, and wait until it is on disk."""
        self.running.recorder.tell(Arrived(link, decoded), self.running.now())
        last = self.running.recorder._tentative.sequence  # with all that was told before and is on its way
        async with asyncio.timeout(30):
            await self.running.growth.wait_beyond(last - 1)

    async def master(self) -> None:
        """Master bore-38 and pass its check."""
        said = {"masters": ["ring-38"], "serials": ["R-4711"]}
        assert (await self.http.post("/v1/gauges/bore-38/mastering", json=said)).status_code == 200
        await self.shows("38.0014")
        await self.shows("38.0016")
        said_then = {"master": "ring-38", "serial": "R-4711"}
        assert (await self.http.post("/v1/gauges/bore-38/check", json=said_then)).status_code == 200
        await self.shows("38.0015")

    async def connected(self, count: int) -> None:
        """Return once `count` clients are connected."""
        async with asyncio.timeout(30):
            while len(self.api.state.connections) != count:  # noqa: ASYNC110 - nothing tells of it
                await asyncio.sleep(0.01)

    async def somebody_waits(self) -> None:
        """Return once a client waits for records."""
        while not self.running.growth._waiting:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0.01)

    async def get(self, path: str, **query: Any) -> Any:
        """Return the document at `path`."""
        answer = await self.http.get(path, params=query)
        assert answer.status_code == 200, answer.text
        return answer.json()


@contextlib.asynccontextmanager
async def at_work(folder: Path, station_text: str = STATION) -> AsyncIterator[AtWork]:
    """Start the station in `folder`, serve it at a free port, and end it in good order."""
    file = folder / "station.toml"
    file.write_text(station_text)
    station, clock = read_station(file), Clock()
    journal = Journal.open(station.data / "journal.db", station.name)
    reader = Reader(station.data / "journal.db")
    cursors = Cursors(station.data / "deliveries.db", first_start=journal.sequence == 0)
    growth = Growth(journal.sequence)
    recorder = Recorder(journal, growth, clock, State())
    try:
        running = _running(station, recorder, reader, growth, cursors, clock)
        recorder.tell(Started("test"), clock())
        recorder.tell(SetUpLoaded(to_document(station.set_up)), clock())
        async with asyncio.timeout(10):
            await growth.wait_beyond(1)
        stop, listening = asyncio.Event(), asyncio.get_running_loop().create_future()
        api = build_api(running)
        serving = asyncio.create_task(
            serve(api, "127.0.0.1", 0, on_listening=listening.set_result, stop=stop)
        )
        address = await listening
        async with httpx.AsyncClient(base_url=address, trust_env=False, timeout=20) as client:
            yield AtWork(running, journal, client, address, stop, serving, api)
        stop.set()
        await asyncio.wait({serving})
        if not serving.cancelled():
            serving.result()
    finally:
        await recorder.close()
        cursors.close()
        reader.close()
        journal.close()


def _running(
    station: Station, recorder: Recorder, reader: Reader, growth: Growth, cursors: Cursors, clock: Clock
) -> Running:
    parts = Parts(station, recorder, reader, cursors, growth, clock)
    parts.deliveries.clear()  # records go nowhere here
    reload = Reloading(parts, recorder, lambda text=None: station)
    return Running(parts, recorder, reader, growth, cursors, clock, clock(), reload)

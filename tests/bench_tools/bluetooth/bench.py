"""A bench with a radio: a bus of its own, the service on it, gauges within reach; and the far side for the kit."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any

import pytest
from bleak.backends.bluezdbus import manager

from gaugepost.contract import Chunk, Moment
from gaugepost_adapters.links.bluetooth.link import BluetoothLeLink
from tests.bench_tools.bluetooth.bus import Bus, private_bus
from tests.bench_tools.bluetooth.peripheral import Characteristic, Peripheral
from tests.bench_tools.bluetooth.service import Service

VALUES, REQUESTS, SERVICE = (
    "0000c001-5e00-4000-8000-0053b0de0001",
    "0000c002-5e00-4000-8000-0053b0de0001",
    "0000c000-5e00-4000-8000-0053b0de0001",
)
"""A gauge's own service, and its characteristics for values and requests: invented."""


def gauge(
    at: int = 0x10, *, name: str | None = "bore gauge", more: dict[str, list[Characteristic]] | None = None
) -> Peripheral:
    """Return a gauge at 00:00:5E:00:53:`at` (addresses for documentation, RFC 9542); `more` are other services."""
    own = [Characteristic(VALUES, ("notify",)), Characteristic(REQUESTS, ("write",))]
    services = {SERVICE: own, **(more or {})}
    return Peripheral(f"00:00:5E:00:53:{at:02X}", name, services, advertised=(SERVICE,))


class Bench:
    """The bus, the service on it, and a clock for links."""

    def __init__(self, bus: Bus) -> None:
        self.bus = bus
        self.service = Service(bus.address)
        self._ticks = 0

    def now(self) -> Moment:
        """Tick."""
        self._ticks += 1
        return Moment(self._ticks, self._ticks, "bench")

    def place(self, *gauges: Peripheral) -> Peripheral:
        """Put gauges within reach; return the first."""
        for each in gauges:
            self.service.place(each)
        return gauges[0]

    def link(self, **settings: Any) -> BluetoothLeLink:
        """Return a link, not yet open; its values are those of `gauge` where nothing else is said."""
        return BluetoothLeLink(
            BluetoothLeLink.Settings.model_validate({"values": VALUES, **settings}), self.now
        )

    async def say(self, peripheral: Peripheral, *values: bytes, uuid: str = VALUES) -> None:
        """Have the gauge send these packets."""
        one = peripheral.find(uuid)
        for at, value in enumerate(values):
            self.service.notify(one, value)
            if at % 50 == 49:
                await self.service.flush()
        await self.service.flush()


class Far:
    """The gauge as the kit knows it: bytes, in packets as long as the connection allows."""

    def __init__(self, bench: Bench, peripheral: Peripheral) -> None:
        self._bench, self._peripheral = bench, peripheral

    async def say(self, data: bytes) -> None:
        """Send `data`."""
        most = self._peripheral.mtu - 3
        await self._bench.say(self._peripheral, *(data[at : at + most] for at in range(0, len(data), most)))

    async def hear(self, count: int) -> bytes:
        """Return the next `count` bytes that were written."""
        heard = self._peripheral.heard
        while len(heard) < count:
            self._peripheral.news.clear()
            await self._peripheral.news.wait()
        taken = bytes(heard[:count])
        del heard[:count]
        return taken

    async def leave(self) -> None:
        """Go out of range."""
        self._peripheral.advertising = False
        self._bench.service.drop(self._peripheral)


async def take(link: BluetoothLeLink, count: int) -> list[Chunk]:
    """Return the next `count` chunks."""
    chunks: list[Chunk] = []
    async with asyncio.timeout(60), contextlib.aclosing(link.chunks()) as stream:  # type: ignore[type-var]
        async for chunk in stream:
            chunks.append(chunk)
            if len(chunks) == count:
                break
    return chunks


async def let_library_go() -> None:
    """End the one connection to the bus that the library keeps for as long as the loop lives."""
    kept = manager._global_instances.pop(asyncio.get_running_loop(), None)
    if kept is not None and kept._bus is not None:
        kept._bus.disconnect()
        if kept._bus_watcher_task is not None:
            await asyncio.wait({kept._bus_watcher_task})


@contextlib.asynccontextmanager
async def radio_bench(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Bench]:
    """Yield a bench whose service runs, and which this process takes for the system's."""
    with private_bus() as bus:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        bench = Bench(bus)
        await bench.service.start()
        try:
            yield bench
        finally:
            await let_library_go()
            await bench.service.die()

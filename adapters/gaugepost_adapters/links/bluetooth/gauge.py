"""A connected gauge: its values as packets, its battery, and what it says about itself."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from dataclasses import replace
from typing import Any

from bleak import BleakClient
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.device import BLEDevice

from gaugepost.contract import Chunk, Condition, LinkLost, Moment
from gaugepost.contract.wireless import Reception
from gaugepost_adapters.links.bluetooth.faults import FAULTS, T, bounded, lost
from gaugepost_adapters.links.bluetooth.settings import Settings, uuid_128
from gaugepost_adapters.links.inbox import Inbox

CONNECT_S = 20.0
"""How long a gauge that was just heard may take to be connected and to list what it offers."""
STEP_S = 5.0
"""How long it may take to answer a read, a write or a subscription."""
MOST_WAITING = 4096
"""Packets that came and were not taken yet: a radio can't be held back, so beyond these the link is lost."""
BATTERY_EVERY_S = 600.0
"""How often the battery is looked at where the gauge does not tell its level by itself."""
_BATTERY_BACK = 5
"""Percent above the low level at which the battery is no longer low: levels waver."""

BATTERY_LEVEL = uuid_128("2A19")
_CHANGED = uuid_128("2A05")
"""Service Changed: about the gauge's services, not from its display."""
_ABOUT = {"model": uuid_128("2A24"), "serial number": uuid_128("2A25"), "firmware": uuid_128("2A26")}
"""Device Information Service: text in UTF-8 without an end mark."""


class Gauge:
    """One connection to one gauge; what it sends is put into `inbox`, and so is its end."""

    def __init__(
        self, device: BLEDevice, settings: Settings, inbox: Inbox, now: Callable[[], Moment]
    ) -> None:
        self._settings, self._inbox, self._now = settings, inbox, now
        self.name = f"{device.name or 'gauge'} ({device.address})"
        self.about = ""
        """What the gauge says about itself: "model …, serial number …"; empty where it says nothing."""
        heard = device.details.get("props", {}).get("RSSI") if isinstance(device.details, dict) else None
        self.reception = Reception(signal_dbm=heard)
        """How it is heard: its signal as it was found, its battery as it said last."""
        self._client = BleakClient(device, self._disconnected, timeout=CONNECT_S)
        self._values: dict[str, BleakGATTCharacteristic] = {}
        self._requests: BleakGATTCharacteristic | None = None
        self._turn = asyncio.Lock()
        self._low = False
        self._battery_watch: asyncio.Task[None] | None = None

    async def connect(self) -> None:
        """Connect, and subscribe to what is wanted. Raises `LinkLost`, with what to do; `close` it then."""
        await self._step(self._client.connect(), f"connecting {self.name}", CONNECT_S)
        for channel, uuid in self._settings.values.items():
            self._values[channel] = self._characteristic(uuid, "values")
        if not self._settings.values:
            self._values = self._that_notify()
        if self._settings.requests is not None:
            self._requests = self._characteristic(self._settings.requests, "requests")
            self._must(self._requests, "requests", "write", "write-without-response")
        if self._settings.told == "on-request":
            for characteristic in self._values.values():
                self._must(characteristic, "values", "read")
        await self._ask_about()
        await self._watch_battery()
        if not self._settings.values:
            await self._subscribe_where_allowed()
        elif self._settings.told == "by-itself":
            for channel, characteristic in self._values.items():
                await self._subscribe(channel, characteristic)

    async def send(self, data: bytes, channel: str) -> None:
        """Write a request, or read the channel's value where the gauge is told on request. Raises `LinkLost`."""
        async with self._turn:
            if self._settings.told == "on-request":
                if (characteristic := self._values.get(channel)) is None:
                    raise LinkLost(f"{self.name} has no channel {channel!r}", hint="name it in values")
                self._arrived(await self._read(characteristic), channel)
                return
            if self._requests is None:
                raise LinkLost(
                    f"{self.name} takes no bytes", hint='write requests = "...", or take out request'
                )
            await self._write(self._requests, data)

    async def _write(self, characteristic: BleakGATTCharacteristic, data: bytes) -> None:
        acknowledged = "write" in characteristic.properties
        # An acknowledged value has at most 512 bytes (Core, Vol 3, Part F, 3.2.9), another must fit into one packet.
        most = 512 if acknowledged else characteristic.max_write_without_response_size
        if len(data) > most:
            raise LinkLost(
                f"{self.name} takes {most} bytes at once, not {len(data)}",
                hint="shorten the decoder's request",
            )
        work = self._client.write_gatt_char(characteristic, data, response=acknowledged)
        await self._step(work, f"writing to {self.name}", STEP_S)

    async def _read(self, characteristic: BleakGATTCharacteristic) -> bytes:
        return bytes(
            await self._step(self._client.read_gatt_char(characteristic), f"reading {self.name}", STEP_S)
        )

    async def _subscribe(self, channel: str, characteristic: BleakGATTCharacteristic) -> None:
        self._must(characteristic, "values", "notify", "indicate")

        def came(_: BleakGATTCharacteristic, data: bytearray) -> None:
            self._arrived(bytes(data), channel)

        await self._step(
            self._client.start_notify(characteristic, came), f"subscribing at {self.name}", STEP_S
        )

    async def _subscribe_where_allowed(self) -> None:
        refused: list[LinkLost] = []
        for channel, characteristic in list(self._values.items()):
            try:
                await self._subscribe(channel, characteristic)
            except LinkLost as lost:  # one that is kept back (paired gauges only) does not hide the others
                refused.append(lost)
                del self._values[channel]
        if not self._values:
            raise refused[0]

    def _that_notify(self) -> dict[str, BleakGATTCharacteristic]:
        """Return all that tells something by itself, but for battery and changed services, by UUID as channel."""
        found: dict[str, BleakGATTCharacteristic] = {}
        for one in sorted(self._client.services.characteristics.values(), key=lambda one: one.handle):
            if {"notify", "indicate"} & set(one.properties) and one.uuid not in (BATTERY_LEVEL, _CHANGED):
                # The same UUID in two services: the second is told by its service too.
                found[one.uuid if one.uuid not in found else f"{one.service_uuid}/{one.uuid}"] = one
        if not found:
            raise LinkLost(f"{self.name} notifies nothing", hint="name in values what it has read")
        return found

    def _characteristic(self, uuid: str, key: str) -> BleakGATTCharacteristic:
        every = sorted(self._client.services.characteristics.values(), key=lambda one: one.uuid)
        alike = [one for one in every if one.uuid == uuid]
        found = [one for one in alike if one.service_uuid == self._settings.service] or alike
        if len(found) == 1:
            return found[0]
        if found:
            services = ", ".join(sorted(one.service_uuid for one in found))
            raise LinkLost(
                f"{self.name} has {len(found)} characteristics {uuid}",
                hint=f"say which by service = ...: {services}",
            )
        offered = ", ".join(f"{one.uuid} ({'/'.join(one.properties)})" for one in every) or "none"
        raise LinkLost(f"{self.name} has no characteristic {uuid}", hint=f"correct {key}; it has {offered}")

    def _must(self, characteristic: BleakGATTCharacteristic, key: str, *ways: str) -> None:
        if not set(ways) & set(characteristic.properties):
            has = ", ".join(characteristic.properties) or "nothing"
            raise LinkLost(
                f"characteristic {characteristic.uuid} of {self.name} knows no {' or '.join(ways)}, only {has}",
                hint=f"correct {key}, or told",
            )

    def _offered(self, uuid: str) -> BleakGATTCharacteristic | None:
        every = self._client.services.characteristics.values()
        return next((one for one in every if one.uuid == uuid), None)

    async def _ask_about(self) -> None:
        told = []
        for what, uuid in _ABOUT.items():
            if (characteristic := self._offered(uuid)) and "read" in characteristic.properties:
                with contextlib.suppress(LinkLost):  # kept back, or not answered: a gauge measures without it
                    text = (await self._read(characteristic)).decode("utf-8", "replace")
                    shown = "".join(sign for sign in text if sign.isprintable()).strip()[:64]
                    told += [f"{what} {shown}"] if shown else []
        self.about = ", ".join(told)

    async def _watch_battery(self) -> None:
        level = self._offered(BATTERY_LEVEL)
        # Where it is a value itself it belongs to its decoder, and a read would look like one more of them.
        if level is None or not self._settings.battery_low or level.uuid in self._settings.values.values():
            return
        with contextlib.suppress(LinkLost):
            if "read" in level.properties:
                self._battery(await self._read(level))
            if {"notify", "indicate"} & set(level.properties):
                work = self._client.start_notify(level, lambda _, data: self._battery(bytes(data)))
                await self._step(work, f"subscribing to the battery of {self.name}", STEP_S)
            elif "read" in level.properties:
                self._battery_watch = asyncio.create_task(
                    self._look_at_battery(level), name="looks at a battery"
                )

    async def _look_at_battery(self, level: BleakGATTCharacteristic) -> None:
        while True:
            await asyncio.sleep(BATTERY_EVERY_S)
            with contextlib.suppress(LinkLost):  # if the gauge is gone, the service says so
                self._battery(await self._read(level))

    def _battery(self, data: bytes) -> None:
        """Take a level: one byte, percent (Battery Service 1.0); what is above 100 is no level."""
        if len(data) != 1 or data[0] > 100:
            return
        percent = data[0]
        self.reception = replace(self.reception, battery_percent=percent)
        if self._low and percent > self._settings.battery_low + _BATTERY_BACK:
            self._low = False
        elif not self._low and percent <= self._settings.battery_low:
            self._low = True
            for channel in self._values:
                low = Condition("battery", f"battery low: {percent} %", b"", channel)
                self._put(Chunk(data, self._now(), channel, complete=True, condition=low))

    def _arrived(self, data: bytes, channel: str) -> None:
        if data:  # an empty packet says nothing, not even that there was a frame
            self._put(Chunk(data, self._now(), channel, complete=True))

    def _put(self, chunk: Chunk) -> None:
        if len(self._inbox) >= MOST_WAITING:
            self._inbox.end(
                LinkLost(
                    f"{self.name} sent more than {MOST_WAITING} packets that could not be taken",
                    hint="have the gauge send less often",
                )
            )
        else:
            self._inbox.put(chunk)

    def _disconnected(self, _: BleakClient) -> None:
        # Also called when it was us: then the inbox has ended already.
        self._inbox.end(
            LinkLost(
                f"{self.name} is disconnected",
                hint="bring it near, and see that it is on and its battery full",
            )
        )

    async def _step(self, work: Coroutine[Any, Any, T], doing: str, seconds: float) -> T:
        try:
            return await bounded(work, seconds)
        except FAULTS as error:
            raise lost(error, doing) from error

    async def close(self) -> None:
        """Disconnect; harmless when not connected. One that does not answer is left behind."""
        if self._battery_watch is not None:
            self._battery_watch.cancel()
            await asyncio.wait({self._battery_watch})
            self._battery_watch = None
        with contextlib.suppress(*FAULTS):
            await bounded(self._client.disconnect(), STEP_S)

"""A gauge on Bluetooth LE: found, connected, and its packets handed on."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from typing import TYPE_CHECKING, ClassVar

from gaugepost.contract import AdapterSettings, Chunk, LinkLost, Moment
from gaugepost.contract.present import Present
from gaugepost.contract.wireless import Reception
from gaugepost_adapters.links.bluetooth.seeking import Wanted
from gaugepost_adapters.links.bluetooth.settings import EVERY, TO_INSTALL, Settings
from gaugepost_adapters.links.inbox import Inbox

if TYPE_CHECKING:
    from gaugepost_adapters.links.bluetooth.gauge import Gauge
    from gaugepost_adapters.links.bluetooth.radio import Radio


class BluetoothLeLink:
    """One gauge. A packet is a chunk, and its characteristic is the channel where there are several."""

    Settings: ClassVar[type[AdapterSettings]] = Settings
    everything: ClassVar[Mapping[str, str]] = {"values": EVERY}
    lists_by_radio: ClassVar[bool] = True

    def __init__(self, settings: AdapterSettings, now: Callable[[], Moment]) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._now = now
        self._wanted = Wanted(settings.address, settings.name, settings.service)
        self._at_once = False
        self._radio: Radio | None = None
        self._gauge: Gauge | None = None
        self._inbox: Inbox | None = None
        self._about = ""

    async def open(self) -> None:
        """Listen for the gauge and connect it. Raises `LinkLost` where that can't be, with the remedy."""
        await self.close()
        try:
            # The library is imported only where a station file names such a link.
            from gaugepost_adapters.links.bluetooth.gauge import Gauge
            from gaugepost_adapters.links.bluetooth.radio import Radio
        except ModuleNotFoundError as error:
            raise LinkLost(
                f"the library for Bluetooth is not installed ({error.name})", hint=f"install it: {TO_INSTALL}"
            ) from error
        settings, inbox = self._settings, Inbox(lambda: None)
        try:
            self._radio = await Radio.join(settings.adapter, self, inbox.end)
            if self._at_once:
                self._radio.seek(self._wanted)
            device = await self._radio.find(self._wanted, self, always=settings.listen == "always")
            self._gauge = Gauge(device, settings, inbox, self._now)
            await self._gauge.connect()
        except BaseException:
            await self.close()
            raise
        self._about = ", ".join(filter(None, (self._gauge.name, self._gauge.about)))
        self._inbox = inbox

    def seek(self) -> None:
        """Listen for the gauge at once, now or when opened, though others are slowed by it."""
        self._at_once = True
        if self._radio is not None:
            self._radio.seek(self._wanted)

    async def chunks(self) -> AsyncIterator[Chunk]:
        """Yield a chunk a packet, stamped as it came. Ends when closed; `LinkLost` when the gauge is gone."""
        if self._inbox is None:
            raise LinkLost(f"{self.describe()} is not open", hint="open it first")
        inbox = self._inbox
        while (chunk := await inbox.take()) is not None:
            yield chunk

    async def send(self, data: bytes, channel: str = "") -> None:
        """Write `data` to the gauge, or have it read. Raises `LinkLost` where it is gone or takes none."""
        if self._gauge is None:
            raise LinkLost(f"{self.describe()} is not open", hint="open it first")
        await self._gauge.send(data, channel)

    async def close(self) -> None:
        """Let go of the gauge; harmless when not open. What came but was not taken can still be taken."""
        gauge, self._gauge = self._gauge, None
        radio, self._radio = self._radio, None
        inbox, self._inbox = self._inbox, None
        if inbox is not None:
            inbox.end()
        try:
            if gauge is not None:
                await gauge.close()
        finally:
            if radio is not None:
                await radio.leave(self)

    def describe(self) -> str:
        """Name the gauge, as "Bluetooth LE gauge bore 7 (00:00:5E:00:53:10), model …, serial number …"."""
        return f"Bluetooth LE gauge {self._about or self._settings.address or repr(self._settings.name)}"

    def reception(self) -> Reception:
        """Return how the gauge is heard, and its battery."""
        return Reception() if self._gauge is None else self._gauge.reception

    @staticmethod
    def present() -> list[Present]:
        """Return the gauges that are heard within some seconds. Raises `LinkLost` where there is no Bluetooth."""
        try:
            from gaugepost_adapters.links.bluetooth.nearby import nearby
        except ModuleNotFoundError as error:
            raise LinkLost(
                f"the library for Bluetooth is not installed ({error.name})", hint=f"install it: {TO_INSTALL}"
            ) from error
        return nearby()

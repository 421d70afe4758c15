"""Serial ports: an adapter at the bench PC, or a port elsewhere on the network."""

from __future__ import annotations

import asyncio
import io
from collections.abc import AsyncIterator, Callable
from typing import ClassVar

import serial

from gaugepost.contract import AdapterSettings, Chunk, LinkLost, Moment, SettingsError
from gaugepost.contract.probing import Line
from gaugepost_adapters.links.inbox import in_thread
from gaugepost_adapters.links.serial.damage import Marks, set_and_mark
from gaugepost_adapters.links.serial.lines import LineWatch
from gaugepost_adapters.links.serial.opening import FAULTS, close_port, lost, open_port
from gaugepost_adapters.links.serial.present import present
from gaugepost_adapters.links.serial.settings import Settings
from gaugepost_adapters.links.serial.traffic import ByThread, OnDescriptor

_OPEN_S = 15.0
"""A driver or a port server that takes longer to open counts as not there."""


class SerialPortLink:
    """One serial port. Named by its USB numbers or its lasting path, it survives being plugged in elsewhere."""

    Settings: ClassVar[type[AdapterSettings]] = Settings
    present = staticmethod(present)

    def __init__(self, settings: AdapterSettings, now: Callable[[], Moment]) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._now = now
        self._traffic: OnDescriptor | ByThread | None = None
        self._watch: LineWatch | None = None
        self._marks: Marks | None = None
        self._found = ""

    async def open(self) -> None:
        """Open and set the port, for this program alone. Raises `LinkLost` where that can't be, with the remedy."""
        await self._open_with(lambda: open_port(self._settings))

    async def listen_as(self, line: Line) -> None:
        """Open with the line set otherwise, and have `chunks` tell bytes that came damaged by a fault.

        Raises:
            LinkLost: as `open`.
            SettingsError: no line is behind this port: it is a program's, or elsewhere.
        """
        if self._settings.url:
            raise SettingsError(
                f"{self.describe()} can't be probed: damage is told only by this computer's own ports",
                hint="give baud, bits and parity as they are set at the gauge",
            )
        at_first = self._settings.model_copy(update={"baud": line.baud, "bits": 8, "parity": "none"})

        def opened() -> tuple[serial.Serial, str]:
            # At first without bits and parity: a port without a line refuses them in words that are for other cases.
            port, place = open_port(at_first)
            try:
                set_and_mark(port.fileno(), place, line)
            except SettingsError:
                close_port(port)
                raise
            except FAULTS as error:
                close_port(port)
                raise lost(error, place) from error
            return port, place

        await self._open_with(opened)
        self._settings = at_first.model_copy(update={"bits": line.bits, "parity": line.parity})
        self._marks = Marks()

    async def _open_with(self, opened: Callable[[], tuple[serial.Serial, str]]) -> None:
        await self.close()
        try:
            port, place = await in_thread(opened, _OPEN_S, lambda late: close_port(late[0]))
        except TimeoutError as error:
            raise LinkLost(
                f"{self.describe()} did not open within {_OPEN_S:g} s",
                hint="plug the adapter, or start its server, again",
            ) from error
        self._found = place
        kind = OnDescriptor if _has_descriptor(port) else ByThread
        self._traffic = kind(port, place, self._now)
        if line := self._settings.trigger_line:
            try:
                self._watch = LineWatch(port, line, place, self._now, self._traffic.inbox.put)
            except LinkLost:
                await self.close()
                raise
        # What comes meanwhile is read and stamped; only whoever wants to send has to wait.
        await asyncio.sleep(self._settings.settle_s)

    async def chunks(self) -> AsyncIterator[Chunk]:
        """Yield bytes in the order of arrival, stamped as they are read. Ends when closed; `LinkLost` when lost."""
        traffic = self._opened()
        while (chunk := await traffic.inbox.take()) is not None:
            if self._marks is None:
                yield chunk
            else:
                for part in self._marks.split(chunk):
                    yield part

    async def send(self, data: bytes, channel: str = "") -> None:
        """Write all of `data`; a port has no channels of its own. Raises `LinkLost` where gone, closed or stuck."""
        await self._opened().write(data)

    async def close(self) -> None:
        """Let go of the port; harmless when not open. What was read but not taken can still be taken."""
        traffic, self._traffic = self._traffic, None
        self._marks = None
        if self._watch:
            self._watch.stop()
            self._watch = None
        if traffic:
            await traffic.stop()

    def describe(self) -> str:
        """Name the port and its settings, as "/dev/ttyUSB0 at 9600 8N1"."""
        settings = self._settings
        place = settings.url or settings.device or f"USB adapter {settings.usb}"
        if settings.usb_port:
            place += f" in {settings.usb_port}"
        if settings.usb and self._found:
            place += f" ({self._found})"
        return f"{place} at {settings.baud} {settings.bits}{settings.parity[0].upper()}{settings.stop_bits:g}"

    def _opened(self) -> OnDescriptor | ByThread:
        if self._traffic is None:
            raise LinkLost(f"{self.describe()} is not open", hint="open it first")
        return self._traffic


def _has_descriptor(port: serial.Serial) -> bool:
    try:
        port.fileno()
    except (io.UnsupportedOperation, AttributeError):
        return False
    return True

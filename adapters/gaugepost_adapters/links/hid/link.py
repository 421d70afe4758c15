"""A gauge that sends HID reports: each report is a packet."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections.abc import AsyncIterator, Callable, Mapping
from typing import ClassVar

from gaugepost.contract import MAX_FRAME_BYTES, AdapterSettings, Chunk, LinkLost, Moment
from gaugepost_adapters.links.descriptors import Watched
from gaugepost_adapters.links.device_files import Device, lost
from gaugepost_adapters.links.hid import opening
from gaugepost_adapters.links.hid.settings import Settings
from gaugepost_adapters.links.inbox import STUCK_S, in_thread

_OPEN_S = 15.0
"""A driver that takes longer to open counts as not there."""
_MOST_BYTES = 16_384
"""The kernel's longest report (HID_MAX_BUFFER_SIZE, linux/hid.h)."""


class HidReportLink:
    """Input reports of one HID device, whole, with the report's number in front where it has one."""

    Settings: ClassVar[type[AdapterSettings]] = Settings
    present = staticmethod(opening.present)

    def __init__(self, settings: AdapterSettings, now: Callable[[], Moment]) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._now = now
        self._reports: _Reports | None = None
        self._found = ""
        self._told: dict[str, str] = {}

    async def open(self) -> None:
        """Open the device. Raises `LinkLost` where that can't be, with the remedy."""
        await self.close()
        try:
            descriptor, found = await in_thread(
                lambda: opening.open_device(self._settings), _OPEN_S, lambda late: os.close(late[0])
            )
        except TimeoutError as error:
            raise LinkLost(
                f"{self.describe()} did not open within {_OPEN_S:g} s", hint="plug it in again"
            ) from error
        self._found = found.path
        self._told = {"descriptor": opening.descriptor_of(found).hex()}
        self._reports = _Reports(descriptor, found, self._settings.report, self._now)

    async def chunks(self) -> AsyncIterator[Chunk]:
        """Yield a chunk a report, in order. Ends when closed; `LinkLost` when unplugged."""
        inbox = self._opened().inbox
        while (chunk := await inbox.take()) is not None:
            yield chunk

    async def send(self, data: bytes, channel: str = "") -> None:
        """Send an output report: its first byte is the report's number, 0 where reports have none (hidraw)."""
        await self._opened().write(data)

    async def close(self) -> None:
        """Let go of the device; harmless when not open. What came and was not taken can still be taken."""
        reports, self._reports = self._reports, None
        if reports:
            await reports.stop()

    def tells(self) -> Mapping[str, str]:
        """Return the device's report descriptor, for `hid_usage` (`gaugepost.contract.teaching.Tells`)."""
        return self._told

    def describe(self) -> str:
        """Name the device, as "HID device 1a2b:0c0d:B7 (/dev/hidraw0)"."""
        found = f" ({self._found})" if self._found else ""
        return f"HID device {self._settings.usb or self._settings.port}{found}"

    def _opened(self) -> _Reports:
        if self._reports is None:
            raise LinkLost(f"{self.describe()} is not open", hint="open it first")
        return self._reports


class _Reports:
    """Reads and writes an open device: wakes for reports only."""

    def __init__(self, descriptor: int, found: Device, report: int | None, now: Callable[[], Moment]) -> None:
        self._descriptor, self._found, self._report, self._now = descriptor, found, report, now
        self._turn = asyncio.Lock()
        self._watched = Watched(descriptor, self._read)
        self.inbox = self._watched.inbox
        self._watched.read_on()

    def _read(self) -> None:
        try:
            data = os.read(self._descriptor, _MOST_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._watched.end(lost(error, self._found, "HID device"))
            return
        if not data:
            place = f"HID device {self._found.path} ({self._found.name or self._found.usb})"
            self._watched.end(LinkLost(f"{place} is gone", hint="plug it in again"))
            return
        if self._report is not None and data[0] != self._report:
            return
        fault = (
            f"a report of {len(data)} bytes is too long for a frame" if len(data) > MAX_FRAME_BYTES else ""
        )
        self._watched.put(Chunk(data[:MAX_FRAME_BYTES], self._now(), complete=True, fault=fault))

    async def write(self, data: bytes) -> None:
        """Hand a report to the device. Raises `LinkLost` where it is gone or takes nothing for `STUCK_S`."""
        async with self._turn:
            if self._watched.stopped:
                raise LinkLost(f"HID device {self._found.path} is no longer open", hint="open it again")
            try:
                # The kernel waits for the device here, whatever it was told about waiting.
                await in_thread(lambda: os.write(self._descriptor, data), STUCK_S)
            except TimeoutError as error:
                raise LinkLost(
                    f"HID device {self._found.path} has not taken a report for {STUCK_S:g} s",
                    hint="see that the gauge is on",
                ) from error
            except OSError as error:
                raise lost(error, self._found, "HID device") from error

    async def stop(self) -> None:
        """Let go of the device."""
        self._watched.end()
        async with (
            self._turn
        ):  # a writer takes its hands off the descriptor before its number is free for others
            with contextlib.suppress(OSError):
                os.close(self._descriptor)

"""One Bluetooth adapter for the whole station: one scanner that serves every gauge, and word when the service ends.

A second scanner of one program is refused by the service; and a gauge that some program left connected is not heard by
any scanner, it has to be taken over.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from bleak import BleakScanner
from bleak.backends.bluezdbus.version import BlueZFeatures
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData
from bleak.exc import BleakDBusError

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.bluetooth import seeking
from gaugepost_adapters.links.bluetooth.bluez import Bluez, end_own_scan
from gaugepost_adapters.links.bluetooth.faults import FAULTS, bounded, lost
from gaugepost_adapters.links.bluetooth.seeking import Pauses, Wanted

ALIKE_S = 1.0
"""How long after a gauge with the right name another one of that name is listened for."""
_STEP_S = 10.0
"""How long the service may take to begin or end a scan."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A device that is heard, or connected to somebody."""

    address: str
    name: str | None
    services: tuple[str, ...]
    signal_dbm: int | None
    """How strongly it was heard last; None for one that is only connected."""
    connected: bool
    random: bool
    """Whether its address is one that it made up itself."""


class Radio:
    """An adapter, as long as a link needs it. Every link of an event loop that names the adapter shares it."""

    _shared: dict[tuple[asyncio.AbstractEventLoop, str | None], Radio] = {}  # noqa: RUF012 - shared on purpose
    _look: asyncio.Future[None] | None = None

    def __init__(self, adapter: str | None) -> None:
        self._adapter = adapter
        self._turn = asyncio.Lock()
        self._users: dict[object, Callable[[LinkLost], None]] = {}
        self._bluez = Bluez(self._gone)
        self._scanner: BleakScanner | None = None
        self._seekers = 0
        self._news = asyncio.Event()
        self._taken: dict[str, object] = {}
        self._pauses = Pauses()
        self._pausing: dict[object, Wanted] = {}

    @classmethod
    async def join(cls, adapter: str | None, user: object, gone: Callable[[LinkLost], None]) -> Radio:
        """Return the adapter's radio, running; `gone` is called each time that the service ends under `user`.

        Raises:
            LinkLost: this system has no Bluetooth service that runs, with the remedy.
        """
        key = (asyncio.get_running_loop(), adapter)
        radio = cls._shared.setdefault(key, cls(adapter))
        radio._users[user] = gone
        try:
            async with radio._turn:
                await cls._look_at_version()
                await radio._bluez.connect()
        except FAULTS as error:
            await radio.leave(user)
            raise lost(error, "Bluetooth can't be used") from error
        except BaseException:
            await radio.leave(user)
            raise
        return radio

    @classmethod
    async def _look_at_version(cls) -> None:
        """Have the library look at the service's version: that, when cancelled, would block every later connection."""
        look = cls._look
        if look is None or look.done() or look.get_loop() is not asyncio.get_running_loop():
            cls._look = look = asyncio.ensure_future(BlueZFeatures.check_bluez_version())
        await asyncio.wait({look}, timeout=_STEP_S)
        if not look.done():
            raise TimeoutError("bluetoothctl --version does not end")
        look.result()

    async def leave(self, user: object) -> None:
        """Let go; with the last user the scan and the watch end. Harmless when left already."""
        self._users.pop(user, None)
        for address in [address for address, holder in self._taken.items() if holder is user]:
            del self._taken[address]
        if not self._taken:  # nobody is left whom a scan would slow: those who pause listen at once
            self._pauses.clear()
            self._news.set()
        async with self._turn:
            if not self._users:
                await self._stop_scan()
                await self._bluez.close()
            if not self._users:
                self._shared.pop((asyncio.get_running_loop(), self._adapter), None)

    def _gone(self, fault: LinkLost) -> None:
        for gone in list(self._users.values()):
            gone(fault)

    async def find(self, wanted: Wanted, user: object, *, always: bool = False) -> BLEDevice:
        """Return the gauge as heard just now, or as somebody left it connected; it is `user`'s until that leaves.

        One that was not heard the last time is listened for after a pause, while others have gauges connected,
        but for those that are `always` listened for.

        Raises:
            LinkLost: it is not heard, another link has it, or several gauges are alike.
        """
        try:
            device = await self._left_connected(wanted) or await self._listen(wanted, user, always)
        except FAULTS as error:
            raise lost(error, f"listening for {wanted}") from error
        if self._taken.setdefault(device.address, user) is not user:
            raise LinkLost(
                f"{wanted} ({device.address}) is open as another link already",
                hint="name each gauge in one link only, by its address",
            )
        self._pauses.forget(wanted)
        return device

    def seek(self, wanted: Wanted) -> None:
        """Have the gauge listened for at once, whoever is slowed by it: somebody wants it now."""
        self._pauses.forget(wanted)
        self._news.set()

    async def listen(self, seconds: float) -> list[Heard]:
        """Return what is heard or connected. Raises one of `FAULTS`."""
        async with self._scanning():
            await asyncio.sleep(seconds)
            heard = (
                self._scanner.discovered_devices_and_advertisement_data if self._scanner is not None else {}
            )
        signals = {device.details["path"]: said.rssi for device, said in heard.values()}
        return [
            Heard(
                known["Address"],
                _name(known),
                tuple(known.get("UUIDs", [])),
                signals.get(path),
                bool(known.get("Connected")),
                known.get("AddressType") == "random",
            )
            for path, known in await self._bluez.devices()
            if path in signals or known.get("Connected")
        ]

    async def _left_connected(self, wanted: Wanted) -> BLEDevice | None:
        place = f"/org/bluez/{self._adapter}/" if self._adapter else "/org/bluez/"
        left = [
            BLEDevice(properties["Address"], _name(properties), {"path": path, "props": dict(properties)})
            for path, properties in await self._bluez.devices()
            if path.startswith(place)
            and properties.get("Connected")
            and properties["Address"] not in self._taken
            and wanted.is_it(properties["Address"], _name(properties), properties.get("UUIDs", []))
        ]
        return _only(wanted, left) if left else None

    async def _listen(self, wanted: Wanted, user: object, always: bool) -> BLEDevice:
        if not always:
            await self._pause(wanted, user)
        slowed = not always and self._slows_others(user)
        go_s = self._pauses.go_s(wanted) if slowed else seeking.SEEK_S
        along = set(self._pausing)
        async with self._scanning():
            try:
                async with asyncio.timeout(go_s):
                    while not self._heard(wanted):
                        await self._news.wait()
                    if wanted.address is None:
                        await asyncio.sleep(ALIKE_S)
            except TimeoutError as error:
                now_s = asyncio.get_running_loop().time()
                pause_s = self._pauses.missed(wanted, now_s)
                for each in along & self._pausing.keys():  # it was a go for all, or many would scan by turns
                    self._pauses.missed(self._pausing[each], now_s)
                async with self._turn:
                    # An adapter that was off and on again scans no more, and nobody says so: begin anew.
                    await self._stop_scan()
                    if self._seekers > 1:
                        await self._start_scan()
                again = f", and is listened for again in {pause_s:g} s" if slowed else ""
                raise LinkLost(
                    f"{wanted} was not heard within {go_s:g} s{again}",
                    hint="switch the gauge on, bring it near, and disconnect it from other devices",
                ) from error
            heard = self._heard(wanted)
        if not heard:
            raise LinkLost(f"{wanted} is no longer heard", hint="bring the gauge near")
        return _only(wanted, heard)

    async def _pause(self, wanted: Wanted, user: object) -> None:
        """Wait until the gauge is due, another's scan hears it, or nobody would be slowed by a scan of its own."""
        now_s = asyncio.get_running_loop().time
        self._pausing[user] = wanted
        try:
            while self._slows_others(user) and (left_s := self._pauses.due_s(wanted) - now_s()) > 0:
                if self._heard(wanted):
                    return
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(left_s):
                        await self._news.wait()
        finally:
            del self._pausing[user]

    def _slows_others(self, user: object) -> bool:
        return any(holder is not user for holder in self._taken.values())

    def _heard(self, wanted: Wanted) -> list[BLEDevice]:
        self._news.clear()
        if self._scanner is None:
            return []
        return [
            device
            for device, said in self._scanner.discovered_devices_and_advertisement_data.values()
            if wanted.is_it(device.address, said.local_name or device.name, said.service_uuids)
        ]

    @contextlib.asynccontextmanager
    async def _scanning(self) -> AsyncIterator[None]:
        """Scan as long as anybody seeks."""
        self._seekers += 1
        try:
            async with self._turn:
                await self._start_scan()
            yield
        finally:
            self._seekers -= 1
            async with self._turn:
                if not self._seekers:
                    await self._stop_scan()

    async def _start_scan(self) -> None:
        if self._scanner is not None:
            return
        # No filter by services: the scan is for all gauges, and those bound by address may advertise none.
        scanner = (
            BleakScanner(self._on_heard, bluez={"adapter": self._adapter})
            if self._adapter
            else BleakScanner(self._on_heard)
        )
        try:
            await bounded(scanner.start(), _STEP_S)
        except BleakDBusError as error:
            others = (radio._scanner for radio in self._shared.values() if radio is not self)
            if error.dbus_error != "org.bluez.Error.InProgress" or any(others):
                raise
            await end_own_scan(self._adapter)
            await bounded(scanner.start(), _STEP_S)
        self._scanner = scanner

    async def _stop_scan(self) -> None:
        scanner, self._scanner = self._scanner, None
        if scanner is not None:
            with contextlib.suppress(
                *FAULTS
            ):  # the service, or the adapter, may be gone: then so is the scan
                await bounded(scanner.stop(), _STEP_S)

    def _on_heard(self, device: BLEDevice, said: AdvertisementData) -> None:
        self._news.set()


def _only(wanted: Wanted, found: list[BLEDevice]) -> BLEDevice:
    if len({device.address for device in found}) > 1:
        listed = ", ".join(sorted(device.address for device in found))
        raise LinkLost(
            f"{len(found)} gauges are called {wanted}: {listed}", hint='name one by address = "..." instead'
        )
    return found[0]


def _name(properties: Mapping[str, Any]) -> str | None:
    name = properties.get("Name")
    return name if isinstance(name, str) else None

"""A system Bluetooth service of a test's own, on a bus of its own: enough of org.bluez, and of its manners.

It does what the real one was seen to do; what was not seen is from memory of its D-Bus interface. It answers with bare
messages, because the real one leaves out properties that are not known.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Coroutine
from typing import Any

from dbus_fast import BusType, DBusError, Message, MessageType, Variant
from dbus_fast.aio import MessageBus

from tests.bench_tools.bluetooth.peripheral import Characteristic, Peripheral, full

OBJECTS, PROPERTIES = "org.freedesktop.DBus.ObjectManager", "org.freedesktop.DBus.Properties"
ADAPTER, DEVICE = "org.bluez.Adapter1", "org.bluez.Device1"
GATT_SERVICE, GATT_CHARACTERISTIC = "org.bluez.GattService1", "org.bluez.GattCharacteristic1"
BEAT_S = 0.02
"""How often each gauge advertises."""

_SIGNATURES = {
    **dict.fromkeys(("RSSI",), "n"),
    **dict.fromkeys(("UUIDs", "Flags", "Roles"), "as"),
    **dict.fromkeys(("Adapter", "Device", "Service"), "o"),
    "Value": "ay",
    "MTU": "q",
    "Includes": "ao",
}

Properties = dict[str, Variant]
Answer = tuple[str, list[Any]]


def _typed(properties: dict[str, Any]) -> Properties:
    return {
        name: Variant(_SIGNATURES.get(name) or ("b" if isinstance(value, bool) else "s"), value)
        for name, value in properties.items()
    }


class Service:
    """The service: `start` takes the name org.bluez, `die` drops it as a killed one does, without a word."""

    def __init__(self, address: str, adapter: str = "hci0") -> None:
        self._address, self._adapter = address, f"/org/bluez/{adapter}"
        self._objects: dict[str, dict[str, Properties]] = {}
        self._scanners: set[str] = set()
        self._tasks: set[asyncio.Task[None]] = set()
        self._bus: MessageBus | None = None
        self.peripherals: dict[str, Peripheral] = {}
        self.calls: list[tuple[str, str]] = []
        """Path and method of every call, for tests to look at."""
        self.mute: set[str] = set()
        """Methods of the adapter, and "GetManagedObjects", that are never answered."""
        self.only_early = False
        """Gauges advertise once, before whoever starts a scan is answered, and then no more."""

    # --- its life -------------------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Appear on the bus with one adapter that is on."""
        self._bus = bus = MessageBus(self._address, BusType.SYSTEM)
        await bus.connect()
        bus.add_message_handler(self._on_message)
        watch = "type='signal',member='NameOwnerChanged',sender='org.freedesktop.DBus'"
        dbus = "org.freedesktop.DBus"
        await bus.call(Message(dbus, "/org/freedesktop/DBus", dbus, "AddMatch", signature="s", body=[watch]))
        about = {"Address": "00:00:5E:00:53:01", "Alias": "bench", "Powered": True, "Discovering": False}
        self._add(self._adapter, {ADAPTER: {**about, "Roles": ["central"], "UUIDs": []}})
        await bus.request_name("org.bluez")

    async def die(self) -> None:
        """End at once: nobody is told, and nothing it knew is kept."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks)
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.disconnect()
            with contextlib.suppress(OSError, EOFError):  # the bus may have ended before it
                await bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        self._objects.clear()
        self._scanners.clear()
        for peripheral in self.peripherals.values():
            for one in (one for every in peripheral.services.values() for one in every):
                one.listeners.clear()

    async def flush(self) -> None:
        """Wait until the bus took what was sent: the library's sender breaks when its socket is full."""
        assert self._bus is not None
        ping = Message("org.freedesktop.DBus", "/org/freedesktop/DBus", "org.freedesktop.DBus.Peer", "Ping")
        await self._bus.call(ping)

    # --- what a test does to the world ----------------------------------------------------------------------------

    def place(self, peripheral: Peripheral) -> None:
        """Put a gauge within reach."""
        self.peripherals[self.path(peripheral)] = peripheral

    def path(self, peripheral: Peripheral) -> str:
        """Return the gauge's object path."""
        return f"{self._adapter}/dev_{peripheral.address.replace(':', '_')}"

    def connected(self, peripheral: Peripheral) -> bool:
        """Whether it is connected now."""
        return self._connected(self.path(peripheral))

    def scanning(self) -> bool:
        """Whether anybody scans."""
        return bool(self._scanners)

    def notify(self, one: Characteristic, value: bytes) -> None:
        """The gauge sends a notification; only those who subscribed get it."""
        one.value = value
        if one.listeners:
            self._change(one.path, GATT_CHARACTERISTIC, Value=value)

    def drop(self, peripheral: Peripheral) -> None:
        """The connection is lost: out of range, or out of battery."""
        path = self.path(peripheral)
        if self._connected(path):
            for one in (one for every in peripheral.services.values() for one in every):
                one.listeners.clear()
            self._change(path, DEVICE, ServicesResolved=False, Connected=False)

    def forget(self, peripheral: Peripheral) -> None:
        """Remove a device that nobody is connected to, as the real one does 30 s after a scan."""
        path = self.path(peripheral)
        for known in sorted((each for each in self._objects if each.startswith(path)), reverse=True):
            interfaces = list(self._objects.pop(known))
            self._signal("/", OBJECTS, "InterfacesRemoved", "oas", [known, interfaces])

    def power(self, *, on: bool) -> None:
        """Switch the adapter: off, it drops every connection and ends every scan."""
        if not on:
            for peripheral in self.peripherals.values():
                self.drop(peripheral)
            self._scanners.clear()
        self._change(self._adapter, ADAPTER, Powered=on, Discovering=False)

    async def left_connected(self, peripheral: Peripheral) -> None:
        """Have it connected, as a program that was killed leaves it."""
        self._appear(self.path(peripheral), peripheral)
        self._change(self.path(peripheral), DEVICE, Connected=True)
        self._resolve(self.path(peripheral), peripheral)
        await self.flush()

    # --- objects --------------------------------------------------------------------------------------------------

    def _connected(self, path: str) -> bool:
        return path in self._objects and bool(self._objects[path][DEVICE]["Connected"].value)

    def _send(self, message: Message) -> None:
        if self._bus is not None and self._bus.connected:
            self._bus.send(message)

    def _signal(self, path: str, interface: str, member: str, signature: str, body: list[Any]) -> None:
        self._send(Message.new_signal(path, interface, member, signature, body))

    def _add(self, path: str, interfaces: dict[str, dict[str, Any]]) -> None:
        typed = {interface: _typed(properties) for interface, properties in interfaces.items()}
        self._objects[path] = typed
        self._signal("/", OBJECTS, "InterfacesAdded", "oa{sa{sv}}", [path, typed])

    def _change(self, path: str, interface: str, gone: tuple[str, ...] = (), **properties: Any) -> None:
        typed = _typed(properties)
        known = self._objects[path][interface]
        known.update(typed)
        for name in gone:
            known.pop(name, None)
        self._signal(path, PROPERTIES, "PropertiesChanged", "sa{sv}as", [interface, typed, list(gone)])

    def _appear(self, path: str, peripheral: Peripheral) -> None:
        if path in self._objects:
            self._change(path, DEVICE, RSSI=-60)
            return
        properties = {
            "Address": peripheral.address,
            "AddressType": "random" if peripheral.random else "public",
            "Alias": peripheral.name or peripheral.address.replace(":", "-"),
            "Adapter": self._adapter,
            "Paired": False,
            "Connected": False,
            "ServicesResolved": False,
            "UUIDs": [full(each) for each in peripheral.advertised],
            "RSSI": -60,
        }
        if peripheral.name is not None:
            properties["Name"] = peripheral.name
        self._add(path, {DEVICE: properties})

    def _resolve(self, path: str, peripheral: Peripheral) -> None:
        handle = 0
        for service, characteristics in peripheral.services.items():
            handle += 1
            within = f"{path}/service{handle:04x}"
            if within not in self._objects:
                about = {"UUID": full(service), "Device": path, "Primary": True, "Includes": []}
                self._add(within, {GATT_SERVICE: about})
            for one in characteristics:
                handle += 2
                one.path = f"{within}/char{handle:04x}"
                if one.path not in self._objects:
                    about = {"UUID": full(one.uuid), "Service": within, "Flags": list(one.flags)}
                    self._add(one.path, {GATT_CHARACTERISTIC: {**about, "MTU": peripheral.mtu, "Value": b""}})
        offered = sorted({full(each) for each in (*peripheral.advertised, *peripheral.services)})
        self._change(path, DEVICE, ServicesResolved=True, UUIDs=offered)

    # --- calls ----------------------------------------------------------------------------------------------------

    def _on_message(self, message: Message) -> Message | bool | None:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._client_gone(message.body[0])
            return None
        if message.message_type is not MessageType.METHOD_CALL:
            return None
        if message.member in self.mute:
            self.calls.append((message.path or "", message.member or ""))
            return True
        if message.interface == OBJECTS:
            return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects])
        if not (message.path or "").startswith(self._adapter):
            return None
        self.calls.append((message.path or "", message.member or ""))
        self._spawn(self._answer(message))
        return True

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        task = asyncio.ensure_future(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _answer(self, message: Message) -> None:
        path, member = message.path or "", message.member or ""
        peripheral = next((each for at, each in self.peripherals.items() if path.startswith(at)), None)
        if peripheral is not None and member in peripheral.mute:
            return
        try:
            self._refuse(path, member, peripheral)
            if path == self._adapter:
                signature, body = self._adapter_call(member, message)
            else:
                assert peripheral is not None
                signature, body = await self._device_call(peripheral, path, member, message)
            self._send(Message.new_method_return(message, signature, body))
        except DBusError as error:
            self._send(Message.new_error(message, error.type, error.text))

    def _refuse(self, path: str, member: str, peripheral: Peripheral | None) -> None:
        if path not in self._objects:
            raise DBusError("org.freedesktop.DBus.Error.UnknownObject", f"no {path}")
        if peripheral is not None and member in peripheral.refuses:
            raise DBusError(*peripheral.refuses.pop(member))

    def _adapter_call(self, member: str, message: Message) -> Answer:
        sender = message.sender or ""
        if not self._objects[self._adapter][ADAPTER]["Powered"].value:
            raise DBusError("org.bluez.Error.NotReady", "Resource Not Ready")
        if member == "StartDiscovery":
            if sender in self._scanners:
                raise DBusError("org.bluez.Error.InProgress", "Operation already in progress")
            self._scanners.add(sender)
            if len(self._scanners) == 1:
                self._change(self._adapter, ADAPTER, Discovering=True)
                if self.only_early:
                    self._advertise()
                else:
                    self._spawn(self._hear())
        elif member == "StopDiscovery":
            if sender not in self._scanners:
                raise DBusError("org.bluez.Error.Failed", "No discovery started")
            self._end_scan(sender)
        elif member != "SetDiscoveryFilter":
            raise DBusError("org.freedesktop.DBus.Error.UnknownMethod", member)
        return "", []

    async def _hear(self) -> None:
        while self._scanners:
            self._advertise()
            await asyncio.sleep(BEAT_S)

    def _advertise(self) -> None:
        for path, peripheral in list(self.peripherals.items()):
            # What is connected to somebody does not advertise.
            if peripheral.advertising and not self._connected(path):
                self._appear(path, peripheral)

    def _end_scan(self, sender: str) -> None:
        self._scanners.discard(sender)
        if not self._scanners:
            for path in self.peripherals:
                if path in self._objects:
                    self._change(path, DEVICE, ("RSSI",))
            self._change(self._adapter, ADAPTER, Discovering=False)

    def _client_gone(self, sender: str) -> None:
        """A program went: its scan and its subscriptions end, its connections stay."""
        if sender in self._scanners:
            self._end_scan(sender)
        for peripheral in self.peripherals.values():
            for one in (one for every in peripheral.services.values() for one in every):
                one.listeners.discard(sender)

    async def _device_call(self, peripheral: Peripheral, path: str, member: str, message: Message) -> Answer:
        if member == "Connect":
            if not peripheral.advertising:
                await asyncio.Event().wait()  # the real one was seen not to answer for 50 s
            self._change(path, DEVICE, Connected=True)
            self._resolve(path, peripheral)
            return "", []
        if member == "Disconnect":
            self.drop(peripheral)
            return "", []
        if not self.connected(peripheral):
            raise DBusError("org.bluez.Error.Failed", "Not connected")
        one = next(one for every in peripheral.services.values() for one in every if one.path == path)
        return self._value_call(peripheral, one, member, message)

    def _value_call(
        self, peripheral: Peripheral, one: Characteristic, member: str, message: Message
    ) -> Answer:
        if member == "ReadValue":
            if "read" not in one.flags:
                raise DBusError("org.bluez.Error.NotPermitted", "Read not permitted")
            self._change(
                one.path, GATT_CHARACTERISTIC, Value=one.value
            )  # so a read looks like a notification
            return "ay", [one.value]
        if member == "WriteValue":
            kind = message.body[1].get("type", Variant("s", "request")).value
            if {"request": "write", "command": "write-without-response"}[kind] not in one.flags:
                raise DBusError("org.bluez.Error.NotPermitted", "Write not permitted")
            peripheral.write(one, bytes(message.body[0]))
        elif member == "StartNotify":
            if not {"notify", "indicate"} & set(one.flags):
                raise DBusError("org.bluez.Error.NotSupported", "Operation is not supported")
            one.listeners.add(message.sender or "")
        elif member == "StopNotify":
            one.listeners.discard(message.sender or "")
        return "", []

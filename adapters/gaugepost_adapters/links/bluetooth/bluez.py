"""The system's Bluetooth service as it is: whether it still runs, and what it is connected to.

The library keeps a picture of the service that outlives it: after the service died, gauges stay "connected" for ever.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from typing import Any

from bleak.backends.bluezdbus.manager import get_global_bluez_manager
from dbus_fast import BusType, DBusError, Message, MessageType, unpack_variants
from dbus_fast.aio import MessageBus

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.bluetooth.faults import SERVICE_HINT, bounded

SERVICE = "org.bluez"
_ANSWER_S = 10.0
"""How long the bus or the service may take to answer; a service that has to be started first takes a while."""


class Bluez:
    """A connection of our own to the system bus. `gone` is called when the service, or the bus, goes away."""

    def __init__(self, gone: Callable[[LinkLost], None]) -> None:
        self._gone = gone
        self._bus: MessageBus | None = None
        self._ended: asyncio.Future[None] | None = None

    @property
    def open(self) -> bool:
        """Whether the connection stands."""
        return self._bus is not None and self._bus.connected

    async def connect(self) -> None:
        """Connect and begin to watch; harmless when connected. Raises one of `FAULTS`."""
        if self.open:
            return
        await self.close()
        self._bus = bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            await bounded(self._begin(bus), _ANSWER_S)
        except BaseException:
            await self.close()
            raise
        self._ended = asyncio.ensure_future(bus.wait_for_disconnect())  # type: ignore[no-untyped-call]
        self._ended.add_done_callback(self._bus_ended)

    async def _begin(self, bus: MessageBus) -> None:
        await bus.connect()
        bus.add_message_handler(self._heard)
        rule = f"type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged',arg0='{SERVICE}'"
        await _call(bus, "org.freedesktop.DBus", "/org/freedesktop/DBus", "AddMatch", "s", [rule])

    def _heard(self, message: Message) -> None:
        # Every change of owner that had one before: the service ended, or another took its place at once.
        if message.member == "NameOwnerChanged" and message.body[0] == SERVICE and message.body[1]:
            self._gone(LinkLost("the system's Bluetooth service ended", hint=SERVICE_HINT))

    def _bus_ended(self, ended: asyncio.Future[None]) -> None:
        if not ended.cancelled():
            ended.exception()  # looked at: why the bus ended is nothing that a person could act on
        if self._ended is ended:
            self._gone(LinkLost("the system's D-Bus ended", hint="start the computer again"))

    async def devices(self) -> list[tuple[str, Mapping[str, Any]]]:
        """Return every device that the service knows now, as its path and its properties. Raises one of `FAULTS`."""
        assert self._bus is not None
        work = _call(
            self._bus, SERVICE, "/", "GetManagedObjects", interface="org.freedesktop.DBus.ObjectManager"
        )
        (objects,) = await bounded(work, _ANSWER_S)
        known = []
        for path, interfaces in unpack_variants(objects).items():
            if (properties := interfaces.get("org.bluez.Device1")) is not None:
                known.append((path, properties))
        return known

    async def close(self) -> None:
        """Let go of the bus; harmless when not open."""
        ended, self._ended = self._ended, None
        bus, self._bus = self._bus, None
        if bus is not None:
            bus.disconnect()
        if ended is not None:
            await asyncio.wait({ended}, timeout=_ANSWER_S)


async def end_own_scan(adapter: str | None) -> None:
    """End a scan of this process that the library does not know of. Raises one of `FAULTS`.

    It is what is left where a start was answered after it had been given up, or a stop never; and the library, whose
    connection it belongs to, is refused every other one.
    """
    library = await bounded(get_global_bluez_manager(), _ANSWER_S)
    assert library._bus is not None
    path = f"/org/bluez/{adapter}" if adapter else library.get_default_adapter()
    work = _call(library._bus, SERVICE, path, "StopDiscovery", interface="org.bluez.Adapter1")
    await bounded(work, _ANSWER_S)


async def _call(
    bus: MessageBus,
    destination: str,
    path: str,
    member: str,
    signature: str = "",
    body: list[Any] | None = None,
    interface: str | None = None,
) -> list[Any]:
    message = Message(
        destination, path, interface or destination, member, signature=signature, body=body or []
    )
    reply = await bus.call(message)
    assert reply is not None
    if reply.message_type is MessageType.ERROR:
        raise DBusError(reply.error_name or "error", reply.body[0] if reply.body else member)
    return reply.body

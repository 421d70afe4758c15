"""What goes wrong with a radio, in plain words with the remedy, and a bound on every step that may hang."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from typing import Any, TypeVar

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
)
from dbus_fast import AuthError, DBusError

from gaugepost.contract import LinkLost

# A connection that ends in the middle of a call is an end of file, or trips the library over what it has just put away.
FAULTS = (BleakError, DBusError, AuthError, OSError, TimeoutError, EOFError, AssertionError, AttributeError)
"""All that a radio, its service or the bus between can raise when it is gone or refuses."""

LET_GO_S = 2.0
"""How long a step that was given up may take to tidy up before it is interrupted in that, too."""

SERVICE_HINT = (
    "install bluez (sudo apt-get install bluez) and start it: sudo systemctl enable --now bluetooth"
)

T = TypeVar("T")


async def bounded(work: Coroutine[Any, Any, T], seconds: float) -> T:
    """Return what `work` returns.

    Whatever it does when it is cancelled (the library waits for answers even then), it is over soon after `seconds`.

    Raises:
        TimeoutError: it takes longer.
        EOFError: it was interrupted from elsewhere.
    """
    task = asyncio.ensure_future(work)
    try:
        await asyncio.wait({task}, timeout=seconds)
    except asyncio.CancelledError:
        await _end(task)
        raise
    if not task.done():
        await _end(task)
        raise TimeoutError(f"nothing within {seconds:g} s")
    if task.cancelled():  # by the library, whose connection ended: nobody cancelled us
        raise EOFError("the connection to the system's Bluetooth service ended")
    return task.result()


async def _end(task: asyncio.Task[Any]) -> None:
    for _ in range(3):
        task.cancel()
        await asyncio.wait({task}, timeout=LET_GO_S)
        if task.done():
            break
    if task.done() and not task.cancelled():
        task.exception()  # looked at, so that nobody is told it was not


def lost(error: BaseException, doing: str) -> LinkLost:
    """Return what `error` while `doing` something means to the person at the bench, and the remedy."""
    finding = f"{doing}: {_words(error)}"
    if isinstance(error, BleakBluetoothNotAvailableError):
        if error.reason is BleakBluetoothNotAvailableReason.POWERED_OFF:
            return LinkLost(
                f"{doing}: the Bluetooth adapter is off", hint="switch it on: bluetoothctl power on"
            )
        if error.reason is BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM:
            return LinkLost(finding, hint="add the service's user to the group bluetooth and start it again")
        return LinkLost(finding, hint="plug in a Bluetooth adapter that knows Bluetooth LE")
    if isinstance(error, FileNotFoundError | ConnectionRefusedError):
        return LinkLost(f"{doing}: this system has no D-Bus, so no Bluetooth", hint=SERVICE_HINT)
    if isinstance(error, BleakDeviceNotFoundError):
        return LinkLost(f"{doing}: it is no longer heard", hint="switch the gauge on, and bring it near")
    name = error.dbus_error if isinstance(error, BleakDBusError) else getattr(error, "type", "")
    if name in ("org.freedesktop.DBus.Error.ServiceUnknown", "org.freedesktop.DBus.Error.NameHasNoOwner"):
        return LinkLost(f"{doing}: the system's Bluetooth service does not run", hint=SERVICE_HINT)
    if name == "org.freedesktop.DBus.Error.AccessDenied":
        return LinkLost(finding, hint="add the service's user to the group bluetooth and start it again")
    if name == "org.bluez.Error.NotReady":
        return LinkLost(f"{doing}: the Bluetooth adapter is off", hint="switch it on: bluetoothctl power on")
    if name in ("org.bluez.Error.NotPermitted", "org.bluez.Error.NotAuthorized"):
        return LinkLost(finding, hint="pair it first (bluetoothctl pair ADDRESS), or correct the settings")
    return LinkLost(finding, hint="switch the gauge on, and bring it near")


def _words(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return text[:200] or type(error).__name__

"""Opens a keyboard for this program alone, and says in plain words why it could not. May block: never on the loop."""

from __future__ import annotations

import contextlib
import fcntl
import select
import struct
import time
from typing import TYPE_CHECKING

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.device_files import Device, lost, the_one
from gaugepost_adapters.links.wedge.keyboards import keyboards
from gaugepost_adapters.links.wedge.settings import Settings

if TYPE_CHECKING:
    import evdev

SETTLE_S = 0.25
"""What comes so soon after the opening may have begun before it: "2.345" of a "12.345" is no frame."""

_EV_KEY = 1
_EVIOCSCLOCKID = 0x400445A0  # _IOW('E', 0xa0, int), linux/input.h; the library has no word for it


def open_keyboard(
    settings: Settings,
) -> tuple[evdev.InputDevice[str], Device, list[evdev.InputEvent]]:
    """Return the keyboard, held exclusively, what it is, and what came too soon after that to be trusted.

    Raises:
        LinkLost: it is not there, may not be opened, or another program holds it; says which, and the remedy.
    """
    import evdev  # only a station that names a keyboard needs the library

    found = the_one("keyboard", keyboards(), settings.usb, settings.port)
    device: evdev.InputDevice[str] | None = None
    try:
        device = evdev.InputDevice(found.path)
        device.grab()
        with contextlib.suppress(OSError):
            # Pauses are taken from the events' times: a clock that is set must not look like one.
            fcntl.ioctl(device.fd, _EVIOCSCLOCKID, struct.pack("i", time.CLOCK_MONOTONIC))
        early = _early(device, found)
    except (OSError, LinkLost) as error:
        if device is not None:
            device.close()
        raise error if isinstance(error, LinkLost) else lost(error, found, "keyboard") from error
    return device, found, early


def _early(device: evdev.InputDevice[str], found: Device) -> list[evdev.InputEvent]:
    """Return what comes until the keyboard has settled, or a key is pressed before it has."""
    early: list[evdev.InputEvent] = []
    deadline = time.monotonic() + SETTLE_S
    while not any(map(is_press, early)) and (rest := deadline - time.monotonic()) > 0:
        ready, _, _ = select.select([device.fd], [], [], rest)
        if not ready:
            break
        events = list(device.read())
        if not events:
            raise no_events(found)
        early += events
    return early


def is_press(event: evdev.InputEvent) -> bool:
    """Tell whether an event is a key that goes down or is down; lights and releases are none."""
    return event.type == _EV_KEY and event.value != 0


def no_events(device: Device) -> LinkLost:
    """Return the fault of a keyboard that is readable for ever and says nothing."""
    return LinkLost(f"keyboard {device.path} ({device.name or device.usb}) is gone", hint="plug it in again")

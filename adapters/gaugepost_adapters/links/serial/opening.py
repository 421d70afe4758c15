"""Finds a serial port, opens and sets it, and says in plain words why it could not. May block: never on the loop."""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import termios
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Protocol

import serial
from serial.tools import list_ports

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.serial.settings import Settings

FAULTS = (OSError, termios.error, ValueError)
"""All that a port that is gone or refuses can raise; the library's own error is an OSError, `termios.error` is not."""

READ_TIMEOUT_S = 0.25
"""How long a thread that reads waits for a byte, so how late it may notice that it shall end."""


class UsbPort(Protocol):
    """What the operating system says about a port that is plugged in."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None


def open_port(settings: Settings) -> tuple[serial.Serial, str]:
    """Return the port, open and set, and where it was found.

    Raises:
        LinkLost: it is not there, may not be opened, is in use, or refuses its settings; says which, and the remedy.
    """
    place = settings.url or settings.device or find_usb(settings.usb or "", list_ports.comports())
    port: serial.Serial | None = None
    try:
        port = serial.serial_for_url(place, do_not_open=True, **_parameters(settings))
        # Before it opens, so that a gauge fed by these lines never sees another level from us.
        if settings.dtr is not None:
            port.dtr = settings.dtr
        if settings.rts is not None:
            port.rts = settings.rts
        port.open()
        if not settings.url:
            _tell_hang_up(port.fileno())
    except FAULTS as error:
        if port is not None:
            close_port(port)
        raise lost(error, place) from error
    return port, place


def _parameters(settings: Settings) -> dict[str, Any]:
    parameters: dict[str, Any] = {
        "baudrate": settings.baud,
        "bytesize": settings.bits,
        "parity": settings.parity[0].upper(),
        "stopbits": settings.stop_bits,
        "rtscts": settings.flow == "rts-cts",
        "xonxoff": settings.flow == "xon-xoff",
        "dsrdtr": settings.flow == "dsr-dtr",
        "timeout": READ_TIMEOUT_S,
    }
    if not settings.url:
        parameters["exclusive"] = True
    return parameters


def _tell_hang_up(descriptor: int) -> None:
    """Make a read of nothing mean that the port is gone."""
    attributes = termios.tcgetattr(descriptor)
    # With VMIN = 0 a read finds "nothing yet" and "hung up" alike: 0 bytes. With 1 the former is EAGAIN.
    attributes[6][termios.VMIN] = 1
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


def close_port(port: serial.Serial) -> None:
    """Let the port go. What was not sent yet is dropped: waiting for a gauge that takes nothing would take minutes."""
    if not port.is_open:
        return
    # The library's port server client waits for a far side that has hung up, and then forgets its socket unclosed.
    wire = getattr(port, "_socket", None)
    if wire is None:
        with contextlib.suppress(*FAULTS):
            port.reset_output_buffer()
    with contextlib.suppress(*FAULTS):
        port.close()
    if wire is not None:
        wire.close()


def find_usb(usb: str, ports: Iterable[UsbPort]) -> str:
    """Return the device of the one port that is "vendor:product" or "vendor:product:serial".

    Raises:
        LinkLost: none is plugged in, or several are and no serial number tells them apart.
    """
    vendor, product, *rest = usb.split(":", 2)
    wanted = (int(vendor, 16), int(product, 16))
    plugged = sorted((port for port in ports if port.vid is not None), key=lambda port: port.device)
    alike = [port for port in plugged if (port.vid, port.pid) == wanted]
    found = [port for port in alike if not rest or port.serial_number == rest[0]]
    if len(found) == 1:
        return found[0].device
    if found:
        raise LinkLost(
            f"{len(found)} adapters {usb} are plugged in",
            hint=f"name one by its serial number: {'; '.join(map(_named, found))}",
        )
    there = "; ".join(map(_named, plugged)) or "no USB serial adapter"
    raise LinkLost(
        f"no adapter {usb} is plugged in", hint=f"plug it in, or correct usb; plugged in now: {there}"
    )


def _named(port: UsbPort) -> str:
    number = f":{port.serial_number}" if port.serial_number else " (no serial number)"
    return f'"{port.vid or 0:04x}:{port.pid or 0:04x}{number}" at {port.device}'


def lost(error: BaseException, place: str) -> LinkLost:
    """Return what `error` at the port `place` means to the person at the bench, and the remedy."""
    number = _number(error) or _number(error.__context__)
    if "://" in place:
        return LinkLost(
            f"{place}: {error}", hint="see that the far side runs and can be reached, or correct url"
        )
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return LinkLost(f"{place} is not there", hint="plug it in, or correct device")
    if number in (errno.EACCES, errno.EPERM):
        return LinkLost(f"{place} may not be opened by this user", hint=_permission(place))
    if number in (errno.EBUSY, errno.EAGAIN):
        return LinkLost(
            f"{place} is in use by {_holder(place)}", hint="close that program; a port has one reader"
        )
    if number in (errno.EINVAL, errno.ENOTTY) or isinstance(error, ValueError):
        return LinkLost(
            f"{place} does not take its settings ({error})",
            hint="correct baud, bits, parity, stop_bits or flow, or name a serial port",
        )
    return LinkLost(f"{place} went away ({error})", hint="plug it in again")


def _number(error: BaseException | None) -> int | None:
    """The system's number of the error: the library's own errors may only have it in what they came from."""
    if error is None:
        return None
    number = getattr(error, "errno", None)
    return (
        number if number is not None else next((part for part in error.args if isinstance(part, int)), None)
    )


def _permission(place: str) -> str:
    rule = 'or add a device rule with MODE="0660" and a group the service is in'
    with contextlib.suppress(OSError, KeyError):
        group = grp.getgrgid(Path(place).stat().st_gid).gr_name
        if group != "root":
            return f"add the service's user to the group {group!r} and start it again, {rule}"
    return rule.removeprefix("or ")


def _holder(place: str) -> str:
    """Name the programs that have the port open, as far as this user may see."""
    names, own = set(), str(os.getpid())
    target = Path(place).resolve()
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            if process.name != own and any(target == held.readlink() for held in process.glob("fd/*")):
                names.add(f"{(process / 'comm').read_text().strip()} (process {process.name})")
    return " and ".join(sorted(names)) or "another program"

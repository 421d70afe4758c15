"""Finds a serial port, opens and sets it, and says in plain words why it could not. May block: never on the loop."""

from __future__ import annotations

import contextlib
import errno
import grp
import socket
import termios
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from gaugepost.contract import LinkLost
from gaugepost_adapters.links.device_files import holders_of
from gaugepost_adapters.links.serial.settings import Settings
from gaugepost_adapters.links.serial.usb import find_usb

FAULTS = (OSError, termios.error, ValueError)
"""All that a port that is gone or refuses can raise; the library's own error is an OSError, `termios.error` is not."""

READ_TIMEOUT_S = 0.25
"""How long a thread that reads waits for a byte, so how late it may notice that it shall end."""

QUIET_S, PROBE_EVERY_S, PROBES = 10, 5, 3
"""A peer that says nothing for `QUIET_S` is asked whether it is still there, `PROBES` times before it is lost."""
GONE_S = QUIET_S + PROBE_EVERY_S * PROBES
"""How long a peer that lost its power or its cable may go unnoticed."""


def open_port(settings: Settings) -> tuple[serial.Serial, str]:
    """Return the port, open and set, and where it was found.

    Raises:
        LinkLost: it is not there, may not be opened, is in use, or refuses its settings; says which, and the remedy.
    """
    place = settings.url or settings.device
    if place is None:
        place = find_usb(settings.usb or "", settings.usb_port, list_ports.comports())
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
            _set_terminal(port.fileno(), keep_lines=settings.dtr is not None or settings.rts is not None)
        elif (wire := getattr(port, "_socket", None)) is not None:
            _notice_silent_end(wire)
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


def _set_terminal(descriptor: int, *, keep_lines: bool) -> None:
    """Make a read of nothing mean that the port is gone; `keep_lines` leaves the lines' levels when it is closed."""
    attributes = termios.tcgetattr(descriptor)
    # A byte that came with a parity or framing error is read as NUL (termios(3)), which no text has: what it stands in
    # is a bad frame. The library takes such bytes as they are, and a digit with one bit turned is another digit.
    attributes[0] |= termios.INPCK
    attributes[0] &= ~(termios.IGNPAR | termios.PARMRK)
    # With VMIN = 0 a read finds "nothing yet" and "hung up" alike: 0 bytes. With 1 the former is EAGAIN.
    attributes[6][termios.VMIN] = 1
    if keep_lines:
        # A gauge that lives on these lines keeps its power, and so its preset, while the service starts again.
        attributes[2] &= ~termios.HUPCL
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)


def _notice_silent_end(wire: socket.socket) -> None:
    """Have the kernel end a connection whose peer is gone without a word: without power, or behind a pulled cable."""
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (
        (socket.TCP_KEEPIDLE, QUIET_S),
        (socket.TCP_KEEPINTVL, PROBE_EVERY_S),
        (socket.TCP_KEEPCNT, PROBES),
        # What was sent and is not acknowledged holds the probes back: it has a patience of its own.
        (socket.TCP_USER_TIMEOUT, GONE_S * 1000),
    ):
        wire.setsockopt(socket.IPPROTO_TCP, option, value)


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
        holders = " and ".join(holders_of([place])[place]) or "another program"  # as far as this user may see
        return LinkLost(f"{place} is in use by {holders}", hint="close that program; a port has one reader")
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
            command = f"sudo usermod -a -G {group} USER"
            return f"add the service's user to the group {group!r} ({command}) and start it again, {rule}"
    return rule.removeprefix("or ")

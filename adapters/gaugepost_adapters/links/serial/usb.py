"""Finds a USB adapter by what it is, and two that are alike by their sockets: never by the number it was given."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from gaugepost.contract import LinkLost


class UsbPort(Protocol):
    """What the operating system says about a port that is plugged in."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None
    location: str | None
    """The socket it is plugged into, hubs on the way included; with several ports on one adapter, which of them."""


def find_usb(usb: str, usb_port: str | None, ports: Iterable[UsbPort]) -> str:
    """Return the device of the one port that is `usb` ("vendor:product" or "vendor:product:serial") at `usb_port`.

    Raises:
        LinkLost: none is plugged in (there), or several are and what is said does not tell them apart.
    """
    vendor, product, *rest = usb.split(":", 2)
    wanted = (int(vendor, 16), int(product, 16))
    plugged = sorted((port for port in ports if port.vid is not None), key=lambda port: port.device)
    alike = [port for port in plugged if (port.vid, port.pid) == wanted]
    right = [port for port in alike if not rest or port.serial_number == rest[0]]
    found = [port for port in right if usb_port in (None, port.location)]
    if len(found) == 1:
        return found[0].device
    if found:
        raise LinkLost(f"{len(found)} adapters {usb} are plugged in", hint=_telling_apart(found))
    if right:
        raise LinkLost(
            f"no adapter {usb} is plugged in at usb_port {usb_port!r}",
            hint=f"plug it in there, or correct usb_port; plugged in now: {_listed(right)}",
        )
    there = _listed(plugged) or "no USB serial adapter"
    raise LinkLost(
        f"no adapter {usb} is plugged in", hint=f"plug it in, or correct usb; plugged in now: {there}"
    )


def _telling_apart(alike: list[UsbPort]) -> str:
    """Say what to write so that one of them is meant: its serial number, or its place where that does not tell."""
    numbers = [port.serial_number for port in alike]
    if all(numbers) and len(set(numbers)) == len(numbers):
        return f"name one by its serial number: {_listed(alike)}"
    return (
        f"their serial numbers do not tell them apart: say which socket, as usb_port = ...: {_listed(alike)}"
    )


def _listed(ports: list[UsbPort]) -> str:
    return "; ".join(map(_named, ports))


def _named(port: UsbPort) -> str:
    number = f":{port.serial_number}" if port.serial_number else " (no serial number)"
    place = f', usb_port = "{port.location}"' if port.location else ""
    return f'"{port.vid or 0:04x}:{port.pid or 0:04x}{number}" at {port.device}{place}'

"""Device files and who may open them: how a device is named for good, what stands in the way, and the exact remedy."""

from __future__ import annotations

import contextlib
import errno
import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from pydantic import field_validator, model_validator

from gaugepost.contract import AdapterSettings, LinkLost

SYS, DEV = Path("/sys"), Path("/dev")
GROUP = "gaugepost"
"""Group of the service, as the device rules have it."""
RULES = "/etc/udev/rules.d/70-gaugepost.rules"

_USB = re.compile(r"[0-9A-Fa-f]{4}:[0-9A-Fa-f]{4}(?::.+)?")
GONE = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})


@dataclass(frozen=True, slots=True)
class Device:
    """A device of the input or HID kind, as the kernel describes it without its being opened."""

    path: str
    subsystem: str
    """input or hidraw."""
    vendor: int
    product: int
    number: str
    """Serial number; empty where it has none."""
    port: str
    """Where it is plugged in, with its interface: "usb-0000:00:14.0-2/input0"."""
    name: str

    @property
    def usb(self) -> str:
        """Its name as settings write it."""
        return f"{self.vendor:04x}:{self.product:04x}" + (f":{self.number}" if self.number else "")


class DeviceSettings(AdapterSettings):
    """Which device is meant: one of `usb` and `port` says so."""

    usb: str | None = None
    """Device by "vendor:product" or "vendor:product:serial", the first two as four hexadecimal digits each."""
    port: str | None = None
    """Device by where it is plugged in, as "usb-0000:00:14.0-2", with "/input1" where it has several interfaces: for
    those without a serial number."""

    @field_validator("usb")
    @classmethod
    def _usb_is_numbers(cls, usb: str | None) -> str | None:
        if usb is not None and not _USB.fullmatch(usb):
            raise ValueError(f'{usb!r} is not a device; write "vendor:product:serial", as "1a2b:0c0d:B0042"')
        return usb

    @field_validator("port")
    @classmethod
    def _port_is_a_place(cls, port: str | None) -> str | None:
        if port is not None and (not port or port.startswith("/")):
            raise ValueError(
                f"{port!r} is not where a device is plugged in; write it as `gaugepost devices` does: "
                '"usb-0000:00:14.0-2"'
            )
        return port

    @model_validator(mode="after")
    def _one_says_which(self) -> Self:
        if (self.usb is None) == (self.port is None):
            raise ValueError('exactly one of usb and port says which device; write usb = "1a2b:0c0d:B0042"')
        return self


def is_meant(device: Device, usb: str | None, port: str | None) -> bool:
    """Tell whether settings mean this device."""
    if usb is not None:
        vendor, product, *number = usb.split(":", 2)
        wanted = (int(vendor, 16), int(product, 16))
        return (device.vendor, device.product) == wanted and (not number or device.number == number[0])
    return port is not None and (device.port == port or device.port.startswith(f"{port}/"))


def the_one(what: str, devices: Sequence[Device], usb: str | None, port: str | None) -> Device:
    """Return the one device that settings mean; `what` is it in words ("keyboard").

    Raises:
        LinkLost: none is plugged in, or several are; says which there are.
    """
    meant = [device for device in devices if is_meant(device, usb, port)]
    if len(meant) == 1:
        return meant[0]
    wanted = usb or port
    if meant:
        raise LinkLost(
            f"{len(meant)} {what}s are {wanted}",
            hint=f"name one by its serial number or its whole port: {'; '.join(map(_named, meant))}",
        )
    there = "; ".join(map(_named, devices)) or f"no {what} at all"
    key = "usb" if usb is not None else "port"
    raise LinkLost(
        f"no {what} {wanted} is plugged in", hint=f"plug it in, or correct {key}; plugged in now: {there}"
    )


def _named(device: Device) -> str:
    return f'usb = "{device.usb}", port = "{device.port}" ({device.name or "no name"})'


def settings_of(device: Device, others: Iterable[Device]) -> dict[str, str]:
    """Return the settings that find `device` again among `others`: by serial number where that is certain."""
    alike = [other for other in others if is_meant(other, device.usb, None)]
    return {"usb": device.usb} if device.number and len(alike) == 1 else {"port": device.port}


def lost(error: OSError, device: Device, what: str) -> LinkLost:
    """Return what `error` at a device means to the person at the bench, and the remedy."""
    place = f"{what} {device.path} ({device.name or device.usb})"
    if error.errno in (errno.EACCES, errno.EPERM):
        return LinkLost(f"{place} may not be opened by this user", hint=remedy(device))
    if error.errno == errno.EBUSY:
        # Some only look on: a desktop has every keyboard open, and who of them holds it is not told.
        holders = ", ".join(holders_of([device.path])[device.path]) or "a program that this user may not see"
        return LinkLost(
            f"{place} is held by another program", hint=f"close that program; open now in {holders}"
        )
    if error.errno in GONE:
        return LinkLost(f"{place} is not there", hint="plug it in again")
    return LinkLost(f"{place} went away ({error.strerror})", hint="plug it in again")


def rule(device: Device) -> str:
    """Return the device rule (udev) that lets the service open this one and no other."""
    parent = (
        f'ATTRS{{id/vendor}}=="{device.vendor:04x}", ATTRS{{id/product}}=="{device.product:04x}"'
        if device.subsystem == "input"
        else f'KERNELS=="*:{device.vendor:04X}:{device.product:04X}.*"'
    )
    return f'SUBSYSTEM=="{device.subsystem}", {parent}, GROUP="{GROUP}", MODE="0660"'


def remedy(device: Device) -> str:
    """Return what to do about a permission that is missing."""
    return (
        f"put this line into {RULES}: {rule(device)} and then: udevadm control --reload; udevadm trigger; the "
        f"service's user must be in the group {GROUP}"
    )


def refusal(path: str) -> str:
    """Return why this user may not open `path` for reading and writing; empty where it may."""
    if not Path(path).exists():
        return f"{path} is not there"
    return "" if os.access(path, os.R_OK | os.W_OK) else f"{path} may not be opened by this user"


def holders_of(paths: Iterable[str]) -> dict[str, tuple[str, ...]]:
    """Return the programs that have each path open, without this one, as far as this user may see."""
    targets = {path: str(Path(path).resolve()) for path in paths}
    held: dict[str, set[str]] = {target: set() for target in targets.values()}
    for process in Path("/proc").glob("[0-9]*"):
        if process.name == str(os.getpid()):
            continue
        links: list[Path] = []
        with contextlib.suppress(OSError):
            links = list((process / "fd").iterdir())
        for link in links:
            with contextlib.suppress(OSError):  # it was closed meanwhile
                target = str(link.readlink())
                # In a container of its own another file may have the same name.
                if target in held and link.samefile(target):
                    held[target].add(f"{(process / 'comm').read_text().strip()} (process {process.name})")
    return {path: tuple(sorted(held[target])) for path, target in targets.items()}


def text_of(path: Path) -> str:
    """Return what a file below /sys says; empty where it is not there."""
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""

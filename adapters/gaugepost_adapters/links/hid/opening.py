"""HID devices that are plugged in, listed without opening one, and opening the one that is meant. May block."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from gaugepost.contract import LinkLost
from gaugepost.contract.present import Present
from gaugepost_adapters.decoders.hid.descriptor import Descriptor, DescriptorBroken
from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.device_files import Device, lost, text_of, the_one
from gaugepost_adapters.links.hid.settings import Settings


def devices() -> list[Device]:
    """Return every HID device that the kernel lets programs read reports of, by its path."""
    found = []
    for entry in (device_files.SYS / "class" / "hidraw").glob("hidraw*"):
        said = dict(
            line.split("=", 1) for line in text_of(entry / "device" / "uevent").splitlines() if "=" in line
        )
        _, vendor, product = (said.get("HID_ID") or "0:0:0").split(":")
        found.append(
            Device(
                path=str(device_files.DEV / entry.name),
                subsystem="hidraw",
                vendor=int(vendor, 16),
                product=int(product, 16),
                number=said.get("HID_UNIQ", ""),
                port=said.get("HID_PHYS", ""),
                name=said.get("HID_NAME", ""),
            )
        )
    return sorted(found, key=lambda device: (len(device.path), device.path))


def descriptor_of(device: Device) -> bytes:
    """Return a device's report descriptor; empty where the kernel does not tell."""
    entry = device_files.SYS / "class" / "hidraw" / Path(device.path).name
    try:
        return (entry / "device" / "report_descriptor").read_bytes()
    except OSError:
        return b""


def open_device(settings: Settings) -> tuple[int, Device]:
    """Return the descriptor of the open device and what it is.

    Raises:
        LinkLost: it is not there, may not be opened, or describes its reports otherwise than the settings say.
    """
    found = the_one("HID device", devices(), settings.usb, settings.port)
    digest = hashlib.sha256(descriptor_of(found)).hexdigest()
    if settings.descriptor not in (None, digest):
        raise LinkLost(
            f"HID device {found.path} ({found.name or found.usb}) describes its reports otherwise than before",
            hint="look with `gaugepost devices`, and correct descriptor here and in the decoder's table",
        )
    try:
        return open_file(found.path), found
    except OSError as error:
        raise lost(error, found, "HID device") from error


def open_file(path: str) -> int:
    """Open a device file for reading and writing without waiting."""
    return os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)


def present() -> list[Present]:
    """Return every HID device there is, with what it says that its reports hold."""
    found = devices()
    holders = device_files.holders_of(device.path for device in found)
    listed = []
    for device in found:
        raw = descriptor_of(device)
        refused = device_files.refusal(device.path)
        listed.append(
            Present(
                name=device.name,
                place=device.path,
                settings={
                    **device_files.settings_of(device, found),
                    "descriptor": hashlib.sha256(raw).hexdigest(),
                },
                decoder={"kind": "hid_usage", "descriptor": raw.hex()} if raw else {},
                refused=refused,
                remedy=device_files.remedy(device) if refused else "",
                holders=holders[device.path],
                notes=_notes(raw),
            )
        )
    return listed


def _notes(raw: bytes) -> tuple[str, ...]:
    try:
        fields = Descriptor.parse(raw).values()
    except DescriptorBroken as broken:
        return (f"its report descriptor can't be read: {broken.finding}",)
    return tuple(f"usage {field.described()}" for field in fields)

"""Serial ports that are plugged in, each with the settings that find it again; nothing is opened."""

from __future__ import annotations

import contextlib
import grp
import os
from collections.abc import Sequence
from pathlib import Path

from serial.tools import list_ports

from gaugepost.contract.present import Present
from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.serial.usb import UsbPort


def present() -> list[Present]:
    """Return every serial port of this computer, those that are part of it last."""
    ports = sorted(list_ports.comports(), key=lambda port: (port.vid is None, port.device))
    holders = device_files.holders_of(port.device for port in ports)
    return [
        Present(
            name=port.product or (port.description if port.description != "n/a" else "") or "",
            place=port.device,
            settings=_settings(port, ports),
            refused=(refused := device_files.refusal(port.device)),
            remedy=_remedy(port.device) if refused else "",
            holders=holders[port.device],
            notes=()
            if port.vid is not None
            else ("a port of the computer itself; it has one whether or not used",),
        )
        for port in ports
    ]


def _settings(port: UsbPort, ports: Sequence[UsbPort]) -> dict[str, str]:
    if port.vid is None:
        return {"device": port.device}
    usb = f"{port.vid:04x}:{port.pid or 0:04x}" + (f":{port.serial_number}" if port.serial_number else "")
    alike = [
        other
        for other in ports
        if (other.vid, other.pid, other.serial_number) == (port.vid, port.pid, port.serial_number)
    ]
    if len(alike) > 1 or not port.serial_number:
        return {"usb": usb, **({"usb_port": port.location} if port.location else {})}
    return {"usb": usb}


def _remedy(device: str) -> str:
    with contextlib.suppress(OSError, KeyError):
        status = Path(device).stat()
        group = grp.getgrgid(status.st_gid).gr_name
        if group != "root" and status.st_mode & 0o060 == 0o060:
            user = f"uid {os.geteuid()}"
            return (
                f"add the service's user to the group {group}: usermod -a -G {group} USER (now it is {user})"
            )
    return (
        f'put this line into {device_files.RULES}: KERNEL=="{Path(device).name}", SUBSYSTEM=="tty", '
        f'GROUP="{device_files.GROUP}", MODE="0660" and then: udevadm control --reload; udevadm trigger'
    )

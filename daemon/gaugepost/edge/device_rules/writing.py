"""The rule for a device that has none: by what it is and its serial number, or by where it is plugged in."""

from __future__ import annotations

import re
from collections.abc import Sequence

from gaugepost.edge.device_rules.machine import Device

GROUP = "gaugepost"
"""Group of the service, as deploy/device-rules has it."""


def line_for(device: Device, others: Sequence[Device]) -> str:
    """Return a rule that gives `device` and none of `others` to the service's group, with a lasting name."""
    asked, name = _asked(device)
    if any(_asked(other)[0] == asked for other in others if other != device):
        asked, name = _by_place(device)
    conditions = ", ".join(
        [f'SUBSYSTEM=="{device.subsystem}"', *(f'{key}=="{value}"' for key, value in asked)]
    )
    return f'{conditions}, SYMLINK+="gaugepost/{name}", GROUP="{GROUP}", MODE="0660"'


def _asked(device: Device) -> tuple[list[tuple[str, str]], str]:
    """Return conditions that find the device by what it says of itself, by its place where it has no number; a name."""
    for each in device.chain():
        for keys in (("idVendor", "idProduct", "serial"), ("id/vendor", "id/product", "uniq")):
            said = [each.attribute(key) or "" for key in keys]
            if all(said) and not re.search(r'["*?\[|\\]', "".join(said)):
                name = each.attribute("product") or each.attribute("name") or "gauge"
                conditions = [(f"ATTRS{{{key}}}", value) for key, value in zip(keys, said, strict=True)]
                return [*_kept_apart(device), *conditions], _name(f"{name}-{said[-1]}")
    return _by_place(device)


def _kept_apart(device: Device) -> list[tuple[str, str]]:
    """Return what keeps a gauge that types apart from the mouse beside it: only event files are opened."""
    return [("KERNEL", "event*")] if device.subsystem == "input" else []


def _by_place(device: Device) -> tuple[list[tuple[str, str]], str]:
    above = [each for each in device.chain()[1:] if each.subsystem == "usb"]
    place = above[0].kernel if above else device.chain()[-1].kernel
    return [*_kept_apart(device), ("KERNELS", place)], _name(f"{device.subsystem}-{place}")


def _name(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")

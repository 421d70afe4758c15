"""Keyboards that are plugged in, as the kernel lists them; nothing is opened, so no permission is needed."""

from __future__ import annotations

from gaugepost.contract.present import Present
from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.device_files import Device, text_of

_DIGITS_AND_ENTER = (*range(2, 12), 28)
_WARNING = (
    "a keyboard that a station file names types for the station only: never name one that people type on"
)
_PAD_AND_ENTER = (71, 72, 73, 75, 76, 77, 79, 80, 81, 82, 96)


def keyboards() -> list[Device]:
    """Return every input device that can type digits and Enter, by its path."""
    found = []
    for entry in (device_files.SYS / "class" / "input").glob("event*"):
        at = entry / "device"
        keys = _bits(text_of(at / "capabilities" / "key"))
        if not any(all(keys >> code & 1 for code in codes) for codes in (_DIGITS_AND_ENTER, _PAD_AND_ENTER)):
            continue
        found.append(
            Device(
                path=str(device_files.DEV / "input" / entry.name),
                subsystem="input",
                vendor=int(text_of(at / "id" / "vendor") or "0", 16),
                product=int(text_of(at / "id" / "product") or "0", 16),
                number=text_of(at / "uniq"),
                port=text_of(at / "phys"),
                name=text_of(at / "name"),
            )
        )
    return sorted(found, key=lambda device: (len(device.path), device.path))


def _bits(words: str) -> int:
    """Return a bitmap as the kernel prints it: words of 64 bits, the highest first."""
    number = 0
    for word in words.split():
        number = number << 64 | int(word, 16)
    return number


def present() -> list[Present]:
    """Return every keyboard there is; the office keyboard among them, which no station file should name."""
    devices = keyboards()
    holders = device_files.holders_of(device.path for device in devices)
    return [
        Present(
            name=device.name,
            place=device.path,
            settings=device_files.settings_of(device, devices),
            refused=(refused := device_files.refusal(device.path)),
            remedy=device_files.remedy(device) if refused else "",
            holders=holders[device.path],
            notes=(_WARNING,),
        )
        for device in devices
    ]

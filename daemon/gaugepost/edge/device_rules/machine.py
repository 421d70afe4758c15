"""The devices of this computer that a gauge can be behind, as the kernel has them below /sys; none is opened."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

SYS = Path("/sys")
CLASSES = ("tty", "hidraw", "input")
"""Serial ports, devices with HID reports, and those that type."""


@dataclass(frozen=True, slots=True)
class Device:
    """A device, or one that it hangs on."""

    folder: Path
    subsystem: str
    """Empty where it belongs to none."""

    @property
    def kernel(self) -> str:
        """The kernel's name for it, as ttyUSB0."""
        return self.folder.name

    def attribute(self, name: str) -> str | None:
        """Return what its file `name` says, without blanks at the end; None where it has none."""
        file = self.folder / name
        if ".." in Path(name).parts:
            return None
        try:
            return file.read_text(errors="replace").rstrip()
        except OSError:
            return None

    def properties(self) -> dict[str, str]:
        """Return what the kernel tells udev of it: DEVNAME, and others by subsystem."""
        lines = (self.attribute("uevent") or "").splitlines()
        told = {"SUBSYSTEM": self.subsystem, **dict(line.split("=", 1) for line in lines if "=" in line)}
        if "DEVNAME" in told:
            told["DEVNAME"] = f"/dev/{told['DEVNAME'].removeprefix('/dev/')}"
        return told

    @property
    def node(self) -> str:
        """Its file below /dev."""
        return self.properties().get("DEVNAME", f"/dev/{self.kernel}")

    def chain(self) -> tuple[Device, ...]:
        """Return it and all that it hangs on, the nearest first."""
        above = [folder for folder in self.folder.parents if (folder / "uevent").is_file()]
        return (self, *map(_device, above))


def devices() -> Iterator[Device]:
    """Yield every serial port, HID device and input device of this computer that is plugged in, by its name."""
    for subsystem in CLASSES:
        for entry in sorted((SYS / "class" / subsystem).glob("*")):
            found = _device(entry.resolve())
            if (subsystem != "input" or found.kernel.startswith("event")) and _is_plugged_in(found):
                yield found


def _is_plugged_in(device: Device) -> bool:
    """Whether it hangs on something: terminals of the kernel's own, and ports that nothing is behind, do not."""
    if not (device.folder / "uevent").is_file():
        return False
    above = [each for each in device.chain()[1:] if each.subsystem]
    return bool(above) and not all(each.subsystem in ("platform", "serial-base", "pnp") for each in above)


def _device(folder: Path) -> Device:
    try:
        subsystem = (folder / "subsystem").readlink().name
    except OSError:
        subsystem = ""
    return Device(folder, subsystem)

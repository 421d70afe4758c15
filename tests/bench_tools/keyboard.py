"""A gauge that types, in this process: a raw pty carries real input events; only the library's ioctls are played."""

from __future__ import annotations

import asyncio
import errno
import importlib
import os
import struct
import tty
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from evdev import ecodes

from gaugepost_adapters.links import device_files
from gaugepost_adapters.links.wedge.layouts import LAYOUTS, SPACE, TAB, Layout
from tests.bench_tools.far_sides import Hands

_input: Any = importlib.import_module("evdev._input")

EVENT = struct.Struct("llHHi")
"""struct input_event of a 64-bit Linux (linux/input.h)."""

SHIFT, ENTER = ecodes.KEY_LEFTSHIFT, ecodes.KEY_ENTER
KEYS = {*range(1, 128)}
READ: Counter[str] = Counter()
"""Events that were read, by the pty's path: a pty that is full gives an event in halves, which no kernel does."""
MOST_UNREAD = 100
LINE = 1000
"""Characters that are typed before an Enter, where a text has none of its own."""


class Machine:
    """A /sys and a /dev below `folder`, into which keyboards are plugged."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.sys, self.dev = folder / "sys", folder / "dev"
        for path in (self.sys / "class" / "input", self.sys / "class" / "hidraw", self.dev / "input"):
            path.mkdir(parents=True, exist_ok=True)
        self._holders: dict[str, int] = {}
        self.held_keys: list[int] = []
        self.grabs_refused_with: int | None = None
        patch.setattr(device_files, "SYS", self.sys)
        patch.setattr(device_files, "DEV", self.dev)
        patch.setattr(_input, "ioctl_devinfo", lambda fd: (3, 0x1A2B, 0x0C0D, 1, "gauge", "usb-1/input0", ""))
        patch.setattr(_input, "ioctl_EVIOCGVERSION", lambda fd: 0x010001)
        patch.setattr(_input, "ioctl_capabilities", lambda fd: {ecodes.EV_KEY: sorted(KEYS)})
        patch.setattr(_input, "ioctl_EVIOCGEFFECTS", lambda fd: 0)
        patch.setattr(_input, "ioctl_EVIOCG_bits", lambda fd, kind: list(self.held_keys))
        patch.setattr(_input, "ioctl_EVIOCGRAB", self._grab)
        real = _input.device_read_many

        def counted(descriptor: int) -> tuple[object, ...]:
            events: tuple[object, ...] = real(descriptor)
            if os.isatty(descriptor):
                READ[os.ttyname(descriptor)] += len(events)
            return events

        patch.setattr(_input, "device_read_many", counted)

    def _grab(self, descriptor: int, wanted: int) -> None:
        path = os.ttyname(descriptor)
        holder = self._holders.get(path)
        if wanted and holder is not None and holder != descriptor and _is(holder, path):
            raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
        self._holders[path] = descriptor

    def plug(
        self,
        event: str,
        path: str,
        *,
        usb: str = "1a2b:0c0d:B7",
        port: str = "usb-0000:00:14.0-2/input0",
        name: str = "Bench Gauge",
        keys: Iterable[int] = KEYS,
    ) -> Path:
        """List a keyboard as the kernel does, its device file at `path`; return that file's name below /dev."""
        at = self.sys / "class" / "input" / event / "device"
        (at / "id").mkdir(parents=True)
        (at / "capabilities").mkdir()
        vendor, product, *number = usb.split(":")
        bits = sum(1 << key for key in keys)
        words = []
        while bits:
            words.append(f"{bits & (1 << 64) - 1:x}")
            bits >>= 64
        for file, text in {
            "name": name,
            "phys": port,
            "uniq": "".join(number),
            "id/vendor": vendor,
            "id/product": product,
            "capabilities/key": " ".join(reversed(words)) or "0",
        }.items():
            (at / file).write_text(text + "\n")
        place = self.dev / "input" / event
        place.symlink_to(path)
        return place

    def unplug(self, event: str) -> None:
        """List it no longer."""
        at = self.sys / "class" / "input" / event
        for file in sorted(at.rglob("*"), reverse=True):
            file.rmdir() if file.is_dir() else file.unlink()
        at.rmdir()
        (self.dev / "input" / event).unlink()


def _is(descriptor: int, path: str) -> bool:
    try:
        return os.ttyname(descriptor) == path
    except OSError:
        return False


class Keyboard(Hands):
    """The gauge's end: types texts, as input events, towards whoever opens `path`."""

    def __init__(self, *, layout: Layout = LAYOUTS["us"]) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave: int | None = slave
        self._master: int | None = master
        self._at_us = 1_000_000
        self._written = READ[self.path] = 0
        self._strokes = strokes(layout)
        super().__init__(master)

    def events(self, *events: tuple[int, int, int], after_us: int = 2_000) -> bytes:
        """Return events (type, code, value), each in a report of its own, `after_us` after each other."""
        data = b""
        for kind, code, value in events:
            self._at_us += after_us
            second, micro = divmod(self._at_us, 1_000_000)
            data += EVENT.pack(second, micro, kind, code, value)
            if kind != ecodes.EV_SYN:
                data += EVENT.pack(second, micro, ecodes.EV_SYN, ecodes.SYN_REPORT, 0)
        return data

    def keys(self, *strokes: tuple[int, int], after_us: int = 2_000) -> bytes:
        """Return key events (code, value)."""
        return self.events(*((ecodes.EV_KEY, code, value) for code, value in strokes), after_us=after_us)

    def typing(self, text: str, *, end: int | None = ENTER, after_us: int = 2_000) -> bytes:
        """Return the events of typing `text`, and the key `end` after it."""
        pressed = [stroke for character in text for stroke in self._strokes[character]]
        if end is not None:
            pressed += [(end, 1), (end, 0)]
        return self.keys(*pressed, after_us=after_us)

    async def say(self, data: bytes) -> None:
        """Type `data`, with an Enter every `LINE` characters and at the end."""
        for at in range(0, len(data), LINE):
            await self.raw(self.typing(data[at : at + LINE].decode("latin-1")))

    async def raw(self, data: bytes) -> None:
        """Send events as they are."""
        piece = 48 * EVENT.size
        for at in range(0, len(data), piece):
            while self._written - READ[self.path] > MOST_UNREAD:  # noqa: ASYNC110
                await asyncio.sleep(0.001)  # no event tells when a pty was read
            part = data[at : at + piece]
            self._written += len(part) // EVENT.size
            await super().say(part)

    async def leave(self) -> None:
        """Unplug."""
        self.unplug()

    def unplug(self) -> None:
        """Close the gauge's end."""
        if self._master is not None:
            os.close(self._master)
            self._master = None

    def close(self) -> None:
        """Unplug and let go of the pty."""
        self.unplug()
        if self._slave is not None:
            os.close(self._slave)
            self._slave = None


def strokes(layout: Layout) -> dict[str, list[tuple[int, int]]]:
    """Return how each character of a layout is typed, as (code, value) of its keys."""
    found: dict[str, list[tuple[int, int]]] = {" ": [(SPACE, 1), (SPACE, 0)], "\t": [(TAB, 1), (TAB, 0)]}
    levels = ((layout.alt_gr, ecodes.KEY_RIGHTALT), (layout.shift, SHIFT), (layout.plain, None))
    for keys, modifier in levels:
        for code, character in keys.items():
            stroke = [(code, 1), (code, 0)]
            if modifier is not None:
                stroke = [(modifier, 1), *stroke, (modifier, 0)]
            found[character] = stroke
    return found


def alphabet(layout: Layout = LAYOUTS["us"]) -> bytes:
    """Return every character that can be typed with a layout."""
    return "".join(sorted(strokes(layout))).encode("latin-1")

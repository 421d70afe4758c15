"""A gauge that types: its keys, for the station alone, as frames of text."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterable
from typing import TYPE_CHECKING, ClassVar

from gaugepost.contract import AdapterSettings, Chunk, LinkLost, Moment
from gaugepost_adapters.links.descriptors import Watched
from gaugepost_adapters.links.device_files import Device, lost
from gaugepost_adapters.links.inbox import in_thread
from gaugepost_adapters.links.wedge import keyboards
from gaugepost_adapters.links.wedge.opening import is_press, no_events, open_keyboard
from gaugepost_adapters.links.wedge.settings import Settings
from gaugepost_adapters.links.wedge.typist import Typed, Typist

if TYPE_CHECKING:
    import evdev

_OPEN_S = 15.0
"""A driver that takes longer to open counts as not there."""


class KeyboardWedgeLink:
    """One keyboard, held exclusively: no key of it reaches the desktop while the link is open.

    A frame is a chunk of text (ISO 8859-1) without the key that ended it; an ending with no text before it is nothing.
    """

    Settings: ClassVar[type[AdapterSettings]] = Settings
    present = staticmethod(keyboards.present)

    def __init__(self, settings: AdapterSettings, now: Callable[[], Moment]) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._now = now
        self._keys: _Keys | None = None
        self._found = ""

    async def open(self) -> None:
        """Open and grab the keyboard. Raises `LinkLost` where that can't be, with the remedy."""
        await self.close()
        try:
            device, found, early = await in_thread(
                lambda: open_keyboard(self._settings), _OPEN_S, lambda late: late[0].close()
            )
        except TimeoutError as error:
            raise LinkLost(
                f"{self.describe()} did not open within {_OPEN_S:g} s", hint="plug it in again"
            ) from error
        self._found = found.path
        self._keys = _Keys(device, found, self._settings, self._now)
        self._keys.begin(early)

    async def chunks(self) -> AsyncIterator[Chunk]:
        """Yield a chunk a frame, in order, stamped when it ended. Ends when closed; `LinkLost` when unplugged."""
        if self._keys is None:
            raise LinkLost(f"{self.describe()} is not open", hint="open it first")
        inbox = self._keys.inbox
        while (chunk := await inbox.take()) is not None:
            yield chunk

    async def send(self, data: bytes, channel: str = "") -> None:
        """Raise `LinkLost`: nothing can be said to a keyboard."""
        raise LinkLost(
            f"{self.describe()} takes no bytes", hint="press the gauge's own button, and take out request"
        )

    async def close(self) -> None:
        """Let go of the keyboard; harmless when not open. What was typed but not taken can still be taken."""
        keys, self._keys = self._keys, None
        if keys:
            keys.stop()

    def describe(self) -> str:
        """Name the keyboard and its layout, as "keyboard 1a2b:0c0d:B7 (/dev/input/event5), layout us"."""
        found = f" ({self._found})" if self._found else ""
        return f"keyboard {self._settings.usb or self._settings.port}{found}, layout {self._settings.layout}"


class _Keys:
    """Reads an open keyboard on the event loop and has the typist make frames of it."""

    def __init__(
        self,
        device: evdev.InputDevice[str],
        found: Device,
        settings: Settings,
        now: Callable[[], Moment],
    ) -> None:
        from evdev import ecodes

        self._codes = ecodes
        self._device, self._found, self._settings, self._now = device, found, settings, now
        self._loop = asyncio.get_running_loop()
        self._dropping = False
        self._silence: asyncio.TimerHandle | None = None
        self.typist = Typist(settings, self._key_name)
        self._watched = Watched(device.fd, self._read)
        self.inbox = self._watched.inbox
        self._lights: tuple[bool, bool] | None = None

    def begin(self, early: list[evdev.InputEvent]) -> None:
        """Begin to read; `early` came as the keyboard was opened, and may lack its beginning."""
        if any(map(is_press, early)):
            self.typist.mark("it was being typed before the keyboard was open")
        try:
            for event in early:
                self._take(event)
        except OSError as error:
            self._end(lost(error, self._found, "keyboard"))
            return
        self._light()
        self._watch_silence()
        self._watched.read_on()

    def _key_name(self, code: int) -> str:
        name = self._codes.keys.get(code, f"key {code}")
        return name if isinstance(name, str) else name[0]

    def _read(self) -> None:
        self._came()

    def _came(self) -> bool:
        """Take what the kernel has; return whether there was anything."""
        try:
            events = list(self._device.read())
            if not events:
                # Readable and nothing to read: the far side is gone, and would be so for ever.
                self._end(no_events(self._found))
                return False
            for event in events:
                self._take(event)
        except BlockingIOError:
            return False
        except OSError as error:
            self._end(lost(error, self._found, "keyboard"))
            return False
        self._light()
        self._watch_silence()
        return True

    def _take(self, event: evdev.InputEvent) -> None:
        codes = self._codes
        if event.type == codes.EV_SYN and event.code == codes.SYN_DROPPED:
            self._dropping = True
        elif self._dropping:
            # What comes up to the next report is half an event (Documentation/input/event-codes.rst, SYN_DROPPED).
            if event.type == codes.EV_SYN and event.code == codes.SYN_REPORT:
                self._dropping = False
                self._lights = None
                self.typist.lost(self._device.active_keys())
        elif event.type == codes.EV_KEY:
            self._put(self.typist.key(event.code, event.value, event.sec * 1_000_000 + event.usec))

    def _put(self, ended: Iterable[Typed]) -> None:
        for typed in ended:
            data = typed.text.encode("latin-1")
            self._watched.put(Chunk(data, self._now(), complete=True, fault=typed.fault))

    def _light(self) -> None:
        """Show the gauge how NumLock and Caps Lock stand: some look, and press them first."""
        lights = (self.typist.num_lock, self.typist.caps_lock)
        if lights == self._lights:
            return
        self._lights = lights
        from evdev import EvdevError

        with contextlib.suppress(OSError, EvdevError):
            for light, on in zip((self._codes.LED_NUML, self._codes.LED_CAPSL), lights, strict=True):
                self._device.set_led(light, int(on))
            self._device.syn()

    def _watch_silence(self) -> None:
        if self._silence:
            self._silence.cancel()
            self._silence = None
        if self.typist.under_way and not self._watched.stopped:
            self._silence = self._loop.call_later(self._settings.silence, self._silent)

    def _silent(self) -> None:
        self._silence = None
        if not self._watched.reading:
            # What has not been read for want of room may well go on with the frame.
            self._watch_silence()
            return
        # What lies in the kernel came before this moment.
        if not self._came() and not self._watched.stopped:
            self._put(self.typist.silent())

    def _end(self, fault: LinkLost | None = None) -> None:
        self._watched.end(fault)
        if self._silence:
            self._silence.cancel()
            self._silence = None

    def stop(self) -> None:
        """Let go of the keyboard."""
        self._end()
        with contextlib.suppress(OSError):
            self._device.close()

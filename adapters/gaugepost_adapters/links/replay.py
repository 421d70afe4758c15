"""Replays a capture: what a gauge sent once comes again with its timing, for trying settings and for support cases."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import ClassVar

from pydantic import Field

from gaugepost.contract import AdapterSettings, Chunk, LinkLost, Moment, ValueRefused
from gaugepost.contract.capture import STEP_MS, Captured, read_capture
from gaugepost_adapters.links.inbox import in_thread

MOST_BYTES = 50_000_000
"""A capture is held in memory; this is days of a busy gauge."""

_OPEN_S = 15.0
"""A file that takes longer to read lies on a far side that does not answer."""


class Settings(AdapterSettings):
    """Which capture is replayed, and how."""

    file: str = Field(min_length=1)
    """Path of the capture, best from the root; a relative one begins where the service was started."""
    speed: float = Field(default=1.0, gt=0, le=1000)
    """How many times as fast as it was captured."""
    loop: bool = False
    """Whether it begins anew after its last frame; otherwise the link stays silent then."""


class ReplayLink:
    """One capture, played from its beginning at each opening. What is sent to it is taken and changes nothing."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings, now: Callable[[], Moment]) -> None:
        assert isinstance(settings, Settings)
        self._settings = settings
        self._now = now
        self._file = Path(settings.file).absolute()
        self._frames: list[Captured] = []
        self._closed: asyncio.Event | None = None
        self._next = 0
        self._due = 0.0

    async def open(self) -> None:
        """Read the capture. Raises `LinkLost` where it is not there or is no capture."""
        await self.close()
        file = self._file
        try:
            self._frames = await in_thread(lambda: read_capture(_text(file)), _OPEN_S)
        except TimeoutError as error:
            raise LinkLost(
                f"{file} could not be read within {_OPEN_S:g} s", hint="copy it to a disk of this computer"
            ) from error
        except (OSError, UnicodeDecodeError) as error:
            raise LinkLost(
                f"{file} can't be read ({error})", hint="correct file: it names a capture"
            ) from error
        except ValueRefused as refused:
            raise LinkLost(f"{file} is no capture: {refused.finding}", hint=refused.hint) from refused
        self._closed = asyncio.Event()
        self._next, self._due = 0, asyncio.get_running_loop().time()

    async def chunks(self) -> AsyncIterator[Chunk]:
        """Yield each frame as one chunk at its time; silent after the last one, ends when closed."""
        closed = self._opened()
        while not closed.is_set():
            over = self._next >= len(self._frames)
            wait_s = None if over else self._due - asyncio.get_running_loop().time()
            try:
                async with asyncio.timeout(None if wait_s is None else max(0.0, wait_s)):
                    await closed.wait()
            except TimeoutError:
                frame = self._frames[self._next]
                self._advance(frame)
                yield Chunk(frame.data, self._now(), frame.channel, frame.complete)

    def _advance(self, frame: Captured) -> None:
        self._next += 1
        gap_ms = STEP_MS
        if self._next < len(self._frames):
            gap_ms = self._frames[self._next].at_ms - frame.at_ms
        elif self._settings.loop:
            self._next = 0
        self._due += gap_ms / 1000 / self._settings.speed

    async def send(self, data: bytes, channel: str = "") -> None:
        """Take `data`: what is replayed can't be asked. Raises `LinkLost` where not open."""
        self._opened()

    async def close(self) -> None:
        """End the replay; harmless when not open."""
        if self._closed is not None:
            self._closed.set()
            self._closed = None

    def describe(self) -> str:
        """Say that it is a replay, of what and how fast."""
        speed = f" at {self._settings.speed:g} times its speed" if self._settings.speed != 1 else ""
        again = ", again and again" if self._settings.loop else ""
        return f"replay of {self._file}{speed}{again}"

    def _opened(self) -> asyncio.Event:
        if self._closed is None:
            raise LinkLost(f"{self.describe()} is not open", hint="open it first")
        return self._closed


def _text(file: Path) -> str:
    with file.open("rb") as opened:
        data = opened.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        raise ValueRefused(f"it is longer than {MOST_BYTES} bytes", hint="cut it into parts")
    return data.decode()

"""A gauge and a keyboard: chunks as they come, lines as they are typed, a search after each of them."""

from __future__ import annotations

import asyncio
import os
import signal
import sys
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any

from gaugepost.commands.teach.arriving import Shown
from gaugepost.commands.teach.chosen import Chosen
from gaugepost.commands.teach.lines import WORDS
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.shell.lessons.probing import probe
from gaugepost.shell.lessons.teaching import Teaching
from gaugepost.teach import Evidence, Outlook

_GIVE = "give what you know, as baud=9600 bits=7 parity=even"


def taught(link: Chosen, look: Callable[[Evidence], Outlook], *, probing: bool = False) -> Outlook:
    """Teach from a gauge on a link until decided, an empty line or Ctrl-C; return the last outlook.

    `look` searches and tells the person. A link that is lost is connected again: what was measured is kept. `probing`
    finds out first how its line is set. Raises `GaugepostError` where the link can't be made, not be connected at the
    beginning, or has no line to be probed.
    """
    link.given.maker()
    return asyncio.run(_teach(link, look, probing))


async def _teach(link: Chosen, look: Callable[[Evidence], Outlook], probing: bool) -> Outlook:
    loop, lines, stopped = asyncio.get_running_loop(), asyncio.Queue[str | None](), asyncio.Event()

    def stop() -> None:
        stopped.set()
        lines.put_nowait(None)

    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop)
    keyboard = _Keyboard(lines)
    try:
        if probing:
            _say("at the keyboard an empty line says that you have sent and nothing came, end gives up")
            judgement = await probe(link.given.maker(), lines, _say)
            if judgement is None or judgement.found is None:
                _say(f"not found: {judgement.reason if judgement else 'given up'}; {_GIVE}")
                return look(Evidence(()))
            _say(f"found: {judgement.found}")
            link = link.with_line(judgement.found)
        shown = Shown(_say)
        teaching = Teaching(link.given.maker(), _say, shown.tell, request=link.request, channel=link.channel)
        if not await _unless(stopped, teaching.open()):
            return look(Evidence(()))
        return await _held(teaching, look, lines)
    finally:
        keyboard.close()


async def _held(
    teaching: Teaching, look: Callable[[Evidence], Outlook], lines: asyncio.Queue[str | None]
) -> Outlook:
    hearing = asyncio.ensure_future(teaching.run())
    hearing.add_done_callback(lambda _: lines.put_nowait(None))  # only a bug ends it before it is cancelled
    try:
        outlook = await _Teacher(look, teaching).hold(lines)
    finally:
        hearing.cancel()
        (ended,) = await asyncio.gather(hearing, return_exceptions=True)
    if isinstance(ended, Exception):
        raise ended
    return outlook


async def _unless(stopped: asyncio.Event, work: Coroutine[Any, Any, None]) -> bool:
    """Do `work` unless stopped meanwhile; return whether it was done."""
    working, stopping = asyncio.ensure_future(work), asyncio.ensure_future(stopped.wait())
    try:
        await asyncio.wait({working, stopping}, return_when=asyncio.FIRST_COMPLETED)
        if working.done():
            working.result()
        return working.done()
    finally:
        for task in (working, stopping):
            task.cancel()
        await asyncio.gather(working, stopping, return_exceptions=True)


class _Keyboard:
    """Lines of the standard input, into a queue; None at its end."""

    def __init__(self, lines: asyncio.Queue[str | None]) -> None:
        self._lines, self._rest = lines, b""
        self._loop, self._at = asyncio.get_running_loop(), sys.stdin.fileno()
        try:
            self._loop.add_reader(self._at, self._read)
        except PermissionError:  # a file has no readiness: it is read at once
            while self._read():
                pass

    def close(self) -> None:
        self._loop.remove_reader(self._at)

    def _read(self) -> bool:
        data = os.read(self._at, 4096)
        *whole, self._rest = (self._rest + data).split(b"\n")
        for line in whole:
            self._lines.put_nowait(line.decode("utf-8", "replace").strip())
        if not data:
            self._lines.put_nowait(None)
            with suppress(ValueError, OSError):
                self.close()
        return bool(data)


class _Teacher:
    """Takes lines until the gauge is known."""

    def __init__(self, look: Callable[[Evidence], Outlook], teaching: Teaching) -> None:
        self._look, self._teaching, self._lesson = look, teaching, teaching.lesson
        self._do = "measure and type" if teaching.request else "measure, send, and type"

    async def hold(self, lines: asyncio.Queue[str | None]) -> Outlook:
        """Take lines until decided or ended; what was found so far is told at the end, however it comes."""
        outlook = self._look(Evidence(()))
        while outlook.accepted is None:
            _say(f"\n{self._do} what the display shows ({len(self._lesson.samples) + 1}): ", end="")
            line = await lines.get()
            if not line:
                break
            if await self._understood(line):
                outlook = self._look(self._lesson.evidence())
        _say("")
        if outlook.accepted is None and (count := len(self._lesson.samples)):
            many = f"{count} measurement{'' if count == 1 else 's'}"
            _say(f"ended after {many}, with this:")
            outlook = self._look(self._lesson.evidence())
        return outlook

    async def _understood(self, line: str) -> bool:
        """Take a line; return whether there is something to look at."""
        word, _, rest = line.partition(" ")
        try:
            if word == "never":
                self._teaching.never(rest)
            elif word == "drop":
                self._teaching.drop(_number(rest))
            elif line == "skip":
                _say("left out" if self._teaching.skip() else "nothing came since the last measurement")
                return False
            elif line in ("help", "?"):
                _say(WORDS, end="")
                return False
            elif line == "ask":
                await self._teaching.ask()
                return False
            else:
                await self._teaching.typed(line)
        except (ValueRefused, CommandRefused) as refused:
            _say(str(refused))
            return False
        return True


def _number(text: str) -> int:
    if text.isascii() and text.isdecimal():
        return int(text)
    raise ValueRefused("it has to be said which measurement", hint="type its number, as drop 3")


def _say(text: str, end: str = "\n") -> None:
    print(text, end=end, file=sys.stderr, flush=True)

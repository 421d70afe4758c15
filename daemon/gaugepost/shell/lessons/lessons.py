"""The lessons of a running service: one a link, ended when nobody asks for it any more, so that no link stays away."""

from __future__ import annotations

import asyncio
import secrets
from collections import OrderedDict, deque
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass

import structlog

from gaugepost.contract import Link
from gaugepost.contract.probing import Line
from gaugepost.core.errors import CommandRefused, GaugepostError, LinkLost, SettingsError
from gaugepost.shell.lessons.arriving import Came
from gaugepost.shell.lessons.given import Given
from gaugepost.shell.lessons.probing import can_probe, probe
from gaugepost.shell.lessons.searching import Searching
from gaugepost.shell.lessons.teaching import Teaching

MOST_LESSONS = 4
"""Lessons at one time, over all links."""
MOST_BYTES_SHOWN = 16 * 1024
MOST_LINES_SHOWN = 500
"""What came that is kept to be shown, beside what the lesson keeps; what is older is not shown any more."""
MOST_ENDED = 20
"""Lessons whose end is remembered, to tell it to who still asks."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Shown:
    """Something to show: what came, or a word about the link."""

    number: int
    came: Came | None
    said: str = ""


@dataclass(frozen=True, slots=True)
class Wish:
    """What somebody wants to teach."""

    key: str
    """What there can be one lesson of: the link."""
    make_link: Callable[[], Link]
    keep_s: float
    """How long it is kept with nobody asking for it."""
    link: str | None = None
    """The station's own link, which is lent for the lesson; None for another one."""
    probe: Given | None = None
    """The link whose line is to be found out first."""
    given: Given | None = None
    """How another link was given; None for the station's own."""
    name: str = ""
    """What the gauge is called in its capture."""
    request: str = ""
    channel: str = ""


class OpenLesson:
    """A lesson that goes on: what a link brings, what is typed, and what a search makes of both."""

    def __init__(self, wish: Wish, turn: asyncio.Lock) -> None:
        self.id, self.wish = secrets.token_hex(8), wish
        self._lines: deque[Shown] = deque()
        self._bytes, self.last = 0, 0
        self._news = asyncio.Event()
        self._waiting = 0
        self._asked_at = asyncio.get_running_loop().time()
        self._make_link = wish.make_link
        self.typing: asyncio.Queue[str | None] | None = asyncio.Queue() if wish.probe else None
        """Takes "" where somebody has sent and nothing came, while the line is being found out; then None."""
        self.line: Line | None = None
        """How the line was found to be set."""
        self.teaching = Teaching(
            lambda: self._make_link(), self._said, self._came, request=wish.request, channel=wish.channel
        )
        self.searching = Searching(turn, self._told)
        self.over = ""
        """Why it ended; empty while it goes on."""
        self.ended = asyncio.Event()

    @property
    def left_s(self) -> float:
        """In how many seconds it ends if nobody asks for it."""
        if self._waiting:
            return self.wish.keep_s
        return self._asked_at + self.wish.keep_s - asyncio.get_running_loop().time()

    def asked(self) -> None:
        """Take it that somebody is there."""
        self._asked_at = asyncio.get_running_loop().time()

    def lines(self, after: int) -> list[Shown]:
        """Return what there is to show beyond line `after`, as far as it is kept."""
        return [line for line in self._lines if line.number > after]

    async def news(self, after: int, seconds: float) -> None:
        """Wait until there is a line beyond `after`, or anything else is otherwise, at the most `seconds`."""
        if self.last > after or self.over:
            return
        self._waiting += 1
        try:
            with suppress(TimeoutError):
                async with asyncio.timeout(seconds):
                    await self._news.wait()
        finally:
            self._waiting -= 1
            self.asked()

    async def find_line(self, given: Given) -> None:
        """Find out how the line of `given` is set, while somebody measures; without success the lesson is over.

        Raises:
            GaugepostError: the link is lost, or has no line after all.
        """
        assert self.typing is not None
        judgement = await probe(self.wish.make_link, self.typing, self._said)
        if judgement is None or judgement.found is None:
            self.end(f"not found: {judgement.reason if judgement else 'given up'}")
            return
        self.line, self.typing = judgement.found, None
        self._make_link = given.with_line(judgement.found).maker()
        self._said(f"found: {judgement.found}")

    def search(self) -> None:
        """Search what is known now."""
        self.searching.begin(self.teaching.lesson, self.wish.name)
        self._told()

    def end(self, why: str) -> None:
        """Take it that it is over; who waits for news has them."""
        self.over = self.over or why
        self.ended.set()
        self._told()

    def _came(self, came: Came) -> None:
        self._add(Shown(self.last + 1, came))

    def _said(self, text: str) -> None:
        self._add(Shown(self.last + 1, None, text))

    def _add(self, line: Shown) -> None:
        self._lines.append(line)
        self.last = line.number
        self._bytes += _size(line)
        while self._bytes > MOST_BYTES_SHOWN or len(self._lines) > MOST_LINES_SHOWN:
            self._bytes -= _size(self._lines.popleft())
        self._told()

    def _told(self) -> None:
        news, self._news = self._news, asyncio.Event()
        news.set()


class Lessons:
    """All that go on. A station's own link is lent by `lend` and taken back by `take_back`, both told its name."""

    def __init__(self, lend: Callable[[str, str], Awaitable[None]], take_back: Callable[[str], None]) -> None:
        self._lend, self._take_back = lend, take_back
        self._going: dict[str, OpenLesson] = {}
        self._keeping: dict[str, asyncio.Task[None]] = {}
        self._taken: set[str] = set()
        self._ended: OrderedDict[str, str] = OrderedDict()
        self._turn = asyncio.Lock()
        self._closed = False

    @property
    def going(self) -> tuple[OpenLesson, ...]:
        """The lessons that go on."""
        return tuple(self._going.values())

    async def begin(self, wish: Wish) -> OpenLesson:
        """Begin a lesson, its link connected.

        Raises:
            CommandRefused: the link is being taught already, there are enough lessons, or it can't be connected: then a
                station's own link is back.
            ValueRefused: the request can't be one.
        """
        if wish.key in self._taken:
            going = next((one.id for one in self.going if one.wish.key == wish.key), "")
            raise CommandRefused(
                f"{wish.key} is being taught already",
                hint=f"go on with lesson {going}, or end it" if going else "",
            )
        if len(self._taken) >= MOST_LESSONS:
            listed = ", ".join(one.id for one in self.going)
            raise CommandRefused(f"{MOST_LESSONS} lessons are going on", hint=f"end one of them: {listed}")
        lesson = OpenLesson(wish, self._turn)
        self._taken.add(wish.key)
        try:
            await self._connect(lesson)
        except BaseException:
            self._taken.discard(wish.key)
            raise
        self._going[lesson.id] = lesson
        self._keeping[lesson.id] = asyncio.create_task(self._keep(lesson), name=f"lesson {lesson.id}")
        log.info("lesson", id=lesson.id, state="begun", link=lesson.teaching.description)
        return lesson

    def find(self, id: str) -> OpenLesson | None:  # noqa: A002 - what it is called to who asks
        """Return a lesson that goes on, which somebody is there for; None where there is none such."""
        if (lesson := self._going.get(id)) is not None:
            lesson.asked()
        return lesson

    def why_ended(self, id: str) -> str:  # noqa: A002 - what it is called to who asks
        """Return why a lesson ended; empty where it did not, or it is long ago."""
        return self._ended.get(id, "")

    async def end(self, lesson: OpenLesson, why: str) -> None:
        """End a lesson; its link is back when this returns."""
        lesson.end(why)
        if (keeping := self._keeping.get(lesson.id)) is not None:
            await asyncio.wait({keeping})

    async def run(self) -> None:
        """Let lessons go on until cancelled; then end them all."""
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            self._closed = True
            await asyncio.gather(*(self.end(one, "the service ended") for one in self.going))

    async def _connect(self, lesson: OpenLesson) -> None:
        """Connect the link, lent where it is the station's own; that is back where anything is in the way."""
        wish = lesson.wish
        if wish.link is not None:
            await self._lend(wish.link, f"lent for teaching, lesson {lesson.id}; it is back when that ends")
        try:
            if wish.probe is None:
                await lesson.teaching.open()
            else:
                await can_probe(wish.make_link())
            self._refuse_at_the_end()
        except BaseException as error:
            await lesson.teaching.close()
            if wish.link is not None:
                self._take_back(wish.link)
            if isinstance(error, LinkLost | SettingsError):
                raise CommandRefused(error.finding, hint=error.hint) from error
            raise

    def _refuse_at_the_end(self) -> None:
        if self._closed:
            raise CommandRefused("the service ends", hint="begin when it runs again")

    async def _keep(self, lesson: OpenLesson) -> None:
        """Hear the link until the lesson is ended, or nobody asks for it; then leave nothing of it behind."""
        hearing = asyncio.create_task(self._hear(lesson), name=f"hears lesson {lesson.id}")
        ended = asyncio.create_task(lesson.ended.wait(), name=f"end of lesson {lesson.id}")
        try:
            while not (hearing.done() or ended.done()) and (left_s := lesson.left_s) > 0:
                await asyncio.wait({hearing, ended}, timeout=left_s, return_when=asyncio.FIRST_COMPLETED)
            lesson.end("" if hearing.done() else f"nobody asked for it for {lesson.wish.keep_s:g} s")
        finally:
            ended.cancel()
            hearing.cancel()
            bug, _ = await asyncio.gather(hearing, ended, return_exceptions=True)
            if isinstance(bug, Exception):
                log.error("a lesson failed", id=lesson.id, exc_info=bug)
                lesson.end("the service failed over it: see its log")
            await lesson.searching.close()
            self._forget(lesson)

    async def _hear(self, lesson: OpenLesson) -> None:
        """Hear the link, its line found out before where that was wanted, until cancelled."""
        if lesson.wish.probe is not None:
            try:
                await lesson.find_line(lesson.wish.probe)
                if not lesson.over:
                    await lesson.teaching.open()
            except GaugepostError as refused:
                lesson.end(str(refused))
        if not lesson.over:
            await lesson.teaching.run()

    def _forget(self, lesson: OpenLesson) -> None:
        del self._going[lesson.id], self._keeping[lesson.id]
        self._taken.discard(lesson.wish.key)
        self._ended[lesson.id] = lesson.over
        while len(self._ended) > MOST_ENDED:
            self._ended.popitem(last=False)
        if lesson.wish.link is not None and not self._closed:
            self._take_back(lesson.wish.link)
        log.info("lesson", id=lesson.id, state="ended", why=lesson.over)


def _size(line: Shown) -> int:
    return len(line.came.data) if line.came else len(line.said)

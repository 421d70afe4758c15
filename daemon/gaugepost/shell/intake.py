"""Intake: one link and its decoder, kept connected, every frame told to the recorder.

A link that is lost is connected again with growing pauses; a transition is logged once. What a link or a decoder raises
besides `LinkLost` is a bug and ends the service: the service manager starts it again, and nothing recorded is lost.
"""

from __future__ import annotations

import asyncio
import contextlib
import random as chance
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import structlog

from gaugepost.contract import (
    BadFrame,
    Chunk,
    Condition,
    Decoded,
    Decoder,
    Indication,
    Link,
    LinkLost,
    Moment,
    Temperature,
)
from gaugepost.contract.present import Confirms, Seeks
from gaugepost.contract.wireless import Reception, reception_of
from gaugepost.core.bench.arrivals.window import Window
from gaugepost.core.bench.events import Arrived, LinkDown, LinkUp, MoreBadFrames
from gaugepost.core.errors import CommandRefused
from gaugepost.shell.asking.exchange import Exchanges
from gaugepost.shell.recorder import MOST_HELD, Recorder
from gaugepost.shell.tasks import Tasks

FIRST_PAUSE_S = 0.2
LONGEST_PAUSE_S = 5.0
IDLE_STEP_S = 0.5
IDLE_LONGEST_S = 30.0
"""How long after the last chunk the decoder is told of the silence; half a frame has ended by then."""

KEPT_A_MINUTE = 20
"""Bad frames that are recorded with their bytes, a minute and channel; the rest is counted."""

MINUTE_MS = 60_000

AWAY = "away"
"""State of a link that is lent to somebody else."""

UNANSWERED = "no-answer"
"""Code of the condition of a gauge that was asked and did not answer: recorded once, and once a minute at most."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """How a link stands, as shown to a person."""

    name: str
    state: str
    """connecting, connected or lost; away while it is lent, as the problem says."""
    description: str
    problem: str
    since_utc_ms: int
    frames: int
    bad_frames: int
    last_frame_utc_ms: int | None
    connects: int = 0
    """How often it was connected."""
    reception: Reception = Reception()
    """How a gauge by radio is heard; nothing known of others."""


class Intake:
    """A link, its decoder, and the task that moves what they bring to the recorder."""

    def __init__(
        self,
        name: str,
        make_link: Callable[[], Link],
        decoder: Decoder,
        recorder: Recorder,
        now: Callable[[], Moment],
        windows: Mapping[str, Window] | None = None,
        answers_s: Mapping[str, float] | None = None,
        every_s: Mapping[str, float] | None = None,
        random: Callable[[], float] = chance.random,
    ) -> None:
        """`make_link` gives a fresh link for every attempt; `random` yields numbers in [0, 1).

        By channel: `windows` are those of streaming gauges, `answers_s` says how long the answers of the others are
        waited for, `every_s` how often a gauge is asked by itself.
        """
        self.name = name
        self._make_link, self._decoder, self._recorder, self._now, self._random = (
            make_link,
            decoder,
            recorder,
            now,
            random,
        )
        self._state, self._description, self._problem = "connecting", "", ""
        self._since_ms = now().utc_ms
        self._frames = self._bad_frames = self._connects = 0
        self._last_frame: Moment | None = None
        self._meter = BadFrameMeter()
        self._link: Link | None = None
        """The link while it is connected."""
        self._opening: Link | None = None
        self._sought = asyncio.Event()
        self._windows = dict(windows or {})
        self._every_s = every_s or {}
        self._exchanges = Exchanges(
            answers_s or {}, self._scheduled, lambda channel: bool(decoder.request(channel)), self._unanswered
        )
        self._beside = Tasks()
        """What goes on beside listening, while it does."""
        self._confirmed = 0
        self._told_unanswered_ms: dict[str, int] = {}

    def status(self) -> LinkStatus:
        """Return how the link stands."""
        return LinkStatus(
            self.name,
            self._state,
            self._description,
            self._problem or self._silent(),
            self._since_ms,
            self._frames,
            self._bad_frames,
            self._last_frame.utc_ms if self._last_frame else None,
            self._connects,
            reception_of(self._link),
        )

    async def run(self) -> None:
        """Keep the link connected and its frames told, until cancelled."""
        pause_s = 0.0
        try:
            while True:
                if await self._once():
                    pause_s = 0.0
                pause_s = min(LONGEST_PAUSE_S, max(FIRST_PAUSE_S, pause_s * 2))
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(pause_s * (0.5 + self._random() / 2)):
                        await self._sought.wait()
        finally:
            self._count_rest(self._now())

    def seek(self) -> None:
        """Have a link that is not connected connected at once, not after its pause: somebody wants its gauge now.

        Being asked by a trigger is not enough: it asks several gauges, and the one that is away would slow the others.
        """
        if self._opening is None:
            self._sought.set()
        elif self._link is None and isinstance(self._opening, Seeks):
            self._opening.seek()

    def can_be_asked(self, channel: str) -> bool:
        """Whether the gauge on `channel` can be asked for its value, while its link is connected."""
        return channel in self._windows or bool(self._decoder.request(channel))

    async def request(self, channel: str) -> None:
        """Ask the gauge on `channel` for its value.

        Raises:
            CommandRefused: the gauge can't be asked, or its link is not connected.
        """
        asked = self._decoder.request(channel)
        window = self._windows.get(channel)
        if not asked and window is None:
            raise CommandRefused(
                f"a gauge on {self.name} can't be asked",
                hint="press its own button, or give its decoder the request that it answers to",
            )
        if self._state == AWAY:
            finding, _, hint = self._problem.partition("; ")
            raise CommandRefused(f"{self.name} is {finding}", hint=hint)
        if self._link is None:
            raise CommandRefused(f"{self.name} is not connected", hint="connect it first")
        if window is not None:
            self._open(window)
        if not asked:
            return
        try:
            await self._exchanges.ask(self._link, asked, channel)
        except LinkLost as lost:
            raise CommandRefused(f"{self.name} was lost: {lost.finding}", hint=lost.hint) from lost

    async def _once(self) -> bool:
        """Connect and listen until the link is lost; return whether it was connected."""
        if self._state == AWAY:
            self._turn("connecting", "")
        self._opening = link = self._make_link()
        self._description = link.describe()
        if self._sought.is_set() and isinstance(link, Seeks):
            link.seek()
        self._sought.clear()
        connected = False
        try:
            await link.open()
            self._description = link.describe()  # an open link knows where, and maybe which gauge, it is
            connected, self._link = True, link
            self._connects += 1
            self._turn("connected", "")
            self._recorder.tell(LinkUp(self.name, self._description), self._now())
            await self._listen(link)
        except LinkLost as lost:
            self._lost(str(lost), lost.finding if connected else None)
        finally:
            self._link = self._opening = None
            self._exchanges.forget()
            await link.close()
        return connected

    def leave(self, reason: str, state: str = "lost") -> None:
        """Say that the link is listened to no more, where it was, and how it stands; `run` has ended."""
        self._lost(reason, reason if self._state == "connected" else None, state)

    async def serve(
        self, windows: dict[str, Window], answers_s: Mapping[str, float], every_s: Mapping[str, float]
    ) -> None:
        """Go on with other gauges, or other entries of them, on the link as it is; see `__init__`."""
        for channel, window in self._windows.items():
            if (other := windows.get(channel)) is not None and other.gauge == window.gauge:
                windows[channel] = window
            else:
                self._end(window)
        self._windows = windows
        self._exchanges.serve(answers_s)
        was, self._every_s = self._every_s, every_s
        if was != every_s:
            for channel in was:
                await self._beside.end(f"asks {channel}")
            if self._link is not None:
                self._ask_by_schedule(self._link)

    async def _listen(self, link: Link) -> None:
        heard = asyncio.Event()
        async with Tasks() as self._beside:
            self._beside.start("silence", self._watch_silence(heard))
            self._ask_by_schedule(link)
            async for chunk in link.chunks():
                self._last_frame = chunk.arrived
                self._tell(self._decoded(chunk), chunk.arrived)
                heard.set()

    def _ask_by_schedule(self, link: Link) -> None:
        for channel, every_s in self._every_s.items():
            asked = self._decoder.request(channel)
            work = self._exchanges.keep_asking(link, asked, channel, every_s, self._may_ask)
            self._beside.start(f"asks {channel}", work)

    def _lost(self, problem: str, reason: str | None, state: str = "lost") -> None:
        """Leave nothing half done; `reason` is that of a link which was connected."""
        self._turn(state, problem)
        self._tell(self._decoder.reset(), self._now())
        for window in self._windows.values():
            self._end(window)
        if reason is not None:
            self._recorder.tell(LinkDown(self.name, reason), self._now())

    def _end(self, window: Window) -> None:
        for ended in window.lost(self.name, self._now()):
            self._recorder.tell(ended, self._now())

    def _scheduled(self, channel: str) -> bool:
        return channel in self._every_s

    def _may_ask(self) -> bool:
        """Whether gauges are asked by the schedule: what is held while nothing is recorded keeps room for people."""
        return self._recorder.held < MOST_HELD // 2

    def _unanswered(self, channel: str) -> None:
        now = self._now()
        last_ms = self._told_unanswered_ms.get(channel, -MINUTE_MS)
        if self._exchanges.unanswered[channel] == 1 and now.clock_ms - last_ms >= MINUTE_MS:
            self._told_unanswered_ms[channel] = now.clock_ms
            said = Condition(UNANSWERED, "asked for its value, and did not answer in time", b"", channel)
            self._recorder.tell(Arrived(self.name, said), now)

    def _silent(self) -> str:
        """Say which channels do not answer."""
        silent = self._exchanges.unanswered.items()
        return "; ".join(
            f"{f'channel {channel}' if channel else 'the gauge'} did not answer {count} times in a row"
            for channel, count in silent
        )

    def _open(self, window: Window) -> None:
        window.open(self._now())
        asyncio.get_running_loop().call_later(window.longest_s, self._look_after, window)

    def _look_after(self, window: Window) -> None:
        now = self._now()
        for ended in window.passed(self.name, now):
            self._recorder.tell(ended, now)

    def _decoded(self, chunk: Chunk) -> list[Decoded]:
        """Return what the decoder says to `chunk`; one with a fault it never sees, and half a frame ends with it."""
        if chunk.condition:
            return [chunk.condition]
        if chunk.trigger:
            return [chunk.trigger]
        if chunk.fault:
            return [*self._decoder.reset(), BadFrame(chunk.fault, chunk.data, chunk.channel)]
        return self._decoder.feed(chunk)

    async def _watch_silence(self, heard: asyncio.Event) -> None:
        """Tell the decoder how long nothing came, for a while after each chunk; asleep when nothing comes at all."""
        while True:
            await heard.wait()
            heard.clear()
            silent_s = 0.0
            while silent_s < IDLE_LONGEST_S and not heard.is_set():
                await asyncio.sleep(IDLE_STEP_S)
                silent_s += IDLE_STEP_S
                now = self._now()
                assert self._last_frame is not None
                self._tell(self._decoder.idle((now.clock_ms - self._last_frame.clock_ms) / 1000), now)
            if not heard.is_set():
                self._count_rest(self._now())

    def _tell(self, decoded: list[Decoded], now: Moment) -> None:
        for event in self._exchanges.admit(decoded):
            if isinstance(event, BadFrame):
                self._bad_frames += 1
                for channel, count in self._meter.due(now):
                    self._recorder.tell(MoreBadFrames(self.name, channel, count), now)
                if not self._meter.keeps(event.channel, now):
                    continue
            else:
                self._frames += 1
                if isinstance(event, Indication) and (window := self._windows.get(event.channel)):
                    for ended in window.feed(self.name, event, now):
                        self._recorder.tell(ended, now)
                    continue
            self._recorder.tell(Arrived(self.name, event), now, self._confirming(event))

    def _confirming(self, event: Decoded) -> Callable[[], None] | None:
        """Return what confirms a value to its gauge; None where it expects nothing."""
        if self._link is None or not isinstance(event, Indication | Temperature):
            return None
        if not (isinstance(self._decoder, Confirms) and (text := self._decoder.confirmation(event.channel))):
            return None
        return partial(self._confirm, self._link, text, event.channel)

    def _confirm(self, link: Link, text: bytes, channel: str) -> None:
        async def send() -> None:
            with contextlib.suppress(LinkLost):  # the link's reader finds it gone, too
                await link.send(text, channel)

        if link is self._link:
            self._confirmed += 1
            self._beside.start(f"confirmation {self._confirmed}", send())

    def _count_rest(self, now: Moment) -> None:
        for channel, count in self._meter.due(now, at_once=True):
            self._recorder.tell(MoreBadFrames(self.name, channel, count), now)

    def _turn(self, state: str, problem: str) -> None:
        if state != self._state:
            log.info(
                "link", name=self.name, state=state, description=self._description, problem=problem or None
            )
            self._since_ms = self._now().utc_ms
        self._state, self._problem = state, problem


class BadFrameMeter:
    """Says which bad frames are kept one by one, and how many were only counted, by channel and minute."""

    def __init__(self) -> None:
        self._began_ms: dict[str, int] = {}
        self._seen: dict[str, int] = {}

    def keeps(self, channel: str, now: Moment) -> bool:
        """Count one more bad frame; return whether it is among the first of its minute."""
        if now.clock_ms - self._began_ms.get(channel, -MINUTE_MS) >= MINUTE_MS:
            self._began_ms[channel], self._seen[channel] = now.clock_ms, 0
        self._seen[channel] += 1
        return self._seen[channel] <= KEPT_A_MINUTE

    def due(self, now: Moment, *, at_once: bool = False) -> list[tuple[str, int]]:
        """Return the channels whose minute is over with the count beyond those kept, and forget them."""
        over = [
            (channel, self._seen[channel] - KEPT_A_MINUTE)
            for channel, began_ms in self._began_ms.items()
            if at_once or now.clock_ms - began_ms >= MINUTE_MS
        ]
        for channel, _ in over:
            del self._began_ms[channel], self._seen[channel]
        return [(channel, count) for channel, count in over if count > 0]

"""The recorder: events in, records on disk, and only then anything said about them.

It keeps two states of the bench. The *tentative* one decides; the *committed* one is what anybody may see. One thread
owns the journal, so that a stalled disk never holds up a gauge's port. When a commit fails, everything that waits is
taken back in its order, the tentative state with it; frames are held until the journal takes records again, people are
told that nothing was recorded.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
import time
from bisect import bisect_left
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import structlog

from gaugepost.core.bench import Event, Reply, State, apply, decide
from gaugepost.core.bench.events import Command, RecordingResumed
from gaugepost.core.errors import JournalError
from gaugepost.core.indication import Moment
from gaugepost.core.record import Entry, Record
from gaugepost.edge.journal import Journal
from gaugepost.shell.growth import Growth

MOST_HELD = 20_000
"""Events that are kept in memory while the journal does not take them; later ones are counted as lost."""

MOST_IN_A_COMMIT = 1000
RETRY_S = 0.5
CLOSING_S = 10.0
"""How long a stalled disk is waited for at the end."""

REPLAY_CHUNK = 200
"""Held events that are decided between two turns of the event loop."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Told:
    """What is told to whoever commanded something: the reply, and the sequences of the records that were made of it."""

    reply: Reply
    sequences: tuple[int, ...] = ()


@dataclass(slots=True)
class _Item:
    """An event on its way to the disk, with what it was decided to lead to."""

    event: Event
    now: Moment
    generation: int
    records: tuple[Record, ...]
    reply: Reply
    told: asyncio.Future[Told] | None
    after: State
    """The bench once its records are on disk; what was decided from is the same as what is committed before it."""
    requests: tuple[str, ...] = ()
    kept: Callable[[], None] | None = None
    """Told once its records are on the disk."""


_Held = tuple[Event, Moment, asyncio.Future[Told] | None]


class Commits:
    """How long commits took. One thread counts, any may look."""

    BOUNDS_S = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 2.0)

    def __init__(self) -> None:
        self.counts = [0] * (len(self.BOUNDS_S) + 1)
        """By the smallest bound that a commit did not exceed; the last for longer ones."""
        self.sum_s = 0.0

    def took(self, seconds: float) -> None:
        """Count one."""
        self.counts[bisect_left(self.BOUNDS_S, seconds)] += 1
        self.sum_s += seconds


class Recorder:
    """Decides events, has them recorded by one thread, and answers when they are on disk."""

    def __init__(self, journal: Journal, growth: Growth, now: Callable[[], Moment], state: State) -> None:
        """`state` is what the journal's records lead to; `now` is asked for events that bring no time of their own."""
        self.state = state
        self.recording = True
        self.problem: str | None = None
        self.dropped = 0
        self.requests: asyncio.Queue[tuple[str, Moment]] = asyncio.Queue()
        """Gauges that are to be asked for their value, and since when: what wanted it is on disk."""
        self._journal, self._growth, self._now = journal, growth, now
        self._tentative = state
        self._generation = 0
        self._pending: deque[_Item] = deque()
        self._held: deque[_Held] = deque()
        self._lost_since_ms = 0
        self._moved = asyncio.Event()
        """Set whenever something left what is pending or held."""
        self._todo: queue.SimpleQueue[_Item | None] = queue.SimpleQueue()
        self._loop = asyncio.get_running_loop()
        self._retry: asyncio.TimerHandle | None = None
        self._failure: asyncio.Future[None] = self._loop.create_future()
        self.commits = Commits()
        self._committing_since: float | None = None
        self._thread = threading.Thread(target=self._write, name="journal writer", daemon=True)
        self._thread.start()

    @property
    def held(self) -> int:
        """How many events wait in memory because the journal does not take records."""
        return len(self._held)

    def stalled_s(self) -> float:
        """Return for how long the commit under way has lasted, in seconds; 0 where none is."""
        since = self._committing_since
        return 0.0 if since is None else time.monotonic() - since

    def tell(self, event: Event, now: Moment, kept: Callable[[], None] | None = None) -> None:
        """Record what `event`, which came at `now`, leads to.

        `kept` is called once that is on the disk; never where it had to be held first: whoever sent it has given up.
        """
        if self.recording and len(self._pending) >= MOST_HELD:
            self._stop_recording("more frames came than the disk takes")
        if self.recording and not self._held:
            self._decide(event, now, None, kept)
        elif len(self._held) < MOST_HELD:
            self._held.append((event, now, None))
        else:
            self.dropped += 1

    async def ask(self, command: Command) -> Told:
        """Return what is told of a command once it rests on the disk.

        Raises:
            JournalError: it could not be recorded, or nothing is being recorded.
        """
        if not self.recording:
            raise JournalError(
                f"not recording: {self.problem}", hint="free the journal's disk, then say it again"
            )
        told: asyncio.Future[Told] = self._loop.create_future()
        if self._held:
            self._held.append((command, self._now(), told))
        else:
            self._decide(command, self._now(), told)
        return await told

    async def settled(self, seconds: float) -> bool:
        """Wait until all that was told is on the disk; return whether it is within so many `seconds`."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while self._pending or (self.recording and self._held):
                    self._moved.clear()
                    await self._moved.wait()
        return not self._pending and not self._held

    async def failure(self) -> None:
        """Wait for a bug of ours in the writer; raises it."""
        await asyncio.shield(self._failure)

    async def close(self) -> int:
        """Record what waits, end the thread, and return how many events could not be recorded; harmless when closed."""
        if not self._thread.is_alive():
            return 0
        if self._retry is not None:
            self._retry.cancel()
            self._probe()
        await self.settled(CLOSING_S)
        if self._retry is not None:
            self._retry.cancel()
        self._todo.put(None)
        await asyncio.to_thread(self._thread.join, CLOSING_S)
        self._failure.cancel()
        return len(self._held) + len(self._pending) + self.dropped

    def _decide(
        self,
        event: Event,
        now: Moment,
        told: asyncio.Future[Told] | None,
        kept: Callable[[], None] | None = None,
    ) -> None:
        decision = decide(self._tentative, event, now)
        for record in decision.records:
            self._tentative = apply(self._tentative, record)
        if not decision.records and (told is None or not self._pending):
            if told is not None:
                told.set_result(Told(decision.reply))
            return
        item = _Item(
            event,
            now,
            self._generation,
            decision.records,
            decision.reply,
            told,
            self._tentative,
            decision.requests,
            kept,
        )
        self._pending.append(item)
        self._todo.put(item)

    # The writer's thread.

    def _write(self) -> None:
        failed = -1
        while (items := self._gathered()) is not None:
            items = [item for item in items if item.generation > failed]
            if not items:
                continue
            try:
                records = [record for item in items for record in item.records]
                self._committing_since = begun = time.monotonic()
                entries = self._journal.append(records) if records else []
                self._committing_since = None
                self.commits.took(time.monotonic() - begun)
            except JournalError as error:
                self._committing_since = None
                failed = items[0].generation
                self._call(self._failed, failed, error)
            except BaseException as bug:  # noqa: BLE001  carried to the loop, where it ends the service
                self._call(self._broke, bug)
                return
            else:
                self._call(self._committed, len(items), entries)

    def _gathered(self) -> list[_Item] | None:
        """Return the items of the next commit: whatever waits, at least one; None at the end."""
        first = self._todo.get()
        if first is None:
            return None
        items = [first]
        while len(items) < MOST_IN_A_COMMIT:
            try:
                more = self._todo.get_nowait()
            except queue.Empty:
                break
            if more is None:
                self._todo.put(None)
                break
            items.append(more)
        return items

    def _call(self, function: Callable[..., None], *args: object) -> None:
        self._loop.call_soon_threadsafe(function, *args)

    # Back in the event loop.

    def _committed(self, count: int, entries: Sequence[Entry]) -> None:
        made = 0
        for _ in range(count):
            item = self._pending.popleft()
            self.state = item.after
            if isinstance(item.event, RecordingResumed):
                self._resume(item.event)
            if item.told is not None and not item.told.done():
                own = entries[made : made + len(item.records)]
                item.told.set_result(Told(item.reply, tuple(entry.sequence for entry in own)))
            if item.kept is not None:
                item.kept()
            made += len(item.records)
            for gauge in item.requests:
                self.requests.put_nowait((gauge, item.now))
        self._growth.grow(self.state.sequence, entries)
        self._moved.set()

    def _failed(self, generation: int, error: JournalError) -> None:
        if generation != self._generation:
            return
        self._stop_recording(error.finding)
        waiting, self._pending = list(self._pending), deque()
        for item in reversed(waiting):
            if item.told is not None:
                if not item.told.done():
                    refusal = JournalError(
                        f"could not be recorded: {error.finding}", hint="free the disk, then say it again"
                    )
                    item.told.set_exception(refusal)
            elif not isinstance(item.event, RecordingResumed):
                self._held.appendleft((item.event, item.now, None))
        self._tentative = self.state
        self._generation += 1
        self._moved.set()

    def _stop_recording(self, problem: str) -> None:
        if self.recording:
            log.error("not recording", problem=problem)
            self._lost_since_ms = self._now().utc_ms
        self.recording, self.problem = False, problem
        if self._retry is None:
            self._retry = self._loop.call_later(RETRY_S, self._probe)

    def _probe(self) -> None:
        """Try whether the journal takes a record again: the one that says what happened meanwhile."""
        self._retry = None
        event = RecordingResumed(self._lost_since_ms, self.problem or "", len(self._held), self.dropped)
        self._decide(event, self._now(), None)

    def _resume(self, event: RecordingResumed) -> None:
        log.info("recording again", held=event.held, lost=event.dropped)
        self.dropped -= event.dropped
        self.recording, self.problem = True, None
        self._loop.call_soon(self._replay)

    def _replay(self) -> None:
        """Decide what was held, in its order and with its own times, a chunk at a turn."""
        for _ in range(min(REPLAY_CHUNK, len(self._held))):
            if not self.recording:
                return
            self._decide(*self._held.popleft())
        if self._held:
            self._loop.call_soon(self._replay)
        self._moved.set()

    def _broke(self, bug: BaseException) -> None:
        if not self._failure.done():
            self._failure.set_exception(bug)

"""A delivery takes records from the journal to one destination: in order, each at least once, never ahead of the disk.

Each delivery has its own task, its own thread for the disk, its own cursor and its own patience, so that a slow or
dead destination delays nobody. It decides nothing about a record: the destination answers held, refused or
unreachable, and the cursor follows the answer.
"""

from __future__ import annotations

import asyncio
import random as chance
from collections.abc import Awaitable, Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Literal, Protocol, TypeVar

import structlog

from gaugepost.contract import Destination, Outcome, Publication, Unreachable
from gaugepost.core.errors import GaugepostError, JournalError
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind
from gaugepost.edge.cursors import Batch, Cursors, Start
from gaugepost.shell.growth import Growth

BATCH_RECORDS = 500
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
LONGEST_ASKED_S = 3600.0
"""How long a destination that asks to be left alone is left alone at most: an absurd answer must not end a delivery."""
CLOSING_S = 5.0
"""How long a destination may take to let go."""

State = Literal["idle", "delivering", "unreachable", "broken", "disabled"]
T = TypeVar("T")


class Source(Protocol):
    """The journal as a delivery reads it, from one worker thread."""

    @property
    def epoch(self) -> str: ...

    @property
    def station(self) -> str: ...

    def head(self) -> tuple[int, bytes]: ...

    def entries(self, after: int, limit: int, *, kinds: Iterable[str] | None = None) -> Sequence[Entry]: ...


@dataclass(frozen=True, slots=True)
class Status:
    """How a delivery stands, as shown to a person."""

    name: str
    kind: str
    """The destination's adapter, as the station file names it."""
    state: State
    through: int
    """Every record up to this sequence was delivered, refused, or of no interest."""
    lag: int
    """Records of the journal after `through`, of whatever kind."""
    last_error: str
    """What was wrong last, also when it no longer is; empty where nothing ever was."""
    since_ms: int
    """Wall time (UTC, ms) since which the state is what it is; idle and delivering count as one."""
    refused: int


class _Broken(Exception):
    """The destination did what its contract rules out."""


def disabled(name: str, kind: str, cause: str, *, through: int, head: int, since_ms: int) -> Status:
    """Return the status of a destination whose adapter could not be loaded: `cause` is why; its cursor is kept."""
    return Status(name, kind, "disabled", through, max(0, head - through), cause, since_ms, 0)


def pause_s(last_s: float, random: Callable[[], float]) -> float:
    """Return how long to wait before the next attempt after a pause of `last_s` (0 for none yet), in seconds.

    Grows from 0.5 s to 30 s and is spread at random, so that many stations do not call on a server at once.
    """
    top = min(LONGEST_PAUSE_S, max(last_s, FIRST_PAUSE_S) * 3)
    return FIRST_PAUSE_S + random() * (top - FIRST_PAUSE_S)


def asked_s(cause: GaugepostError) -> float:
    """Return for how long the far side asked to be left alone, in seconds: 0 for not at all, at most an hour."""
    asked = cause.retry_after_s if isinstance(cause, Unreachable) else None
    return min(LONGEST_ASKED_S, max(0.0, asked or 0.0))


class Delivery:
    """One destination, its cursor and the task between them."""

    def __init__(
        self,
        name: str,
        destination: Destination,
        source: Source,
        cursors: Cursors,
        growth: Growth,
        kinds: Iterable[Kind] | None,
        *,
        kind: str,
        start: Start = "beginning",
        utc_ms: Callable[[], int],
        random: Callable[[], float] = chance.random,
    ) -> None:
        """Tie `destination` to `source`; nothing happens before `run`.

        `kinds` are the records it wants (None: all), `kind` its adapter's name, `start` where it begins when it was
        never seen before, `utc_ms` the wall clock, `random` yields numbers in [0, 1).
        """
        self.name = name
        self.kind = kind
        self._destination = destination
        self._source = source
        self._cursors = cursors
        self._growth = growth
        self._kinds = None if kinds is None else tuple(sorted(set(kinds)))
        self._start: Start = start
        self._utc_ms = utc_ms
        self._random = random
        self._log = structlog.get_logger().bind(destination=name)
        self._state: State = "idle"
        self._since_ms = utc_ms()
        self._through = 0
        self._refused = 0
        self._pending: Batch | None = None
        self._last_error = ""
        self._paused_s = 0.0
        self._failures = 0
        self._ready = False
        self._hurry = asyncio.Event()
        self._changed = asyncio.Event()
        self._thread: ThreadPoolExecutor | None = None

    def status(self) -> Status:
        """Return how the delivery stands."""
        return Status(
            self.name,
            self.kind,
            self._state,
            self._through,
            max(0, self._growth.head - self._through),
            self._last_error,
            self._since_ms,
            self._refused,
        )

    async def run(self) -> None:
        """Deliver until cancelled. Returns by itself only when the destination is broken; its cursor is kept.

        A journal or cursors that can't be read or written are waited out like an outage; what else they raise is our
        bug and comes out.
        """
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"delivery {self.name}")
        try:
            while self._state != "broken":
                try:
                    await self._attempt()
                except (Unreachable, JournalError) as cause:
                    await self._wait_out(cause)
                except _Broken as cause:
                    self._break(cause)
        finally:
            try:
                await self._shut()
                await self._in_thread(int)  # what a cancelled call left running ends before the thread goes
            finally:
                self._thread.shutdown(wait=False)

    async def drain(self, timeout_s: float) -> bool:
        """Have everything that the journal holds now delivered; return whether it was, after at most `timeout_s`.

        `run` must be under way. A destination that was unreachable is tried once more, at once; the first attempt
        that fails ends the wait.
        """
        goal, failures = self._growth.head, self._failures
        self._hurry.set()
        try:
            async with asyncio.timeout(timeout_s):
                while self._through < goal and self._failures == failures and self._state != "broken":
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            pass
        finally:
            self._hurry.clear()
        return self._through >= goal

    async def _attempt(self) -> None:
        """Open where needed, then deliver for as long as the destination answers."""
        if not self._ready:
            await self._in_thread(self._read_cursor)
            await self._ask(self._destination.open())
            self._ready = True
        while True:
            if self._pending is None and self._growth.head <= self._through:
                self._answers("idle")
                await self._growth.wait_beyond(self._through)
            batch, examined = await self._in_thread(self._next)
            if batch:
                if self._state == "idle":
                    self._state = "delivering"
                await self._hand_over(batch, examined)
                self._answers("delivering")
            elif examined > self._through:
                await self._in_thread(self._move, examined, ())
                self._changed.set()

    def _read_cursor(self) -> None:
        head = self._source.head()[0]
        cursor = self._cursors.cursor(self.name, self._source.epoch, start=self._start, head=head)
        self._through, self._pending, self._refused = cursor.through, cursor.pending, cursor.refused
        if cursor.through > head:
            raise _Broken(
                f"the cursor stands at {cursor.through} and the journal ends at {head}: an older copy of the journal "
                f"was put in its place; restore it by command, so that its records get ids of their own"
            )

    def _next(self) -> tuple[list[Publication], int]:
        """Return the next batch, its boundaries kept, and the sequence up to which the journal was looked through."""
        pending = self._pending
        if pending is not None:
            most = pending.last - pending.first + 1
            found = self._source.entries(pending.first - 1, most, kinds=pending.kinds)
            entries = [entry for entry in found if entry.sequence <= pending.last]
            return self._published(entries), pending.last
        head = self._source.head()[0]
        entries = list(self._source.entries(self._through, BATCH_RECORDS, kinds=self._kinds))
        if not entries:
            return [], head
        first, last = entries[0].sequence, entries[-1].sequence
        pending = Batch(first, last, f"{self._source.epoch}-{first}-{last}", self._kinds)
        self._cursors.begin(self.name, self._source.epoch, pending)
        self._pending = pending
        return self._published(entries), last if len(entries) == BATCH_RECORDS else max(head, last)

    def _published(self, entries: Sequence[Entry]) -> list[Publication]:
        return [publish(entry, self._source.epoch, self._source.station) for entry in entries]

    async def _hand_over(self, batch: Sequence[Publication], examined: int) -> None:
        pending = self._pending
        if pending is None:
            raise AssertionError("a batch is handed over before its boundaries were kept")
        outcome = await self._ask(self._destination.deliver(batch, pending.key))
        refused = _refusals(outcome, batch, pending)
        if outcome.through < pending.first:
            raise Unreachable(f"none of {len(batch)} records was taken", hint="they are kept and sent again")
        through = outcome.through if outcome.through < pending.last else examined
        await self._in_thread(self._move, through, refused)
        self._changed.set()

    def _move(self, through: int, refused: Sequence[tuple[int, str]]) -> None:
        self._refused = self._cursors.advance(self.name, self._source.epoch, through, refused, self._utc_ms())
        self._through, self._pending = through, None

    def _answers(self, state: Literal["idle", "delivering"]) -> None:
        if self._state == "unreachable":
            self._log.info("reachable again", through=self._through)
            self._since_ms = self._utc_ms()
        self._state = state
        self._paused_s = 0.0

    async def _wait_out(self, cause: GaugepostError) -> None:
        """Let go of the destination, and wait before the next attempt unless somebody is in a hurry.

        What the far side asked for comes before the pause of our own, which spreads the stations that were asked.
        """
        self._last_error = str(cause)
        if self._state != "unreachable":
            self._log.warning("unreachable", reason=str(cause), through=self._through)
            self._state, self._since_ms = "unreachable", self._utc_ms()
        await self._shut()
        self._failures += 1
        self._changed.set()
        self._paused_s = pause_s(self._paused_s, self._random)
        try:
            async with asyncio.timeout(asked_s(cause) + self._paused_s):
                await self._hurry.wait()
            self._hurry.clear()
        except TimeoutError:
            pass

    def _break(self, cause: Exception) -> None:
        words = str(cause)
        self._last_error = words
        self._state, self._since_ms = "broken", self._utc_ms()
        self._log.error("broken: its deliveries stop, its cursor is kept", cause=words, exc_info=cause)
        self._changed.set()

    async def _shut(self) -> None:
        self._ready = False
        try:
            async with asyncio.timeout(CLOSING_S):
                await self._destination.close()
        except Exception as cause:  # noqa: BLE001 - whatever a destination raises here is its bug, and is shown
            self._break(_Broken(_named(cause)))

    async def _ask(self, call: Awaitable[T]) -> T:
        """Await the destination. `Unreachable` comes out as it is, anything else as `_Broken`."""
        try:
            return await call
        except Unreachable:
            raise
        except asyncio.CancelledError as cause:
            task = asyncio.current_task()
            if task is not None and task.cancelling():
                raise
            # Raised as it is, this delivery would end in silence.
            raise _Broken("it was cancelled from inside") from cause
        except Exception as cause:
            raise _Broken(_named(cause)) from cause

    async def _in_thread(self, call: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, lambda: call(*args))


def _named(cause: Exception) -> str:
    return f"{type(cause).__name__}: {cause}"


def _refusals(outcome: object, batch: Sequence[Publication], pending: Batch) -> list[tuple[int, str]]:
    """Return the refused sequences with their answers. Raises `_Broken` for an outcome that can't be."""
    if not isinstance(outcome, Outcome) or not pending.first - 1 <= outcome.through <= pending.last:
        raise _Broken(f"it answered {outcome!r} to a batch from {pending.first} to {pending.last}")
    sequences = {publication["id"]: publication["sequence"] for publication in batch}
    refused = []
    for refusal in outcome.refused:
        sequence = sequences.get(refusal.id)
        if not isinstance(sequence, int) or sequence > outcome.through:
            raise _Broken(f"it refused {refusal.id}, which is not among the records it has dealt with")
        refused.append((sequence, refusal.answer))
    return refused

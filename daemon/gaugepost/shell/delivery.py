"""A delivery takes records from the journal to one destination: in order, each at least once, never ahead of the disk.

Each delivery has its own task, its own thread for the disk, its own cursor and its own patience, so that a slow or
dead destination delays nobody. It decides nothing about a record: the destination answers held, refused or
unreachable, and the cursor follows the answer.
"""

from __future__ import annotations

import asyncio
import contextlib
import random as chance
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Literal, TypeVar

import structlog

from gaugepost.contract import Destination, Unreachable
from gaugepost.core.errors import CommandRefused, GaugepostError, JournalError
from gaugepost.core.record import Kind
from gaugepost.edge.asides import By
from gaugepost.edge.cursors import Cursors, Start
from gaugepost.shell.delivery_status import State, Status
from gaugepost.shell.far_side import Broken, FarSide
from gaugepost.shell.growth import Growth
from gaugepost.shell.patience import asked_s, pause_s
from gaugepost.shell.place import BATCH_RECORDS, Found, Place, Source, WrongJournal
from gaugepost.shell.streaming import Streaming

BUSY_S = 10.0
"""How long a command waits for a batch that is just being handed over."""
OUTCOME_S = 5.0
"""How long who wants it tried at once waits to hear how it went."""

T = TypeVar("T")


class Delivery:
    """One destination, its place in the journal and the task between them."""

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
        start: Start | int = "beginning",
        utc_ms: Callable[[], int],
        random: Callable[[], float] = chance.random,
    ) -> None:
        """Tie `destination` to `source`; nothing happens before `run`.

        `kinds` are the records it wants (None: all), `kind` its adapter's name, `start` where it begins when it was
        never seen before (a number: with the first record measured at that time, UTC in ms, or later), `utc_ms` the
        wall clock, `random` yields numbers in [0, 1).
        """
        self.name = name
        self.kind = kind
        self._far_side = FarSide(destination)
        self._place = Place(name, source, cursors, kinds, start, utc_ms, growth)
        self._growth = growth
        self._utc_ms = utc_ms
        self._random = random
        self._log = structlog.get_logger().bind(destination=name)
        self._state: State = "idle"
        self._since_ms = utc_ms()
        self._last_error = ""
        self._paused_s = 0.0
        self._failures = 0
        self._heard = 0
        """How often something was heard of the far side, good or bad."""
        self._ready = False
        self._again_next = True
        self._begun: Found | None = None
        """The batch under way, where it is known without asking the disk."""
        self._in_batches = False
        """Whether the next records go out in a batch though the far side takes them as they come: not all went well."""
        self._queued = 0
        """How many commands wait for their turn."""
        self._turn = asyncio.Lock()
        """Held while anything is handed over, or changed about what is."""
        self._hurry = asyncio.Event()
        self._mended = asyncio.Event()
        self._woken = asyncio.Event()
        """Set when the journal grows, or somebody wants something handed over again."""
        self._changed = asyncio.Event()
        self._thread: ThreadPoolExecutor | None = None

    def status(self) -> Status:
        """Return how the delivery stands."""
        place = self._place
        return Status(
            self.name,
            self.kind,
            self._state,
            place.through,
            max(0, self._growth.head - place.through),
            self._last_error,
            self._since_ms,
            place.counts,
            place.pending,
        )

    async def run(self) -> None:
        """Deliver until cancelled. One that is broken keeps its cursor and waits for `retry`.

        A journal or cursors that can't be read or written are waited out like an outage; what else they raise is our
        bug and comes out.
        """
        self._thread = ThreadPoolExecutor(1, thread_name_prefix=f"delivery {self.name}")
        self._growth.watch(self._woken.set)
        try:
            while True:
                try:
                    await self._attempt()
                except (Unreachable, JournalError) as cause:
                    await self._wait_out(cause)
                except (Broken, WrongJournal) as cause:
                    self._break(cause)
                if self._state == "broken":
                    await self._await_mending()
        finally:
            self._growth.leave(self._woken.set)
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
        self._woken.set()
        try:
            async with asyncio.timeout(timeout_s):
                while self._place.through < goal and self._failures == failures and self._state != "broken":
                    self._changed.clear()
                    await self._changed.wait()
        except TimeoutError:
            pass
        finally:
            self._hurry.clear()
        return self._place.through >= goal

    async def retry(self, by: By) -> None:
        """Try at once where it is unreachable, begin again where it is broken; return once it is known how that went.

        Returns after some seconds also where it is not known then. Raises `Unreachable` where `by` can't be kept.
        """
        await self._in_thread(self._place.tried, by)
        self._log.info("retry", operator=by.operator, reason=by.reason)
        heard = self._heard
        if not self._go_on():
            return
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(OUTCOME_S):
                while self._heard == heard:
                    self._changed.clear()
                    await self._changed.wait()

    async def hand_over_again(self, sequences: Sequence[int] | None, by: By) -> int:
        """Hand refused records, or all of them, over again, out of order and in batches of their own; return how many.

        They are on their way when this returns, and off the list when the far side has taken them.

        Raises:
            CommandRefused: one of them is not set aside.
            Unreachable: it can't be kept.
        """
        count = await self._in_thread(self._place.ask_again, sequences, by)
        self._log.info("handed over again", records=count, operator=by.operator, reason=by.reason)
        self._woken.set()
        self._go_on()
        return count

    async def skip(self, epoch: str, sequences: Sequence[int], by: By) -> int:
        """Skip records that are set aside or in the batch under way; return how many, and go on without them.

        Raises:
            CommandRefused: one of them is neither, or a batch is being handed over.
            Unreachable: it can't be kept.
        """
        return await self._skipped(by, self._place.skip, epoch, sequences)

    async def skip_batch(self, key: str, by: By) -> int:
        """Skip every record of the batch under way, if `key` is its key. Raises as `skip`."""
        return await self._skipped(by, self._place.skip_batch, key)

    async def _skipped(self, by: By, call: Callable[..., int], *what: object) -> int:
        async with self._own_turn():
            self._begun = None
            count = await self._in_thread(call, *what, by)
        self._log.info("skipped", records=count, operator=by.operator, reason=by.reason)
        self._go_on()
        return count

    @contextlib.asynccontextmanager
    async def _own_turn(self) -> AsyncIterator[None]:
        self._queued += 1
        self._woken.set()
        try:
            async with asyncio.timeout(BUSY_S):
                await self._turn.acquire()
        except TimeoutError:
            raise CommandRefused(
                f"{self.name} is handing over a batch, and has no answer yet", hint="say it again later"
            ) from None
        finally:
            self._queued -= 1
        try:
            yield
        finally:
            self._turn.release()

    def _go_on(self) -> bool:
        """End a wait for the far side or for a person; return whether there was one."""
        if self._state == "broken":
            self._mended.set()
        elif self._state == "unreachable":
            self._hurry.set()
        return self._state in ("broken", "unreachable")

    async def _attempt(self) -> None:
        """Open where needed, then deliver for as long as the destination answers."""
        place = self._place
        if not self._ready:
            self._begun = None
            while not await self._in_thread(place.read):
                await self._growth.wait_beyond(place.through)
            await self._far_side.open()
            self._ready = True
        while True:
            while not (self._behind() or place.counts.again):
                self._answers("idle")
                await self._news()
            async with self._turn:
                # By turns, so that neither a record that is refused in an odd way nor a long way behind ends the other.
                if place.counts.again and (self._again_next or not self._behind()):
                    self._again_next = False
                    await self._hand_over_again()
                elif self._may_stream():
                    await self._hand_over_as_it_comes()
                else:
                    self._again_next = True
                    await self._hand_over_next()

    def _behind(self) -> bool:
        return self._place.pending is not None or self._growth.head > self._place.through

    async def _news(self) -> None:
        """Wait until the journal grows or somebody wants something handed over again."""
        self._woken.clear()
        if not (self._behind() or self._place.counts.again):
            await self._woken.wait()

    def _may_stream(self) -> bool:
        """Whether records may go out as they come: the far side takes them so, and the next ones are at hand."""
        ready = self._far_side.is_continuous and not self._in_batches and self._place.is_plain
        return ready and bool(self._growth.late(self._place.through, 1))

    async def _hand_over_as_it_comes(self) -> None:
        self._begun = None
        stream = await self._far_side.stream(self._woken.set)
        streaming = Streaming(stream, self._place, self._growth, self._woken, self._keep)
        await streaming.run(lambda: bool(self._queued or self._place.counts.again), self._hurry.is_set)
        self._in_batches = stream.over

    def _keep(self, through: int) -> asyncio.Future[None]:
        def kept(future: asyncio.Future[None]) -> None:
            if not future.cancelled() and future.exception() is None:
                self._answers("delivering" if self._behind() else "idle")

        keeping = asyncio.ensure_future(self._in_thread(self._place.keep, through))
        keeping.add_done_callback(kept)
        return keeping

    async def _hand_over_next(self) -> None:
        found, self._begun = self._begun, None
        if found is None:
            found = await self._in_thread(self._place.next)
        batch, examined = found
        if batch:
            if self._state == "idle":
                self._state = "delivering"
            pending = self._place.pending
            if pending is None:
                raise AssertionError("a batch is handed over before its boundaries were kept")
            async with self._reading_ahead(examined):
                through, refused = await self._far_side.hand_over(batch, pending)
            moved = through if through < pending.last else examined
            self._begun = await self._in_thread(self._place.move, moved, refused)
            self._in_batches = moved != examined
            self._answers("delivering")
        elif examined > self._place.through:
            self._begun = await self._in_thread(self._place.move, examined, ())
        self._changed.set()

    @contextlib.asynccontextmanager
    async def _reading_ahead(self, after: int) -> AsyncIterator[None]:
        """Have the next batch read meanwhile, where a whole one waits: the far side's time is not the disk's."""
        if self._growth.head - after < BATCH_RECORDS:
            yield
            return
        ahead = asyncio.ensure_future(self._in_thread(self._place.read_ahead, after))
        try:
            yield
        finally:
            await ahead

    async def _hand_over_again(self) -> None:
        found = await self._in_thread(self._place.again)
        if found is None:
            return
        batch, bounds = found
        through, refused = await self._far_side.hand_over(batch, bounds)
        sequences = [
            s for s in (record["sequence"] for record in batch) if isinstance(s, int) and s <= through
        ]
        await self._in_thread(self._place.answered, sequences, refused)
        self._answers("delivering")
        self._changed.set()

    def _answers(self, state: Literal["idle", "delivering"]) -> None:
        if self._state == "unreachable":
            self._log.info("reachable again", through=self._place.through)
            self._since_ms = self._utc_ms()
        self._state = state
        self._paused_s = 0.0
        self._heard += 1
        self._changed.set()

    async def _wait_out(self, cause: GaugepostError) -> None:
        """Let go of the destination, and wait before the next attempt unless somebody is in a hurry.

        What the far side asked for comes before the pause of our own, which spreads the stations that were asked.
        """
        self._last_error = str(cause)
        if self._state != "unreachable":
            self._log.warning("unreachable", reason=str(cause), through=self._place.through)
            self._state, self._since_ms = "unreachable", self._utc_ms()
        sound = await self._shut()
        self._failures += 1
        self._heard += 1
        self._changed.set()
        self._paused_s = pause_s(self._paused_s, self._random)
        if not sound:
            return
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
        self._heard += 1
        self._changed.set()

    async def _await_mending(self) -> None:
        """Let go of the destination until somebody wants it tried again."""
        self._mended.clear()
        await self._shut()
        await self._mended.wait()
        self._state, self._since_ms = "idle", self._utc_ms()
        self._log.info("begins again", through=self._place.through)

    async def _shut(self) -> bool:
        """Let go of the destination; return whether it did as it should."""
        self._ready = False
        try:
            await self._far_side.close()
        except Broken as cause:
            self._break(cause)
            return False
        return True

    async def _in_thread(self, call: Callable[..., T], *args: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, lambda: call(*args))

"""The station's key signs the journal's head now and then, beside everything else: no reading and no commit waits.

What is signed is on the disk already. The checkpoint is an event like any other and comes some records later; what
that covers it says itself.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from gaugepost.core.bench.events import HeadSigned
from gaugepost.core.errors import JournalError, SettingsError
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind
from gaugepost.edge.evidence import keys
from gaugepost.edge.journal import Reader
from gaugepost.edge.stationfile.tables.checkpoints import CheckpointPlan
from gaugepost.shell.growth import Growth
from gaugepost.shell.recorder import Recorder

AGAIN_S = 30.0
"""After how long one that could not be made is tried again."""
KEPT_S = 10.0
"""How long is waited for one to be on the disk: while nothing is recorded it never is."""

log = structlog.get_logger(__name__)


@dataclass(slots=True)
class Standing:
    """How checkpoints stand."""

    last: int = 0
    """The last record that one of this file covers; 0 where there is none."""
    at_ms: int | None = None
    """When that was made, UTC."""
    key: bytes | None = None
    """Public key of the last one that was made since the start."""
    problem: str = ""


class Checkpointing:
    """Makes checkpoints; one at a time."""

    def __init__(
        self,
        plan: CheckpointPlan,
        recorder: Recorder,
        reader: Reader,
        growth: Growth,
        now: Callable[[], Moment],
    ) -> None:
        self.standing = Standing()
        self._plan, self._recorder, self._reader, self._growth, self._now = (
            plan,
            recorder,
            reader,
            growth,
            now,
        )
        self._own = 0
        """Where the journal ends while nothing came since the last checkpoint: with that one's own record."""
        self._looked = False
        self._turn = asyncio.Lock()

    async def run(self) -> None:
        """Make one whenever it is due, for ever."""
        await self._look_once()
        while True:
            await self._due()
            if not await self.make():
                await asyncio.sleep(AGAIN_S)

    async def end(self) -> None:
        """Make the last one, over all that is recorded by now. A disk or a key that fails keeps nobody from ending."""
        await self._recorder.settled(KEPT_S)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(2 * KEPT_S):
                await self.make()

    async def make(self) -> bool:
        """Make one now, where anything came since the last; return whether all is well, once it is on the disk."""
        async with self._turn:
            await self._look_once()
            if self._growth.head <= self._own:
                return True
            now = self._now()
            try:
                signed = await asyncio.to_thread(self._signed, now)
            except (SettingsError, JournalError) as error:
                self._heard(f"{error.finding}; {error.hint}")
                return False
            if not await self._kept(signed, now):
                self._heard("the journal takes no records")
                return False
            self.standing.last, self.standing.at_ms = signed.checkpoint.last, now.utc_ms
            self.standing.key = signed.key
            self._own = signed.checkpoint.last + 1
            if signed.checkpoint.next_key is not None:
                return await self._changed(signed.checkpoint.next_key)
            self._heard("")
            return True

    async def _due(self) -> None:
        """Wait until one is due: after so many records, or so long after the first one."""
        await self._growth.wait_beyond(self._own)
        try:
            async with asyncio.timeout(self._plan.every_ms / 1000):
                await self._growth.wait_beyond(max(self._own, self.standing.last + self._plan.records - 1))
        except TimeoutError:
            return

    async def _look_once(self) -> None:
        if not self._looked:
            await asyncio.to_thread(self._look)
            self._looked = True

    def _look(self) -> None:
        """Find the last one in the journal, and load what signs: both take their time, once."""
        for entry in self._reader.latest(1, kinds=(Kind.CHECKPOINT,)):
            last = entry.record.last or 0
            self.standing.last, self.standing.at_ms = last, entry.record.measured_at
            self._own = last + 1
        try:
            keys.read(self._plan.key)
        except SettingsError as error:
            self._heard(f"{error.finding}; {error.hint}")

    def _signed(self, now: Moment) -> Signed:
        """Return the journal's head as it is on the disk now, signed. Blocks on the disk."""
        key, coming = keys.read(self._plan.key), keys.next_of(self._plan.key)
        sequence, digest = self._reader.head()
        following = keys.read(coming).public if coming.exists() else None
        if following == key.public:
            following = None
        first = max(self.standing.last, self._reader.base[0]) + 1
        epoch = self._reader.epoch.of(sequence)
        return key.signed(
            Checkpoint(self._reader.station, epoch, first, sequence, digest, now.utc_ms, following)
        )

    async def _kept(self, signed: Signed, now: Moment) -> bool:
        """Have it recorded; return whether it is on the disk."""
        if not self._recorder.recording:
            return False
        kept = asyncio.Event()
        self._recorder.tell(HeadSigned(signed), now, kept.set)
        try:
            async with asyncio.timeout(KEPT_S):
                await kept.wait()
        except TimeoutError:
            return False
        return True

    async def _changed(self, key: bytes) -> bool:
        """Put the next key in use, which is announced."""
        try:
            await asyncio.to_thread(keys.put_in_use, self._plan.key)
        except SettingsError as error:
            self._heard(f"{error.finding}; {error.hint}")
            return False
        log.info("checkpoints are signed by the next key", key=key.hex())
        self._heard("")
        return True

    def _heard(self, problem: str) -> None:
        """Say it once when none can be made, and once when they are made again."""
        before, self.standing.problem = self.standing.problem, problem
        if problem and problem != before:
            log.error("no checkpoint", problem=problem)
        elif before and not problem:
            log.info("checkpoints are made again")

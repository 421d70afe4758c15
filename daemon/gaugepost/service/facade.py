"""What the service may see of the running daemon."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection
from dataclasses import dataclass, field

from gaugepost.core.indication import Moment
from gaugepost.core.publication import record_id
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Reader
from gaugepost.edge.stationfile import Station
from gaugepost.shell.backups.scheduled import Backups
from gaugepost.shell.command_intake import CommandIntake
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.evidence.access import AccessRecords
from gaugepost.shell.evidence.checkpointing import Checkpointing
from gaugepost.shell.growth import Growth
from gaugepost.shell.intake import Intake
from gaugepost.shell.lessons.lessons import Lessons
from gaugepost.shell.parts.parts import Parts
from gaugepost.shell.parts.reloading import Reloading
from gaugepost.shell.recorder import Recorder
from gaugepost.shell.room import RoomWatch


@dataclass(frozen=True, slots=True)
class Running:
    """A station at work, as `app` puts it together."""

    parts: Parts
    recorder: Recorder
    reader: Reader
    growth: Growth
    cursors: Cursors
    now: Callable[[], Moment]
    started: Moment
    reload: Reloading
    room: RoomWatch | None = None
    backups: Backups | None = None
    """The schedule of backups; None where the station file has none."""
    checkpoints: Checkpointing | None = None
    """What signs the journal's head; None where the station file has no key."""
    access: AccessRecords | None = None
    """What has changes of who may come in recorded."""
    closing: asyncio.Event = field(default_factory=asyncio.Event)
    """Set when the service ends: whoever waits for records is answered at once."""

    @property
    def station(self) -> Station:
        """The station as it runs now; its file may have been taken again since the start."""
        return self.parts.station

    @property
    def intakes(self) -> Collection[Intake]:
        """What listens, in the order of the file."""
        return self.parts.intakes.values()

    @property
    def deliveries(self) -> Collection[Delivery]:
        """What hands records on."""
        return self.parts.deliveries.values()

    @property
    def command_intakes(self) -> Collection[CommandIntake]:
        """What brings commands from where records go."""
        return self.parts.command_intakes.values()

    @property
    def lessons(self) -> Lessons:
        """What is being taught."""
        return self.parts.lessons

    async def access_changed(self) -> None:
        """Have recorded who may come in otherwise than before; the answer to whoever changed it waits for that."""
        if self.access is not None:
            await self.access.look()

    def id_of(self, sequence: int) -> str:
        """Return the lasting id of the record at `sequence`."""
        return record_id(self.reader.epoch, sequence)

    async def grown(self, after: int, seconds: float) -> bool:
        """Wait for records beyond `after`; return whether there are any. The end of the service ends the wait."""
        growing = asyncio.create_task(self.growth.wait_beyond(after))
        closing = asyncio.create_task(self.closing.wait())
        try:
            await asyncio.wait({growing, closing}, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
            return growing.done() and not closing.done()
        finally:
            growing.cancel()
            closing.cancel()
            await asyncio.gather(growing, closing, return_exceptions=True)

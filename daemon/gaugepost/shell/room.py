"""The disk's room watched while the station runs: said once when it gets short, and once when it is well again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

import structlog

from gaugepost.core.errors import JournalError
from gaugepost.edge.journal import Reader
from gaugepost.edge.journal.room import Room, look

EVERY_S = 300.0

log = structlog.get_logger(__name__)


class RoomWatch:
    """What the disk has for the journal, looked at now and then. Nothing is refused for it: the disk itself does."""

    def __init__(
        self,
        reader: Reader,
        floor_bytes: int,
        warning_ms: int,
        utc_ms: Callable[[], int],
        every_s: float = EVERY_S,
    ) -> None:
        self.room: Room | None = None
        """None before the first look."""
        self.warning = ""
        """What somebody must know of it, empty where nothing."""
        self._reader, self._floor, self._warning_ms = reader, floor_bytes, warning_ms
        self._utc_ms, self._every_s = utc_ms, every_s

    async def run(self) -> None:
        """Look at the disk, for ever."""
        while True:
            try:
                self._seen(await asyncio.to_thread(look, self._reader, self._floor, self._utc_ms()))
            except (JournalError, OSError) as cause:
                log.warning("the disk's room is not known", problem=str(cause))
            await asyncio.sleep(self._every_s)

    def _seen(self, room: Room) -> None:
        was_below = self.room is not None and self.room.is_below
        warning = room.warning(self._warning_ms)
        if warning and (not self.warning or room.is_below != was_below):
            (log.error if room.is_below else log.warning)("the disk is getting full", problem=warning)
        elif self.warning and not warning:
            log.info("the disk has room again", room=room.told())
        self.room, self.warning = room, warning

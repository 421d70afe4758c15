"""Who may come in, on record: each change of people and tokens becomes a record, whoever made it and however.

The files say how things stand, not what became of them; so they are held against what the journal says last. What
changed while the service did not run is found when it starts: as it stands then, by whom it was changed last.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator

import structlog

from gaugepost.core.access.entries import change, entry_of_person, entry_of_token
from gaugepost.core.bench.events import AccessChanged
from gaugepost.core.errors import JournalError, SettingsError
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind
from gaugepost.edge.access import AccessFile, PeopleFile
from gaugepost.edge.journal import Reader
from gaugepost.shell.recorder import Recorder

LOOK_S = 2.0
KEPT_S = 10.0
"""How long whoever changed something waits for the record of it; while nothing is recorded it comes later."""
BY = "command line"
"""Who grants and revokes tokens: nothing else does."""

log = structlog.get_logger(__name__)


class AccessRecords:
    """Has changes recorded."""

    def __init__(
        self,
        people: PeopleFile,
        tokens: AccessFile,
        recorder: Recorder,
        reader: Reader,
        now: Callable[[], Moment],
    ) -> None:
        self._people, self._tokens = people, tokens
        self._recorder, self._reader, self._now = recorder, reader, now
        self._known: dict[str, str] | None = None
        """How each entry stood when it was last recorded."""
        self._turn = asyncio.Lock()
        self._problem = ""

    async def run(self) -> None:
        """Look again and again, for ever."""
        while True:
            await self.look()
            await asyncio.sleep(LOOK_S)

    async def look(self) -> None:
        """Have recorded what changed since the last look, and wait for that."""
        async with self._turn:
            try:
                changes = await asyncio.to_thread(lambda: list(self._changes()))
            except (SettingsError, JournalError) as error:
                if error.finding != self._problem:
                    log.error("can't look who may come in", problem=str(error))  # noqa: TRY400 - no bug of ours
                self._problem = error.finding
                return
            self._problem = ""
            kept = asyncio.Event()
            for event in changes:
                kept.clear()
                self._recorder.tell(event, self._now(), kept.set)
                assert self._known is not None
                self._known[event.name] = event.entry
            if changes:
                await self._wait(kept)

    async def _wait(self, kept: asyncio.Event) -> None:
        try:
            async with asyncio.timeout(KEPT_S):
                await kept.wait()
        except TimeoutError:
            log.warning("a change of who may come in is not on record yet")

    def _changes(self) -> Iterator[AccessChanged]:
        """Yield what is otherwise than it is on record. Blocks on the disk."""
        if self._known is None:
            replayed = self._reader.replay(kinds=(Kind.ACCESS,))
            self._known = {
                each.record.person: each.record.text or ""
                for each in replayed
                if each.record.person is not None
            }
        for person in self._people.people():
            entry = entry_of_person(person)
            if what := change(self._known.get(person.id), entry):
                yield AccessChanged(person.id, what, person.by, entry)
        latest = {grant.name: grant for grant in self._tokens.grants()}
        for grant in latest.values():
            entry = entry_of_token(grant)
            if what := change(self._known.get(grant.name), entry):
                yield AccessChanged(grant.name, what, BY, entry)

"""Signing in: one try at a time, counted on disk before it is looked at, so that no restart and no haste gives more."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import structlog

from gaugepost.core.access import (
    FREE_FOR_A_PERSON,
    FREE_FOR_AN_ADDRESS,
    NotKnown,
    Person,
    TooManyTries,
    Tries,
    alike,
    digest,
)
from gaugepost.core.access.tries import FORGET_ADDRESS_MS
from gaugepost.core.errors import Unreachable
from gaugepost.edge.access import PeopleFile, TriesFile
from gaugepost.edge.access.tries import AllTries

MOST_WAITING = 8
"""Tries that may wait for their turn; each takes a part of a second of one processor."""

log = structlog.get_logger(__name__)


@dataclass(slots=True)
class SigningIn:
    """Finds out whether somebody is who they say."""

    people: PeopleFile
    tries: TriesFile
    utc_ms: Callable[[], int]
    _turn: asyncio.Lock = field(default_factory=asyncio.Lock)
    _waiting: int = 0

    async def by_pin(self, id: str, pin: str, address: str) -> Person:  # noqa: A002 - the record's word
        """Return who that is.

        Raises:
            NotKnown: nobody has that id and PIN; which of the two is wrong is not told.
            SettingsError: a file can't be used; nobody is let in.
            TooManyTries: it has to be waited first, or an administrator must help.
            Unreachable: others are being looked at.
        """
        return await self._one(lambda: self._tried(id, address, lambda: self.people.known_by_pin(id, pin)))

    async def by_code(self, code: str, address: str) -> Person:
        """Return whose code that is. Raises as `by_pin` does."""
        return await self._one(lambda: self._tried(None, address, lambda: self.people.known_by_code(code)))

    async def _one(self, tried: Callable[[], Person | None]) -> Person:
        if self._waiting >= MOST_WAITING:
            raise Unreachable("others are signing in just now", hint="try again in a moment")
        self._waiting += 1
        try:
            async with self._turn:
                found = await asyncio.to_thread(tried)
        finally:
            self._waiting -= 1
        if found is None:
            raise NotKnown(
                "nobody here signs in with that", hint="look at id and PIN, or scan the code again"
            )
        return found

    def _tried(self, id: str | None, address: str, known: Callable[[], Person | None]) -> Person | None:  # noqa: A002
        """Count a try as wrong, look, and take it back where it was right. Blocks: for a thread of its own."""
        before, now = self._before(id, address), self.utc_ms()
        whose = self._whose(id)
        self._refuse(before, whose, address, now)
        counted = _counted(before, whose, address, now)
        self.tries.write(counted)
        found = known()
        if found is None:
            log.warning("sign-in refused", person=whose[1] if whose and whose[0] else None, address=address)
            return None
        people = {name: each for name, each in counted.people.items() if name != alike(found.id)}
        addresses = {**counted.addresses, address: counted.addresses[address].without_one()}
        self.tries.write(replace(counted, people=people, addresses=addresses))
        return found

    def _whose(self, id: str | None) -> tuple[bool, str] | None:  # noqa: A002
        """Return whether somebody has this id, and by what it is counted.

        What nobody has as an id may be a PIN in the wrong place: three digits of a digest tell nobody which.
        """
        if id is None:
            return None
        name = alike(id)
        known = name in self.people.ids()
        return known, name if known else digest(name)[:3]

    def _before(self, id: str | None, address: str) -> AllTries:  # noqa: A002
        """Return the tries that count: not those before somebody's PIN was set anew, nor an address's of long ago."""
        tries, now = self.tries.all(), self.utc_ms()
        secret_at = {alike(person.id): person.secret_at for person in self.people.people()}
        return AllTries(
            {
                name: each
                for name, each in tries.people.items()
                if each.last_ms > secret_at.get(name, each.last_ms)
            },
            tries.strangers,
            {name: each for name, each in tries.addresses.items() if now - each.last_ms < FORGET_ADDRESS_MS},
        )

    def _refuse(self, tries: AllTries, whose: tuple[bool, str] | None, address: str, now: int) -> None:
        wait = tries.addresses.get(address, Tries()).wait_ms(now, FREE_FOR_AN_ADDRESS)
        if whose is not None:
            known, name = whose
            theirs = (tries.people if known else tries.strangers).get(name, Tries())
            if theirs.ended:
                raise TooManyTries(None)
            wait = max(wait, theirs.wait_ms(now, FREE_FOR_A_PERSON))
        if wait:
            raise TooManyTries(-(-wait // 1000))


def _counted(tries: AllTries, whose: tuple[bool, str] | None, address: str, now: int) -> AllTries:
    addresses = {**tries.addresses, address: tries.addresses.get(address, Tries()).another(now)}
    tries = replace(tries, addresses=addresses)
    if whose is None:
        return tries
    known, name = whose
    if known:
        return replace(tries, people={**tries.people, name: tries.people.get(name, Tries()).another(now)})
    return replace(
        tries, strangers={**tries.strangers, name: tries.strangers.get(name, Tries()).another(now)}
    )

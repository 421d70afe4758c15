"""Sessions of people in browsers, in memory only: a restart of the service signs everybody out.

What proves a session is 256 random bits in a cookie; here it is known by its digest. Sources: OWASP Session
Management Cheat Sheet (new value at sign-in, idle and absolute time-out, HttpOnly, Secure, SameSite), RFC 6265bis,
4.1.3 (__Host-).
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass, replace

from gaugepost.core.access import Person, digest
from gaugepost.core.indication import Moment

LIFE_MS = 12 * 3_600_000
"""A shift and what comes late."""
IDLE_MS = 60 * 60_000
"""Without a request but the stream: readings come by the gauge, and whoever measures is not asked to sign in again."""
MOST_OF_A_PERSON, MOST_IN_ALL = 10, 200
"""Sessions at a time; beyond that the one that was used longest ago ends."""


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody signed in. `opened` and `used` count through sleep, and stand still for nobody who sets the clock."""

    number: str
    """By which it is listed and ended."""
    person: str
    secret_at: int
    """When their PIN or code was set: a new one ends every session."""
    digest: str
    csrf: str
    """What every command must bring along beside the cookie; a page of ours can read it, another's can't."""
    address: str
    opened: Moment
    used: Moment

    def counts(self, now: Moment) -> bool:
        """Return whether neither its life nor its idle time is over."""
        return now.clock_ms - self.opened.clock_ms < LIFE_MS and now.clock_ms - self.used.clock_ms < IDLE_MS


class Sessions:
    """Whoever is signed in."""

    def __init__(self, now: Callable[[], Moment]) -> None:
        self._now = now
        self._open: dict[str, Session] = {}

    def open(self, person: Person, address: str) -> tuple[str, Session]:
        """Sign somebody in; return what proves it, which only their browser keeps."""
        proof, now = secrets.token_urlsafe(32), self._now()
        session = Session(
            secrets.token_hex(8),
            person.id,
            person.secret_at,
            digest(proof),
            secrets.token_urlsafe(32),
            address,
            now,
            now,
        )
        self._open[session.digest] = session
        self._bound([each for each in self.listed() if each.person == person.id], MOST_OF_A_PERSON)
        self._bound(self.listed(), MOST_IN_ALL)
        return proof, session

    def proven_by(self, proof: str) -> Session | None:
        """Return the session that `proof` proves, if it counts."""
        known = digest(proof)
        found = self._open.get(known)
        if found is None or not hmac.compare_digest(found.digest, known):
            return None
        if not found.counts(self._now()):
            del self._open[known]
            return None
        return found

    def used(self, session: Session) -> None:
        """Remember that a session is in use."""
        if session.digest in self._open:
            self._open[session.digest] = replace(session, used=self._now())

    def listed(self) -> list[Session]:
        """Return every session that counts, the one used longest ago first."""
        now = self._now()
        self._open = {known: each for known, each in self._open.items() if each.counts(now)}
        return sorted(self._open.values(), key=lambda each: each.used.clock_ms)

    def end(self, number: str) -> Session | None:
        """End the session of this number; return it, or None where there is none."""
        found = next((each for each in self._open.values() if each.number == number), None)
        if found is not None:
            del self._open[found.digest]
        return found

    def _bound(self, sessions: list[Session], most: int) -> None:
        for each in sessions[: max(0, len(sessions) - most)]:
            self.end(each.number)


def counts_for(session: Session, person: Person | None) -> bool:
    """Return whether a session still stands for `person` as the file has them now."""
    return person is not None and person.counts and person.secret_at == session.secret_at

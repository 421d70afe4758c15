"""Who may do what over the network: tokens for programs, known by their digest only.

A token is 256 random bits, so its plain SHA-256 gives nothing away (NIST SP 800-63B, 3.1.2: look-up secrets of 112 bits
or more may be stored as a digest); what people choose themselves is another matter (`people.py`).
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from gaugepost.core.errors import ValueRefused

PREFIX = "gpt_"
"""What every token begins with, so that programs that look for secrets in files find one."""

FOR_TOKENS = ("read", "operate", "set-up")
"""Scopes that a token can have."""

_TOKEN = re.compile(r"gpt_[A-Za-z0-9_-]{43}", re.ASCII)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}", re.ASCII)


class Scope(StrEnum):
    """How much is allowed; each includes those before it."""

    READ = "read"
    OPERATE = "operate"
    SET_UP = "set-up"
    ADMINISTER = "administer"
    """For people only: no token says who may do what."""

    def includes(self, other: Scope) -> bool:
        """Return whether whoever has this scope may do what asks for `other`."""
        order = list(Scope)
        return order.index(self) >= order.index(other)


@dataclass(frozen=True, slots=True, kw_only=True)
class Grant:
    """A token's holder, what it allows and how long. Times are UTC in ms."""

    name: str
    scope: Scope
    digest: str
    """SHA-256 of the token, lower-case hex."""
    granted_at: int
    until: int | None = None
    revoked_at: int | None = None

    def counts(self, now_ms: int) -> bool:
        """Return whether it is neither revoked nor over."""
        return self.revoked_at is None and (self.until is None or now_ms < self.until)


def checked_name(name: str) -> str:
    """Return `name`, if a token may be called so.

    Raises:
        ValueRefused: it may not.
    """
    if not _NAME.fullmatch(name):
        raise ValueRefused(
            f"{name[:80]!r} is no name for a token",
            hint="use letters, digits, dots, hyphens and underscores, 63 at most: quality-pc, wall-screen",
        )
    return name


def is_token(text: str) -> bool:
    """Return whether text has a token's form: what has not can't be a guess at one."""
    return _TOKEN.fullmatch(text) is not None


def digest(token: str) -> str:
    """Return by what a token is known."""
    return hashlib.sha256(token.encode()).hexdigest()


def held(grants: Iterable[Grant], token: str, now_ms: int) -> Grant | None:
    """Return the grant that `token` proves, if it counts at `now_ms`. Takes as long for every wrong token."""
    if not is_token(token):
        return None
    known, found = digest(token), None
    for grant in grants:
        if hmac.compare_digest(grant.digest, known) and grant.counts(now_ms):
            found = grant
    return found

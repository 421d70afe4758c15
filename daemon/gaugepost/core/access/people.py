"""People who sign in: an id of their own, a role, and a secret that only its hash is kept of.

What people choose is short, so what holds against guessing is that tries are few (`tries.py`); the slow hash only helps
where the file itself gets into other hands.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from gaugepost.core.access.grants import Scope
from gaugepost.core.errors import ValueRefused
from gaugepost.core.publication import rfc3339

LEAST_DIGITS, MOST_DIGITS = 6, 12
"""Digits of a PIN: six at least (NIST SP 800-63B, 5.1.1.1, for secrets of digits only)."""
LEAST_CODE, MOST_CODE = 8, 200
"""Characters of a scanned code: it alone says who comes, so it must not be a short number that counts up."""
MOST_NAME = 100

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,62}", re.ASCII)
_PIN = re.compile(rf"[0-9]{{{LEAST_DIGITS},{MOST_DIGITS}}}", re.ASCII)


class Role(StrEnum):
    """What somebody does at the station."""

    OPERATOR = "operator"
    """Masters, checks, measures, tags, voids and amends."""
    SETTER = "setter"
    """Also changes the station and what was measured with a master that turned out otherwise."""
    ADMINISTRATOR = "administrator"
    """Also says who may do what, and ends others' sessions."""

    @property
    def scope(self) -> Scope:
        """How much the role allows."""
        return _ALLOWS[self]


_ALLOWS = {
    Role.OPERATOR: Scope.OPERATE,
    Role.SETTER: Scope.SET_UP,
    Role.ADMINISTRATOR: Scope.ADMINISTER,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who may sign in. Times are UTC in ms."""

    id: str
    role: Role
    added_at: int
    by: str
    """Who changed this entry last: an administrator's id, or the command line."""
    secret_at: int
    """When PIN or code was last set: sessions and wrong tries from before do not count."""
    pin: str | None = None
    """Slow salted hash of the PIN, in the form that `edge/access/secret.py` writes."""
    code: str | None = None
    """The same of the scanned code; its salt is the station's, so that a code is found by one hash."""
    revoked_at: int | None = None
    name: str | None = None
    """Their name in print, which their signatures show."""

    @property
    def counts(self) -> bool:
        """Whether they may sign in."""
        return self.revoked_at is None


def checked_id(id: str) -> str:  # noqa: A002 - the record's word
    """Return `id`, if a person may be known by it.

    Raises:
        ValueRefused: it may not.
    """
    if not _ID.fullmatch(id):
        raise ValueRefused(
            f"{id[:80]!r} is no person's id",
            hint="use letters, digits, dots, hyphens and underscores, 63 at most: M2, or a number of the works",
        )
    return id


def checked_printed_name(name: str) -> str:
    """Return `name`, if it may stand below a signature.

    Raises:
        ValueRefused: it does not print, or is too long.
    """
    if not name or name != name.strip() or not name.isprintable() or len(name) > MOST_NAME:
        raise ValueRefused(
            f"{name[:80]!r} is no name in print",
            hint=f"write it as it stands below a signature, in up to {MOST_NAME} characters",
        )
    return name


def checked_pin(pin: str) -> str:
    """Return `pin`, if it may be one. What was written is never repeated.

    Raises:
        ValueRefused: not digits, too few, or the first that anybody tries.
    """
    if not _PIN.fullmatch(pin):
        raise ValueRefused(
            "this is no PIN", hint=f"choose {LEAST_DIGITS} to {MOST_DIGITS} digits, and nothing else"
        )
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if steps in ({0}, {1}, {9}):
        raise ValueRefused(
            "this PIN is among the first that anybody tries",
            hint="choose digits that are neither equal nor in order",
        )
    return pin


def checked_code(code: str) -> str:
    """Return `code`, if it may be what is scanned. What was scanned is never repeated.

    Raises:
        ValueRefused: it does not print, or is too short or long.
    """
    if not LEAST_CODE <= len(code) <= MOST_CODE or not code.isprintable() or code != code.strip():
        raise ValueRefused(
            "this is no code to sign in with",
            hint=f"take one of {LEAST_CODE} to {MOST_CODE} printable characters, best a random one",
        )
    return code


def person_document(person: Person) -> dict[str, str | bool | None]:
    """Return what may be told of somebody."""
    return {
        "id": person.id,
        "name": person.name,
        "role": person.role.value,
        "counts": person.counts,
        "pin": person.pin is not None,
        "code": person.code is not None,
        "added_at": rfc3339(person.added_at),
        "changed_by": person.by,
        "revoked_at": None if person.revoked_at is None else rfc3339(person.revoked_at),
    }


def alike(name: str) -> str:
    """Return what names that a person would read as the same have in common."""
    return unicodedata.normalize("NFKC", name).casefold().strip()

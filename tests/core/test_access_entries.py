"""What a journal keeps of who may come in: how an entry stands, and in a few words what became of it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from gaugepost.core.access import Grant, Person, Role, Scope
from gaugepost.core.access.entries import change, entry_of_person, entry_of_token

AT = 1_795_000_000_000
TIME = "2026-11-18T11:06:40.000Z"
MARA = Person(id="M2", role=Role.OPERATOR, added_at=AT, by="M1", secret_at=AT, pin="scrypt$secret")
CELL = Grant(name="cell-7", scope=Scope.READ, digest="e3b0c442", granted_at=AT)


@pytest.mark.parametrize(
    ("person", "entry"),
    [
        (MARA, f"role operator, PIN set {TIME}"),
        (replace(MARA, code="scrypt$other"), f"role operator, PIN and code set {TIME}"),
        (replace(MARA, pin=None, code="x"), f"role operator, code set {TIME}"),
        (replace(MARA, pin=None, role=Role.SETTER), f"role setter, nothing set {TIME}"),
        (replace(MARA, revoked_at=AT), f"role operator, PIN set {TIME}, revoked {TIME}"),
        (replace(MARA, name="Example, Mara"), f"role operator, PIN set {TIME}, name Example, Mara"),
        (
            replace(MARA, revoked_at=AT, name="Example, Mara"),
            f"role operator, PIN set {TIME}, revoked {TIME}, name Example, Mara",
        ),
    ],
)
def test_how_a_person_stands(person: Person, entry: str) -> None:
    """Role, ways to sign in and since when, whether revoked, the name in print; no secret and no hash."""
    assert entry_of_person(person) == entry


@pytest.mark.parametrize(
    ("grant", "entry"),
    [
        (CELL, f"token read, granted {TIME}"),
        (replace(CELL, scope=Scope.SET_UP, until=AT), f"token set-up, granted {TIME}, until {TIME}"),
        (replace(CELL, until=AT, revoked_at=AT), f"token read, granted {TIME}, until {TIME}, revoked {TIME}"),
    ],
)
def test_how_a_token_stands(grant: Grant, entry: str) -> None:
    """Scope, since when, until when, whether revoked; the token's digest is not told."""
    assert entry_of_token(grant) == entry


NAMED = replace(MARA, name="Example, Mara")
GONE = replace(NAMED, revoked_at=AT + 1)


@pytest.mark.parametrize(
    ("before", "now", "what"),
    [
        (None, MARA, "added"),
        (MARA, MARA, ""),
        (MARA, replace(MARA, role=Role.SETTER), "role"),
        (MARA, replace(MARA, secret_at=AT + 1), "PIN or code"),
        (MARA, replace(MARA, code="x"), "PIN or code"),
        (MARA, NAMED, "name"),
        (NAMED, MARA, "name"),
        (MARA, replace(NAMED, role=Role.SETTER, secret_at=AT + 1), "role and PIN or code and name"),
        (NAMED, GONE, "revoked"),
        (None, GONE, "revoked"),
        (NAMED, replace(GONE, role=Role.SETTER), "revoked"),
        (GONE, NAMED, "added"),
        (MARA, replace(MARA, name="X, revoked at birth, name Y"), "name"),
    ],
)
def test_what_became_of_a_person(before: Person | None, now: Person, what: str) -> None:
    """Everything that changed at once is said; revoked is said alone, and who comes back was added."""
    assert change(None if before is None else entry_of_person(before), entry_of_person(now)) == what


@pytest.mark.parametrize(
    ("before", "now", "what"),
    [
        (None, CELL, "token granted"),
        (CELL, CELL, ""),
        (CELL, replace(CELL, granted_at=AT + 1), "token granted"),
        (CELL, replace(CELL, revoked_at=AT), "token revoked"),
        (None, replace(CELL, revoked_at=AT), "token revoked"),
    ],
)
def test_what_became_of_a_token(before: Grant | None, now: Grant, what: str) -> None:
    """A token is granted, anew or for the first time, or revoked."""
    assert change(None if before is None else entry_of_token(before), entry_of_token(now)) == what

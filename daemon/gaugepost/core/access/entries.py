"""How somebody's entry stands, in words without a secret: what a journal keeps of who may come in."""

from __future__ import annotations

from gaugepost.core.access.grants import Grant
from gaugepost.core.access.people import Person
from gaugepost.core.publication import rfc3339

_NAME = ", name "


def entry_of_person(person: Person) -> str:
    """Return how a person's entry stands: role, ways to sign in and since when, whether revoked, name in print."""
    ways = " and ".join(way for way, has in (("PIN", person.pin), ("code", person.code)) if has)
    said = [f"role {person.role.value}", f"{ways or 'nothing'} set {rfc3339(person.secret_at)}"]
    if person.revoked_at is not None:
        said.append(f"revoked {rfc3339(person.revoked_at)}")
    return ", ".join(said) + (f"{_NAME}{person.name}" if person.name else "")


def entry_of_token(grant: Grant) -> str:
    """Return how a token stands: scope, since when, until when, whether revoked."""
    said = [f"token {grant.scope.value}", f"granted {rfc3339(grant.granted_at)}"]
    if grant.until is not None:
        said.append(f"until {rfc3339(grant.until)}")
    if grant.revoked_at is not None:
        said.append(f"revoked {rfc3339(grant.revoked_at)}")
    return ", ".join(said)


def change(before: str | None, now: str) -> str:
    """Return in a few words what became of an entry; empty where nothing did."""
    if before == now:
        return ""
    is_token = now.startswith("token ")
    if is_token:
        return "token revoked" if ", revoked " in now else "token granted"
    old, new = _parts(before or ""), _parts(now)
    if new["revoked"]:
        return "revoked"
    if before is None or old["revoked"]:
        return "added"
    return " and ".join(what for what in ("role", "PIN or code", "name") if old[what] != new[what])


def _parts(entry: str) -> dict[str, str]:
    rest, _, name = entry.partition(_NAME)
    role, _, rest = rest.partition(", ")
    secret, _, revoked = rest.partition(", ")
    return {"role": role, "PIN or code": secret, "revoked": revoked, "name": name}

"""The file of tokens in the data folder: digests, never a token."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

from gaugepost.core.access import PREFIX, Grant, Scope, checked_name, digest
from gaugepost.core.errors import CommandRefused
from gaugepost.edge.access.private import PrivateFile

FILE_NAME = "access.json"
FORMAT = 1
DAY_MS = 86_400_000


class AccessFile:
    """The tokens of a station. Whoever revokes one needs no restart: each look sees the file as it is."""

    def __init__(self, data: Path) -> None:
        """`data` is the station's data folder."""
        self._file: PrivateFile[tuple[Grant, ...]] = PrivateFile(
            data / FILE_NAME,
            FORMAT,
            (),
            _read,
            "put the file right, or move it away and grant new tokens with `gaugepost access grant`",
        )
        self.path = self._file.path

    def grants(self) -> tuple[Grant, ...]:
        """Return every grant, those that no longer count too, in the order in which they were made.

        Raises:
            SettingsError: the file can't be read, is damaged, or others on this computer may read it.
        """
        return self._file.content()

    def grant(self, name: str, scope: Scope, now_ms: int, *, days: int | None = None) -> str:
        """Grant `name` a new token and return it; this is the only time that anybody sees it.

        Raises:
            CommandRefused: that name has a token that counts.
            SettingsError: the file can't be read or written.
            ValueRefused: no name for a token.
        """
        checked_name(name)
        with self._file.alone():
            grants = self.grants()
            if any(grant.name == name and grant.counts(now_ms) for grant in grants):
                raise CommandRefused(
                    f"{name} has a token already", hint=f"revoke it first: gaugepost access revoke {name}"
                )
            token = PREFIX + secrets.token_urlsafe(32)
            until = None if days is None else now_ms + days * DAY_MS
            made = Grant(name=name, scope=scope, digest=digest(token), granted_at=now_ms, until=until)
            self._write([*grants, made])
        return token

    def has(self, name: str, now_ms: int) -> bool:
        """Return whether `name` has a token that counts. Raises as `grants` does."""
        return any(grant.name == name and grant.counts(now_ms) for grant in self.grants())

    def revoke(self, name: str, now_ms: int) -> None:
        """Have `name`'s token count no more.

        Raises:
            CommandRefused: it has none.
            SettingsError: the file can't be read or written.
        """
        with self._file.alone():
            grants = self.grants()
            if not self.has(name, now_ms):
                known = ", ".join(grant.name for grant in grants if grant.counts(now_ms)) or "none"
                raise CommandRefused(f"{name[:80]!r} has no token", hint=f"those that have one: {known}")
            self._write(
                [
                    replace(grant, revoked_at=now_ms)
                    if grant.name == name and grant.counts(now_ms)
                    else grant
                    for grant in grants
                ]
            )

    def _write(self, grants: Sequence[Grant]) -> None:
        self._file.write({"tokens": [asdict(grant) for grant in grants]})


def _read(said: Any) -> tuple[Grant, ...]:
    return tuple(Grant(**{**each, "scope": Scope(each["scope"])}) for each in said["tokens"])

"""The file of tokens in the data folder: digests, never a token. Written whole, read again when it changed."""

from __future__ import annotations

import json
import os
import secrets
import stat
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from gaugepost.core.access import PREFIX, Grant, Scope, checked_name, digest
from gaugepost.core.errors import CommandRefused, SettingsError
from gaugepost.edge.files import make, part_of, settle

FILE_NAME = "access.json"
FORMAT = 1
DAY_MS = 86_400_000


class AccessFile:
    """The tokens of a station. Whoever revokes one needs no restart: each look sees the file as it is."""

    def __init__(self, data: Path) -> None:
        """`data` is the station's data folder."""
        self.path = data / FILE_NAME
        self._seen: tuple[int, int, int] | None = None
        self._grants: tuple[Grant, ...] = ()

    def grants(self) -> tuple[Grant, ...]:
        """Return every grant, those that no longer count too, in the order in which they were made.

        Raises:
            SettingsError: the file can't be read, is damaged, or others on this computer may read it.
        """
        try:
            about = self.path.stat()
        except FileNotFoundError:
            self._seen, self._grants = None, ()
            return ()
        except OSError as error:
            raise self._unusable(error.strerror or str(error)) from error
        seen = about.st_ino, about.st_mtime_ns, about.st_size
        if seen != self._seen:
            self._grants = self._read(about)
            self._seen = seen
        return self._grants

    def grant(self, name: str, scope: Scope, now_ms: int, *, days: int | None = None) -> str:
        """Grant `name` a new token and return it; this is the only time that anybody sees it.

        Raises:
            CommandRefused: that name has a token that counts.
            SettingsError: the file can't be read or written.
            ValueRefused: no name for a token.
        """
        checked_name(name)
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

    def revoke(self, name: str, now_ms: int) -> None:
        """Have `name`'s token count no more.

        Raises:
            CommandRefused: it has none.
            SettingsError: the file can't be read or written.
        """
        grants = self.grants()
        if not any(grant.name == name and grant.counts(now_ms) for grant in grants):
            known = ", ".join(grant.name for grant in grants if grant.counts(now_ms)) or "none"
            raise CommandRefused(f"{name[:80]!r} has no token", hint=f"those that have one: {known}")
        self._write(
            [
                replace(grant, revoked_at=now_ms) if grant.name == name and grant.counts(now_ms) else grant
                for grant in grants
            ]
        )

    def _read(self, about: os.stat_result) -> tuple[Grant, ...]:
        if stat.S_IMODE(about.st_mode) & 0o077:
            raise SettingsError(
                f"{self.path} may be read by others on this computer", hint=f"chmod 600 {self.path}"
            )
        try:
            said = json.loads(self.path.read_text("utf-8"))
            if said["format"] != FORMAT:
                raise self._unusable(f"format {said['format']!r:.20}, this program knows {FORMAT}")
            return tuple(Grant(**{**each, "scope": Scope(each["scope"])}) for each in said["tokens"])
        except OSError as error:
            raise self._unusable(error.strerror or str(error)) from error
        except (ValueError, TypeError, KeyError) as error:
            raise self._unusable("it is damaged") from error

    def _unusable(self, why: str) -> SettingsError:
        return SettingsError(
            f"the tokens in {self.path} can't be used: {why}",
            hint="put the file right, or move it away and grant new tokens with `gaugepost access grant`",
        )

    def _write(self, grants: Sequence[Grant]) -> None:
        """Write the file whole: a power cut leaves the old one or the new one."""
        text = json.dumps({"format": FORMAT, "tokens": [asdict(grant) for grant in grants]}, indent=1)
        part = part_of(self.path)
        try:
            make(self.path.parent)
            descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                file.write(text + "\n")
            self._like_its_folder(part)
            settle(part, self.path)
        except OSError as error:
            part.unlink(missing_ok=True)
            raise SettingsError(
                f"{self.path} can't be written: {error.strerror or error}",
                hint="run this as the user that the service runs as, or as root",
            ) from error

    def _like_its_folder(self, part: Path) -> None:
        """Give the file to whom the data folder belongs, where root writes it: else the service could not read it."""
        if os.geteuid() == 0:
            owner = self.path.parent.stat()
            os.chown(part, owner.st_uid, owner.st_gid)

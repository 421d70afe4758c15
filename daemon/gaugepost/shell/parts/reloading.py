"""The station file read again, or edited, while the station runs: taken as a whole, or not at all."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import structlog

from gaugepost.core.bench.events import Reload
from gaugepost.core.errors import CommandRefused, SettingsError
from gaugepost.core.setup import to_document
from gaugepost.edge.editing import edited
from gaugepost.edge.files import part_of, settle, sync
from gaugepost.edge.stationfile import Finding, Station, StationFileError
from gaugepost.shell.parts.differences import differences, fixed
from gaugepost.shell.parts.parts import Parts
from gaugepost.shell.recorder import Recorder

log = structlog.get_logger(__name__)


class Reread(Protocol):
    """Gives the station that its file describes now, or would with `text` in it; raises as `read_station` does."""

    def __call__(self, text: str | None = None) -> Station: ...


@dataclass(frozen=True, slots=True)
class Reloaded:
    """What came of it: what is otherwise now, or would be; warnings of the file; the records, by sequence."""

    changes: tuple[str, ...]
    warnings: tuple[Finding, ...]
    sequences: tuple[int, ...] = ()


class Reloading:
    """Takes the station file as it is now, or as it is after an edit; one after the other."""

    def __init__(self, parts: Parts, recorder: Recorder, read: Reread) -> None:
        self._parts, self._recorder, self._read = parts, recorder, read
        self._turn = asyncio.Lock()

    async def __call__(self, operator: str | None = None, reason: str = "") -> Reloaded:
        """Take the file as it is now; `operator` says who wants it and `reason` why, for the record.

        Raises:
            StationFileError: it is not right; every finding.
            CommandRefused: something is otherwise that can't be taken while the station runs, or would break off what
                is going on.
            JournalError: it could not be recorded. In every case all is as it was.
        """
        async with self._turn:
            new = await asyncio.to_thread(self._read)
            return await self._take(new, operator, reason)

    async def text(self) -> str:
        """Return what the file holds now. Raises `SettingsError`: it can't be read."""
        return await asyncio.to_thread(_text, self._parts.station.path)

    def findings(self, text: str) -> tuple[Finding, ...]:
        """Return what would be found in the file if it held `text`: errors and warnings. Reads what it names: slow."""
        try:
            return self._read(text).findings
        except StationFileError as error:
            return error.findings

    async def edit(
        self,
        change: Mapping[str, Any],
        digest: str,
        operator: str | None = None,
        reason: str = "",
        *,
        look: bool = False,
    ) -> Reloaded:
        """Edit the file by a merge patch and take it; with `look`, only say what that would change.

        `digest` is that of the text that whoever edits has seen: what somebody else wrote since is not edited blindly.

        Raises:
            ValueRefused: TOML can't hold the change.
            SettingsError: the file can't be read or written.
            StationFileError, CommandRefused, JournalError: as for a reload. File and station are as they were then.
        """
        path = self._parts.station.path
        async with self._turn:
            text = await asyncio.to_thread(_text, path)
            if digest != digest_of(text):
                raise CommandRefused(
                    "the station file was changed since", hint="look at it again, then edit it"
                )
            new_text = await asyncio.to_thread(edited, text, change)
            new = await asyncio.to_thread(self._read, new_text)
            if look:
                self._may_take(new)
                return Reloaded(differences(self._parts.station, new), new.findings)
            with _ready(path, new_text) as put:
                taken = await self._take(new, operator, reason)
                await asyncio.to_thread(put)
            return taken

    def _may_take(self, new: Station) -> None:
        if keys := fixed(self._parts.station, new):
            raise CommandRefused(
                f"{' and '.join(keys)} can't be changed while the station runs",
                hint="write it into the file and start the service again, or leave it as it was",
            )

    async def _take(self, new: Station, operator: str | None, reason: str) -> Reloaded:
        self._may_take(new)
        old = self._parts.station
        changes = differences(old, new)
        made = self._parts.make(new, old)
        told = await self._recorder.ask(Reload(to_document(new.set_up), changes, operator, reason))
        if not told.reply.accepted:
            raise CommandRefused(told.reply.text, hint=told.reply.hint)
        await asyncio.shield(self._parts.take(new, made))
        log.info("station file taken", changes=list(changes), operator=operator)
        return Reloaded(changes, new.findings, told.sequences)


def digest_of(text: str) -> str:
    """Return by what a text of the file is known: SHA-256, lower-case hex."""
    return hashlib.sha256(text.encode()).hexdigest()


def _text(path: Path) -> str:
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            return stream.read()
    except (OSError, ValueError) as cause:
        raise SettingsError(f"{path} can't be read: {cause}", hint="check its rights and its disk") from cause


@contextlib.contextmanager
def _ready(path: Path, text: str) -> Iterator[Callable[[], None]]:
    """Have `text` on the disk beside `path`, with its rights, and lend what gives it the name; remove what is left."""
    path = path.resolve()
    part = part_of(path)

    def put() -> None:
        try:
            settle(part, path)
        except OSError as cause:
            raise SettingsError(
                f"the edit is in force, and {path} could not be replaced: {cause.strerror or cause}",
                hint="edit the file by hand: else the next start takes it as it was",
            ) from cause

    try:
        try:
            with part.open("x", encoding="utf-8", newline="") as stream:
                stream.write(text)
            part.chmod(path.stat().st_mode & 0o777)
            sync(part)
        except OSError as cause:
            raise SettingsError(
                f"{path} can't be written: {cause.strerror or cause}",
                hint="let the service write in its folder, or edit the file by hand and have it read again",
            ) from cause
        yield put
    finally:
        part.unlink(missing_ok=True)

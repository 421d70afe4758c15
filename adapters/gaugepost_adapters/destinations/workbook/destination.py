"""The destination that fills inspection sheets: each record once, each cell as what stands of all records says."""

from __future__ import annotations

import asyncio
import errno
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import ClassVar, TypeVar

from gaugepost.contract import (
    AdapterSettings,
    Outcome,
    Publication,
    Refusal,
    StationFacts,
    Unreachable,
    ValueRefused,
    sequence_of,
)
from gaugepost_adapters.destinations.csv_append import ensure_directory
from gaugepost_adapters.destinations.workbook import saving
from gaugepost_adapters.destinations.workbook.book import book
from gaugepost_adapters.destinations.workbook.filling import Plan
from gaugepost_adapters.destinations.workbook.layout import Slot
from gaugepost_adapters.destinations.workbook.looking import look
from gaugepost_adapters.destinations.workbook.making import make
from gaugepost_adapters.destinations.workbook.memory import Memory, unreachable
from gaugepost_adapters.destinations.workbook.places import ONLY, Places
from gaugepost_adapters.destinations.workbook.records import KINDS, is_measured
from gaugepost_adapters.destinations.workbook.settings import WorkbookSettings

T = TypeVar("T")
REMEMBERED = 1000
"""Records that are remembered of a sheet that shows the piece measured last: it would never end otherwise."""
_FILLED: set[Path] = set()
"""Memories that are in use: two destinations would undo each other's cells."""
WATCH_S = 5.0
"""How often it is looked whether somebody saved a workbook."""


class Workbook:
    """Destination of inspection sheets. Every file is worked on in one thread of its own."""

    Settings: ClassVar[type[AdapterSettings]] = WorkbookSettings
    look = staticmethod(look)
    make = staticmethod(make)

    def __init__(self, settings: AdapterSettings, station: StationFacts) -> None:
        if not isinstance(settings, WorkbookSettings):
            raise TypeError(f"settings of workbook are WorkbookSettings, not {type(settings).__name__}")
        self._settings, self._zone, self._data = settings, station.zone, station.data
        self._places = Places(settings, station.data)
        self._characteristics = frozenset(fill.characteristic for fill in settings.fill)
        self._memory: Memory | None = None
        self._left: dict[str, tuple[int, int, int, int] | None] = {} if settings.by_lot else {ONLY: None}
        """How workbooks were left: what tells that somebody else wrote one since."""
        self._thread: ThreadPoolExecutor | None = None
        self._watching: asyncio.Task[None] | None = None

    async def open(self) -> None:
        """Open the memory and look at the workbook. Raises `Unreachable` where either can't be used, and says why."""
        if self._thread is None:
            self._thread = ThreadPoolExecutor(1, thread_name_prefix="workbook")
        await self._in_thread(self._prepare)
        if self._watching is None:
            self._watching = asyncio.create_task(self._watch(), name="workbook watch")

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        """Fill in `batch`; done through the last record before the first one whose workbook could not be written.

        Raises:
            Unreachable: not even the first could: a person has it open, it can't be filled as it is, or the disk fails.
        """
        if self._watching is not None and self._watching.done():
            self._watching.result()
        return await self._in_thread(self._fill, batch)

    async def close(self) -> None:
        """Wait for the thread and let it and the memory go; no workbook is held open between deliveries."""
        if self._watching is not None:
            watching, self._watching = self._watching, None
            watching.cancel()
            await asyncio.wait([watching])
        if self._thread is not None:
            thread, self._thread = self._thread, None
            try:
                await asyncio.wrap_future(
                    thread.submit(self._forget)
                )  # what a cancelled call left running ends first
            finally:
                thread.shutdown(wait=False)

    async def _in_thread(self, call: Callable[..., T], *args: object) -> T:
        if self._thread is None:
            raise RuntimeError("workbook is not open")
        return await asyncio.wrap_future(self._thread.submit(call, *args))

    def _prepare(self) -> None:
        path = self._places.template or self._places.path(ONLY)
        try:
            ensure_directory(self._places.memory.parent, self._data)
            if self._memory is None:
                if self._places.memory in _FILLED:
                    raise Unreachable(
                        f"{path} is filled by another destination of this station",
                        hint="name the cells of both in one of them, or another file",
                    )
                self._memory = Memory(self._places.memory)
                _FILLED.add(self._places.memory)
            book(
                saving.read(path).data,
                self._settings,
                {} if self._places.template else self._memory.ours(ONLY),
            )
        except sqlite3.Error as cause:
            raise unreachable(self._places.memory, cause) from cause
        except (OSError, ValueRefused) as cause:
            raise _unreachable(path, cause) from cause

    def _forget(self) -> None:
        if self._memory is not None:
            memory, self._memory = self._memory, None
            _FILLED.discard(self._places.memory)
            memory.close()

    def _fill(self, batch: Sequence[Publication]) -> Outcome:
        memory = self._opened()
        try:
            fresh = [(self._book(record), record) for record in batch if self._bears(record)]
            touched = self._touched(memory, fresh)
            refused: dict[str, str] = {}
            ours: dict[str, Mapping[Slot, str]] = {}
            stuck: list[int] = []
            failure: Unreachable | None = None
            for name, sequences in touched.items():
                try:
                    plan = self._filled(memory, name, fresh)
                except Unreachable as cause:
                    failure = failure or cause
                    stuck.append(min(sequences))
                else:
                    refused |= plan.refused
                    ours[name] = plan.ours
            held = [s for s in map(sequence_of, batch) if not stuck or s < min(stuck)]
            kept = [(of, r) for of, r in fresh if sequence_of(r) in set(held) and r["id"] not in refused]
            if kept or ours:
                memory.keep(kept, ours, None if self._settings.pieces else REMEMBERED)
        except sqlite3.Error as cause:
            raise unreachable(self._places.memory, cause) from cause
        if failure is not None and not held:
            raise failure
        answers = [
            Refusal(str(r["id"]), refused[r["id"]])
            for _, r in fresh
            if r["id"] in refused and sequence_of(r) in set(held)
        ]
        return Outcome(held[-1], answers)

    def _opened(self) -> Memory:
        if self._memory is None:
            raise RuntimeError("workbook is not open")
        return self._memory

    def _bears(self, record: Publication) -> bool:
        """Tell whether a record may change a workbook, now or when what it replaces is handed over again."""
        return record["kind"] in KINDS and (
            record["kind"] not in ("reading", "result") or self._book(record) != ""
        )

    def _book(self, record: Publication) -> str:
        """Return the workbook that shows a record; empty where none does."""
        fits = is_measured(record) and record.get("characteristic") in self._characteristics
        if not fits or (self._settings.lot is not None and record.get("lot") != self._settings.lot):
            return ""
        return self._places.name(record)

    def _touched(self, memory: Memory, fresh: Sequence[tuple[str, Publication]]) -> dict[str, list[int]]:
        """Return the workbooks that records bear on, with the sequences of those that do."""
        touched: dict[str, list[int]] = {}
        of_id = {str(record["id"]): of for of, record in fresh}
        for of, record in fresh:
            books = {of} | (memory.books_of(record) if record["kind"] not in ("reading", "result") else set())
            books.add(of_id.get(str(record.get("replaces")), ""))
            if record["kind"] in ("suspect", "lifted"):
                books |= set(of_id.values())
            for name in sorted(books - {""}):
                touched.setdefault(name, []).append(sequence_of(record))
        return touched

    def _filled(self, memory: Memory, name: str, fresh: Sequence[tuple[str, Publication]]) -> Plan:
        """Bring one workbook to what stands, with `fresh` records among them. Raises `Unreachable`, `sqlite3.Error`."""
        path = self._places.path(name)
        try:
            old, like = _read(path), self._places.template
            if old is None and like is None:
                raise Unreachable(
                    f"there is no workbook {path}",
                    hint=f"put the sheet there, or make one: gaugepost workbook new STATION {path}",
                )
            source = old.data if old is not None else saving.read(like or path).data
            ours = memory.ours(name)
            opened = book(source, self._settings, ours)
            of_here = [str(record["id"]) for _, record in fresh]
            plan = opened.plan(memory.known(name, fresh), ours, of_here, self._zone)
            if plan.entries:
                if old is not None:
                    saving.check_free(path)
                else:
                    ensure_directory(path.parent, self._data)
                # Noted before it is done: what a kill leaves in the sheet must not be taken for somebody else's.
                memory.keep((), {name: plan.ours | plan.emptied})
                saving.replace(path, opened.filled(plan.entries), old, like)
            self._left[name] = saving.signature(path.stat()) if path.exists() else None
        except (OSError, ValueRefused) as cause:
            raise _unreachable(path, cause) from cause
        return plan

    async def _watch(self) -> None:
        """Fill in again what a person who saved an older version took out, without waiting for the next record."""
        while True:
            await asyncio.sleep(WATCH_S)
            for name in list(self._left):
                with suppress(Unreachable, sqlite3.Error):  # the next delivery meets it, and says so
                    await self._in_thread(self._look_again, name)

    def _look_again(self, name: str) -> None:
        path, left = self._places.path(name), self._left.get(name)
        try:
            now = saving.signature(path.stat())
        except OSError:  # moved away, or a share that is gone
            return
        if self._memory is not None and now != left:
            plan = self._filled(self._memory, name, ())
            self._memory.keep((), {name: plan.ours})


def _read(path: Path) -> saving.Read | None:
    try:
        return saving.read(path)
    except FileNotFoundError:
        return None


_HINTS = {
    errno.ENOENT: "put the workbook there, make one with gaugepost workbook new, or mount the share",
    errno.ENOSPC: "free space on that disk",
    errno.EDQUOT: "free space, or raise the quota of the service's user",
    errno.EACCES: "give the service's user the right to write there",
    errno.EPERM: "give the service's user the right to write there",
    errno.EROFS: saving.MOUNT,
}


def _unreachable(path: Path, cause: Exception) -> Unreachable:
    if isinstance(cause, ValueRefused):
        return Unreachable(
            f"{path} can't be filled in: {cause.finding}", hint=f"{cause.hint}; {saving.LATER}"
        )
    said = cause.strerror if isinstance(cause, OSError) else str(cause)
    number = cause.errno if isinstance(cause, OSError) else None
    return Unreachable(
        f"{path}: {said}", hint=f"{_HINTS.get(number or 0, 'check the disk or the share')}; {saving.LATER}"
    )

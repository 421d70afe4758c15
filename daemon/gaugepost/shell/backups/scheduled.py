"""Backups made while the station runs: each by a program of its own, which waits for whatever else there is to do.

Copying and proving a journal of years takes minutes of a processor; the service's own threads would be held up by it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
import threading
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar, cast
from zoneinfo import ZoneInfo

import structlog

from gaugepost.edge.evidence import keys
from gaugepost.edge.files import part_of_process, vanish
from gaugepost.edge.stationfile.tables.backup import BackupPlan
from gaugepost.shell.backups import kept

LOOK_S = 30.0
"""How often it is looked whether one is due: a clock may be set, a computer may sleep."""
AGAIN_MS = 900_000
"""After how long one that could not be made is tried again."""
NICE = 15
SILENT_S = 60.0
"""How long the folder may take to answer before that is said."""
ENDING_S = 5.0

T = TypeVar("T")

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class Standing:
    """How scheduled backups stand."""

    folder: Path
    every_ms: int
    last: kept.Kept | None = None
    """The newest that was proven."""
    count: int = 0
    """How many are kept."""
    head: str = ""
    """Sequence and hash of the last record in the one made last: what proves it later. Empty where none was since the
    start."""
    running: bool = False
    problem: str = ""
    """Why the one tried last could not be made; empty where it was."""
    due_ms: int = 0


class Backups:
    """The schedule at work."""

    def __init__(
        self,
        plan: BackupPlan,
        station: str,
        zone: ZoneInfo,
        journal: Path,
        floor_bytes: int,
        utc_ms: Callable[[], int],
        look_s: float = LOOK_S,
        before: Callable[[], Awaitable[object]] | None = None,
        key: Path | None = None,
    ) -> None:
        """`journal` is copied; where the folder lies on its disk, `floor_bytes` stay free there.

        `before` is waited for before each copy: what is to be in it. `key` signs the copy's end, where it can be used.
        """
        self._key = key
        self._before = before
        self.standing = Standing(plan.folder, plan.every_ms)
        self._plan, self._station, self._zone = plan, station, zone
        self._journal, self._floor, self._utc_ms, self._look_s = journal, floor_bytes, utc_ms, look_s
        self._failed_ms: int | None = None

    async def run(self) -> None:
        """Make a backup whenever one is due, for ever."""
        while True:
            try:
                problem = await self._aside(self._look)
                if not problem and self._is_due():
                    problem = await self._make()
                    await self._aside(self._look)
            except OSError as cause:
                problem = f"{cause.filename or self._plan.folder}: {cause.strerror or cause}"
            self._heard(problem)
            await asyncio.sleep(self._look_s)

    def _look(self) -> str:
        """Look at the folder; return why none could be made. Blocks on the disk."""
        if problem := kept.trouble(self._plan, self._journal, self._floor):
            return problem
        found = kept.kept(self._plan.folder, self._station)
        last, now = (found[0] if found else None), self._utc_ms()
        due = kept.due_ms(self._plan, self._zone, last.begun_ms if last else None, now)
        self._now(last=last, count=len(found), due_ms=due)
        return ""

    def _is_due(self) -> bool:
        now = self._utc_ms()
        waits = self._failed_ms is not None and 0 <= now - self._failed_ms < AGAIN_MS
        if self.standing.due_ms > now:
            self._failed_ms = None
            return False
        return not waits

    async def _make(self) -> str:
        """Have a backup made and proven, then remove what is too old; return why there is none."""
        now = self._utc_ms()
        target = kept.named(self._plan.folder, self._station, now)
        await self._aside(kept.unfinished, self._plan.folder, self._station)
        if self._before is not None:
            await self._before()
        self._now(running=True)
        try:
            code, out, err = await self._ran(target)
        finally:
            self._now(running=False)
        if code != 0:
            self._failed_ms = now
            said = err.strip().removeprefix("gaugepost backup: ")
            return said.splitlines()[-1] if said else f"the backup ended with {code}"
        self._failed_ms = None
        told = json.loads(out)
        self._now(head=told["head"])
        log.info("backed up", file=str(target), records=told["records"], head=told["head"])
        for path in await self._aside(self._prune):
            log.info("removed a backup that is older than those kept", file=str(path))
        return ""

    def _prune(self) -> list[Path]:
        return list(kept.pruned(self._plan.folder, self._station, self._plan.keep))

    async def _ran(self, target: Path) -> tuple[int | None, str, str]:
        """Run `gaugepost backup`; it ends with this task."""
        words = [sys.executable, "-m", "gaugepost", "backup", str(self._journal), str(target), "--json"]
        if self._key is not None and await self._aside(keys.can_sign, self._key):
            words += ["--key", str(self._key)]
        pipe = asyncio.subprocess.PIPE
        process = await asyncio.create_subprocess_exec(
            *words, stdin=asyncio.subprocess.DEVNULL, stdout=pipe, stderr=pipe
        )
        try:
            with contextlib.suppress(ProcessLookupError):
                os.setpriority(os.PRIO_PROCESS, process.pid, NICE)
            out, err = await process.communicate()
        finally:
            if process.returncode is None:
                process.kill()
            with contextlib.suppress(
                TimeoutError
            ):  # a share that hangs holds it; its part goes before the next one
                async with asyncio.timeout(ENDING_S):
                    await process.wait()
                    await self._aside(vanish, part_of_process(target, process.pid))
        return process.returncode, out.decode(errors="replace"), err.decode(errors="replace")

    async def _aside(self, call: Callable[..., T], *args: object) -> T:
        """Return what `call` does with the folder, in a thread that nobody waits for at the end: a share may hang."""
        loop = asyncio.get_running_loop()
        done: asyncio.Future[T] = loop.create_future()

        def end(result: T | None, cause: Exception | None) -> None:
            if not done.done():
                if cause is None:
                    done.set_result(cast(T, result))
                else:
                    done.set_exception(cause)

        def work() -> None:
            result, failed = None, None
            try:
                result = call(*args)
            except Exception as cause:  # noqa: BLE001  carried to who waits
                failed = cause
            with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
                loop.call_soon_threadsafe(end, result, failed)

        threading.Thread(target=work, name="backups", daemon=True).start()
        while True:
            finished, _ = await asyncio.wait({done}, timeout=SILENT_S)
            if finished:
                return done.result()
            self._heard(f"{self._plan.folder} does not answer; look at its disk or share")

    def _heard(self, problem: str) -> None:
        """Say it once when backups fail, and once when they are made again."""
        if not problem and self._failed_ms is not None:
            return  # it waits for its next try; what was wrong is still so
        before = self.standing.problem
        if problem and not before:
            log.error("no backup", problem=problem)
        elif before and not problem:
            log.info("backups are made again")
        self._now(problem=problem)

    def _now(self, **changes: Any) -> None:
        self.standing = replace(self.standing, **changes)

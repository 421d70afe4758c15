"""The search beside the service: in a process of its own that can be ended, so that no frame ever waits for it."""

from __future__ import annotations

import asyncio
import json
import pickle
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import structlog

from gaugepost.core.errors import Unreachable
from gaugepost.teach import Lesson

SEARCH_S = 60.0
"""How long a search may take."""
SEARCHER = "gaugepost.shell.lessons.searcher"

log = structlog.get_logger(__name__)


class Searching:
    """What is known of a lesson's gauge; searched anew whenever the lesson says so, the last one counts."""

    def __init__(self, turn: asyncio.Lock, changed: Callable[[], None]) -> None:
        """`changed` is called when a search has ended; `turn` is that of all searches: one at a time."""
        self._turn, self._changed = turn, changed
        self._task: asyncio.Task[None] | None = None
        self.document: dict[str, Any] | None = None
        """What the last search said; None before the first has ended."""
        self.problem: Unreachable | None = None
        """Why the last search said nothing."""

    @property
    def going(self) -> bool:
        """Whether a search is under way."""
        return self._task is not None and not self._task.done()

    def begin(self, lesson: Lesson, name: str) -> None:
        """Search what the lesson holds now, for a gauge called `name`; a search that is under way is ended."""
        evidence, before = lesson.evidence(), self._task
        if before is not None:
            before.cancel()
        self._task = asyncio.create_task(self._search((evidence, name), before), name="search")

    async def ended(self) -> None:
        """Wait until no search is under way."""
        while self._task is not None and not self._task.done():
            await asyncio.wait({self._task})

    async def close(self) -> None:
        """End the search that is under way."""
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)

    async def _search(self, asked: object, before: asyncio.Task[None] | None) -> None:
        if before is not None:
            await asyncio.wait({before})
        async with self._turn:
            try:
                self.document, self.problem = await _searched(asked), None
            except Unreachable as problem:
                self.problem = problem
        self._changed()


async def _searched(asked: object) -> dict[str, Any]:
    """Return what a search says. Raises `Unreachable` where it took too long or failed."""
    sent = await asyncio.to_thread(pickle.dumps, asked)
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-P", "-m", SEARCHER,
        stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE,
    )  # fmt: skip
    try:
        async with asyncio.timeout(SEARCH_S):
            told, said = await process.communicate(sent)
    except TimeoutError as late:
        raise Unreachable(
            f"the search did not end within {SEARCH_S:g} s", hint="take a measurement back, or begin again"
        ) from late
    finally:
        if process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    if process.returncode != 0:
        log.error("a search failed", code=process.returncode, said=said.decode("utf-8", "replace")[-2000:])
        raise Unreachable(f"the search failed ({process.returncode})", hint="see the service's log")
    document: dict[str, Any] = await asyncio.to_thread(json.loads, told)
    return document

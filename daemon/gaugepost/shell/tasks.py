"""Tasks that come and go by name, and end together."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from types import TracebackType
from typing import Any, Self


class Tasks:
    """Tasks for the time of a block; each can be ended before. What one of them raises is told by `failure`."""

    def __init__(self) -> None:
        self._tasks: dict[str, asyncio.Task[None]] = {}
        self._failed = asyncio.Event()
        self._bug: BaseException | None = None

    def start(self, name: str, work: Coroutine[Any, Any, None]) -> None:
        """Have `work` done beside what else is; no task of that name may be under way."""
        assert name not in self._tasks
        self._tasks[name] = task = asyncio.create_task(work, name=name)
        task.add_done_callback(self._ended)

    async def end(self, name: str) -> None:
        """End a task and wait until it has ended; harmless where there is none."""
        if (task := self._tasks.pop(name, None)) is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def failure(self) -> None:
        """Wait for what a task raises, and raise it."""
        await self._failed.wait()
        assert self._bug is not None
        raise self._bug

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        tasks, self._tasks = list(self._tasks.values()), {}
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _ended(self, task: asyncio.Task[None]) -> None:
        if self._tasks.get(task.get_name()) is task:
            del self._tasks[task.get_name()]
        if not task.cancelled() and (bug := task.exception()) is not None and self._bug is None:
            self._bug = bug
            self._failed.set()

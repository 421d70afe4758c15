"""A loop whose time is virtual: what waits for hours is over at once, and in the right order."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class _Jumping(selectors.SelectSelector):
    """Lets time pass instead of waiting."""

    now_s = 0.0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None:
            raise AssertionError("everything waits for something that will never come")
        self.now_s += max(0.0, timeout)
        return super().select(0)


class _Loop(asyncio.SelectorEventLoop):
    def __init__(self, jumping: _Jumping) -> None:
        self._jumping = jumping
        super().__init__(jumping)

    def time(self) -> float:
        return self._jumping.now_s


def run(work: Coroutine[Any, Any, T]) -> T:
    """Return what comes of `work`, which waits for nothing but time."""
    with asyncio.Runner(loop_factory=lambda: _Loop(_Jumping())) as runner:
        return runner.run(work)

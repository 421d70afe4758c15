"""How far something is: what a journal's long works tell, and how SQLite's own are watched, which say nothing."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal

Progress = Callable[[str, int, int], None]
"""Hears what is being done, how far, and of how much."""

EVERY_S = 0.25
_MB = 1_000_000


@contextlib.contextmanager
def watched(way: Literal["read", "written"], size: int, what: str, told: Progress | None) -> Iterator[None]:
    """Tell how many MB of about `size` bytes this thread has read or written since, and at the end: all of them.

    Linux counts that for each thread (proc_pid_io(5)); elsewhere only beginning and end are told.
    """
    if told is None:
        yield
        return
    of, ended = max(1, round(size / _MB)), threading.Event()
    account = Path(f"/proc/self/task/{threading.get_native_id()}/io")
    begun = _so_far(account, way)

    def follow(told: Progress) -> None:
        while not ended.wait(EVERY_S):
            told(what, min(of - 1, (_so_far(account, way) - begun) // _MB), of)

    told(what, 0, of)
    follower = threading.Thread(target=follow, args=(told,), daemon=True)
    follower.start()
    try:
        yield
    finally:
        ended.set()
        follower.join()
    told(what, of, of)


def _so_far(account: Path, way: str) -> int:
    """Return the bytes of all calls that read or wrote, from the disk or not."""
    name = {"read": "rchar:", "written": "wchar:"}[way]
    try:
        words = account.read_text(encoding="ascii").split()
    except OSError:
        return 0
    return int(words[words.index(name) + 1])

"""Python's search for cycles, kept away from where there are many objects and no cycle."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


def set_apart() -> None:
    """Leave out of every later search what there is now: at the end of a start, which made most of it."""
    gc.collect()
    gc.freeze()


@contextlib.contextmanager
def without_collector() -> Iterator[None]:
    """Keep Python from looking for cycles: records and states make none, and among many it took up to a third."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()

"""Somebody without rights: for tests of what is said where something may not be read, written or opened."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

NOBODY = 65534


@contextmanager
def nobody() -> Iterator[None]:
    """Root may do anything, and steps down for the time of the block; others need no disguise."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)

"""How long a destination that does not answer is left alone."""

from __future__ import annotations

from collections.abc import Callable

from gaugepost.contract import Unreachable
from gaugepost.core.errors import GaugepostError

FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 30.0
LONGEST_ASKED_S = 3600.0
"""How long a destination that asks to be left alone is left alone at most: an absurd answer must not end a delivery."""


def pause_s(last_s: float, random: Callable[[], float]) -> float:
    """Return how long to wait before the next attempt after a pause of `last_s` (0 for none yet), in seconds.

    Grows from 0.5 s to 30 s and is spread at random, so that many stations do not call on a server at once.
    """
    top = min(LONGEST_PAUSE_S, max(last_s, FIRST_PAUSE_S) * 3)
    return FIRST_PAUSE_S + random() * (top - FIRST_PAUSE_S)


def asked_s(cause: GaugepostError) -> float:
    """Return for how long the far side asked to be left alone, in seconds: 0 for not at all, at most an hour."""
    asked = cause.retry_after_s if isinstance(cause, Unreachable) else None
    return min(LONGEST_ASKED_S, max(0.0, asked or 0.0))

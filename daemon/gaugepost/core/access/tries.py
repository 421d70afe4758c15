"""How often a PIN may be tried: a growing wait after few wrong ones, and an end.

Sources: NIST SP 800-63B, 5.2.2 (at most 100 wrong tries in a row, waits that grow from 30 s to an hour).
"""

from __future__ import annotations

from dataclasses import dataclass

from gaugepost.core.errors import GaugepostError

FREE_FOR_A_PERSON = 3
"""Wrong tries that nobody waits after; anybody mistypes."""
FREE_FOR_AN_ADDRESS = 20
"""The same for an address: all who sign in at the bench PC share one."""
FIRST_WAIT_MS, MOST_WAIT_MS = 30_000, 3_600_000
MOST_WRONG = 100
"""Wrong tries in a row after which only a new PIN helps."""
FORGET_ADDRESS_MS = 86_400_000
"""After so long without a wrong try an address begins anew."""


class TooManyTries(GaugepostError):
    """It has to be waited before the next try."""

    def __init__(self, wait_s: int | None) -> None:
        if wait_s is None:
            super().__init__(
                "this id had too many wrong tries in a row",
                hint="an administrator gives a new PIN: `gaugepost access pin ID`",
            )
        else:
            super().__init__("there were too many wrong tries", hint=f"wait {wait_s} s")
        self.wait_s = wait_s


class NotKnown(GaugepostError):
    """Nobody signs in with that."""


@dataclass(frozen=True, slots=True)
class Tries:
    """Wrong tries in a row, and when the last one was (UTC, ms)."""

    wrong: int = 0
    last_ms: int = 0

    def another(self, now_ms: int) -> Tries:
        """Return the tries with one more."""
        return Tries(self.wrong + 1, now_ms)

    def without_one(self) -> Tries:
        """Return the tries without the last one, which turned out right."""
        return Tries(max(0, self.wrong - 1), self.last_ms)

    @property
    def ended(self) -> bool:
        """Whether no try counts any more."""
        return self.wrong >= MOST_WRONG

    def wait_ms(self, now_ms: int, free: int) -> int:
        """Return how long nothing is to be tried yet.

        A clock that was set back makes nobody wait longer than once more.
        """
        if self.wrong < free:
            return 0
        wait = min(FIRST_WAIT_MS << min(self.wrong - free, 20), MOST_WAIT_MS)
        return max(0, wait - max(0, now_ms - self.last_ms))

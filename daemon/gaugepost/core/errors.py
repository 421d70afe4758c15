"""Errors, sorted by who must act. Each says what is wrong and what to do instead."""

from __future__ import annotations


class GaugepostError(Exception):
    """Base of every error that is not a bug of ours: `str()` is the finding, `hint` the remedy."""

    def __init__(self, finding: str, *, hint: str = "") -> None:
        super().__init__(finding)
        self.finding = finding
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.finding}; {self.hint}" if self.hint else self.finding


class ValueRefused(GaugepostError):
    """Text or a number that cannot be what it was given for. The caller knows where it stood."""


class CommandRefused(GaugepostError):
    """A command that cannot be carried out as things stand. The person at the bench must act."""


class SettingsError(GaugepostError):
    """Something in the station file. Whoever edits that file must act."""


class LinkLost(GaugepostError):
    """The far side of a link went away. The supervisor connects again."""


class Unreachable(GaugepostError):
    """A destination does not answer. Kept, and sent again later.

    `retry_after_s` is how long the far side asked to be left alone, in seconds; None where it did not say.
    """

    def __init__(self, finding: str, *, hint: str = "", retry_after_s: float | None = None) -> None:
        super().__init__(finding, hint=hint)
        self.retry_after_s = retry_after_s


class JournalError(GaugepostError):
    """The journal can't be opened, written or trusted. Whoever looks after the station must act."""

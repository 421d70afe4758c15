"""A lesson: what a link brought and what a person typed, in the order in which it came, until a search can decide.

    hear hear show("12.345 mm") hear skip hear show("-3.07 mm") drop(1) …

Nothing that was heard is thrown away: what belongs to no measurement stands before the next one, as other traffic.
"""

from __future__ import annotations

from collections.abc import Mapping

from gaugepost.contract import Chunk, ValueRefused
from gaugepost.contract.teaching import Ask, Evidence, Sample, Typed

MOST_BYTES_HEARD = 6 * 1024
"""Bytes that are kept for one measurement of each channel: where a gauge streams, the last was typed."""
CAN_NEVER = {"negative": Ask.NEGATIVE, "unit": Ask.UNIT, "longer": Ask.LONGER}
"""What a person may say that the gauge can't show, by their word for it."""


class Lesson:
    """What was heard and typed so far; `tells` is what the link says of its decoder itself."""

    def __init__(self, tells: Mapping[str, str] | None = None) -> None:
        self._tells = dict(tells or {})
        self._samples: list[Sample] = []
        self._loose: list[Chunk] = []
        self._heard: list[Chunk] = []
        self._never: set[Ask] = set()
        self.passed_over = 0
        """Bytes that are kept nowhere, since too many came before anything was typed."""

    @property
    def samples(self) -> tuple[Sample, ...]:
        """The measurements so far."""
        return tuple(self._samples)

    @property
    def heard(self) -> tuple[Chunk, ...]:
        """What came since the last measurement."""
        return tuple(self._heard)

    def hear(self, chunk: Chunk) -> None:
        """Take what a link brought; what no decoder gets to see (faults, a battery's level) is no gauge's frame."""
        if not chunk.data or chunk.fault or chunk.condition or chunk.trigger:
            return
        self._heard.append(chunk)
        own = [one for one in self._heard if one.channel == chunk.channel]
        over = sum(len(one.data) for one in own) - MOST_BYTES_HEARD
        while over > 0 and len(own) > 1:
            oldest = own.pop(0)
            self._heard.remove(oldest)
            self.passed_over += len(oldest.data)
            over -= len(oldest.data)

    def show(self, typed: Typed) -> bool:
        """Take what the display shows for what came since the last time; False where nothing came."""
        if not self._heard:
            return False
        self._samples.append(Sample(typed, tuple(self._heard), tuple(self._loose)))
        self._heard, self._loose = [], []
        return True

    def skip(self) -> bool:
        """Let what came since the last measurement belong to none; False where nothing came."""
        self._loose += self._heard
        came, self._heard = bool(self._heard), []
        return came

    def drop(self, number: int) -> None:
        """Take measurement `number`, counted from 1, back: it was typed wrong. Its bytes stay, as other traffic.

        Raises:
            ValueRefused: there is no such measurement.
        """
        if not 0 < number <= len(self._samples):
            there = f"there are 1 to {len(self._samples)}" if self._samples else "nothing was measured yet"
            raise ValueRefused(f"there is no measurement {number}", hint=there)
        out = self._samples.pop(number - 1)
        loose = (*out.before, *out.chunks)
        if number <= len(self._samples):
            after = self._samples[number - 1]
            self._samples[number - 1] = Sample(after.typed, after.chunks, (*loose, *after.before))
        else:
            self._loose = [*loose, *self._loose]

    def never(self, ask: Ask) -> None:
        """Take it that the gauge can't show this."""
        self._never.add(ask)

    def evidence(self) -> Evidence:
        """Return all of it, for `search`."""
        after = (*self._loose, *self._heard)
        return Evidence(tuple(self._samples), after, self._tells, frozenset(self._never))

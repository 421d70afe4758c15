"""A lesson: what a link brought and what a person typed, in the order in which it came, until a search can decide.

    hear hear show("12.345 mm") hear skip hear show("-3.07 mm") drop(1) …

Nothing that was heard is thrown away: what belongs to no measurement stands before the next one, as other traffic. Only
of what never stops the last is kept, and how much was not kept is counted.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Mapping

from gaugepost.contract import Chunk, ValueRefused
from gaugepost.contract.teaching import Ask, Evidence, Sample, Typed, all_chunks

MOST_BYTES_HEARD = 6 * 1024
"""Bytes that are kept for one measurement of each channel: where a gauge streams, the last was typed."""
MOST_CHANNELS = 24
"""Channels that are heard."""
MOST_BYTES_KEPT = 64 * 1024
"""Bytes of each channel, of all measurements, after which no more are taken: a search takes no more."""
CAN_NEVER = {"negative": Ask.NEGATIVE, "unit": Ask.UNIT, "longer": Ask.LONGER}
"""What a person may say that the gauge can't show, by their word for it."""


class Lesson:
    """What was heard and typed so far; `tells` is what the link says of its decoder itself.

    `request` is what the gauge is asked with, as a description says it.
    """

    def __init__(self, tells: Mapping[str, str] | None = None, request: str = "") -> None:
        self._tells, self._request = dict(tells or {}), request
        self._samples: list[Sample] = []
        self._loose: list[Chunk] = []
        self._heard = _Heard()
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
        return self._heard.chunks()

    def hear(self, chunk: Chunk) -> None:
        """Take what a link brought; what no decoder gets to see (faults, a battery's level) is no gauge's frame."""
        if chunk.data and not (chunk.fault or chunk.condition or chunk.trigger):
            self.passed_over += self._heard.add(chunk)

    def show(self, typed: Typed) -> bool:
        """Take what the display shows for what came since the last time; False where nothing came.

        Raises:
            ValueRefused: so much came over the whole lesson that no search takes it.
        """
        heard = self.heard
        if not heard:
            return False
        kept = Counter[str]()
        for chunk in (*all_chunks(Evidence(self.samples, tuple(self._loose))), *heard):
            kept[chunk.channel] += len(chunk.data)
        if max(kept.values()) > MOST_BYTES_KEPT:
            raise ValueRefused(
                f"more than {MOST_BYTES_KEPT // 1024} KiB came, and no search takes so much",
                hint="begin again, and measure without pauses",
            )
        self._samples.append(Sample(typed, heard, tuple(self._loose)))
        self._heard, self._loose = _Heard(), []
        return True

    def skip(self) -> bool:
        """Let what came since the last measurement belong to none; False where nothing came."""
        heard = self.heard
        self._heard = _Heard()
        self._loose = self._bounded((*self._loose, *heard))
        return bool(heard)

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
            before = tuple(self._bounded((*loose, *after.before)))
            self._samples[number - 1] = Sample(after.typed, after.chunks, before)
        else:
            self._loose = self._bounded((*loose, *self._loose))

    def never(self, ask: Ask) -> None:
        """Take it that the gauge can't show this."""
        self._never.add(ask)

    def evidence(self) -> Evidence:
        """Return all of it, for `search`."""
        after = (*self._loose, *self.heard)
        return Evidence(tuple(self._samples), after, self._tells, frozenset(self._never), self._request)

    def _bounded(self, chunks: Iterable[Chunk]) -> list[Chunk]:
        kept = _Heard()
        for chunk in chunks:
            self.passed_over += kept.add(chunk)
        return list(kept.chunks())


class _Heard:
    """The last chunks of each channel, as many as are kept of one measurement."""

    def __init__(self) -> None:
        self._came = 0
        self._of: dict[str, deque[tuple[int, Chunk]]] = {}
        self._bytes: dict[str, int] = {}

    def add(self, chunk: Chunk) -> int:
        """Take a chunk; return how many bytes are not kept for it."""
        if chunk.channel not in self._of and len(self._of) == MOST_CHANNELS:
            return len(chunk.data)
        own = self._of.setdefault(chunk.channel, deque())
        own.append((self._came, chunk))
        self._came += 1
        size, over = self._bytes.get(chunk.channel, 0) + len(chunk.data), 0
        while size > MOST_BYTES_HEARD and len(own) > 1:
            oldest = len(own.popleft()[1].data)
            size -= oldest
            over += oldest
        self._bytes[chunk.channel] = size
        return over

    def chunks(self) -> tuple[Chunk, ...]:
        """Return what is kept, in the order in which it came."""
        numbered = sorted((each for own in self._of.values() for each in own), key=lambda each: each[0])
        return tuple(chunk for _, chunk in numbered)

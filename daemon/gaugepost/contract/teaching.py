"""What a decoder may offer besides decoding: to propose settings for a gauge that nobody has described.

A person measures, and types what the display shows each time. A decoder that offers `Proposes` looks at both and says
with which settings it would read the one as the other. It need not be careful: whoever asks makes a decoder from each
draft, runs it over everything that came, and takes none that could be wrong. It must be bounded, and it should draft
the rivals of a reading too (signed beside unsigned), for what is not drafted can't be weighed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum
from typing import Any, ClassVar, Literal, Protocol, runtime_checkable

from gaugepost.core.indication import Chunk
from gaugepost.core.quantity import Unit

Scale = Literal["C", "F"]


class Ask(StrEnum):
    """What to measure next, so that what is still open gets settled."""

    ANY = "another value"
    DIGITS = "a value with other digits"
    NEGATIVE = "a negative value"
    POSITIVE = "a positive value"
    LONGER = "a longer number"
    UNIT = "another unit"
    SAME = "the same value twice"
    RETYPE = "the sample that does not fit"


@dataclass(frozen=True, slots=True)
class Typed:
    """What a person read off the display: digits with a point, exactly as many as it showed.

    `unit` and `scale` are None where the person typed none: that says nothing about the display. A `scale` makes it a
    temperature.
    """

    digits: str
    """Digits and at most one point, without a sign: "0.070"."""
    negative: bool
    unit: Unit | None = None
    scale: Scale | None = None

    @property
    def value(self) -> Decimal:
        """The number, with its sign."""
        return -Decimal(self.digits) if self.negative else Decimal(self.digits)

    @property
    def decimals(self) -> int:
        """How many digits it has behind the point."""
        return len(self.digits.partition(".")[2])

    @property
    def whole(self) -> str:
        """Its digits without point and leading zeros: "0.070" gives "70"; empty where all are zeros."""
        return self.digits.replace(".", "").lstrip("0")

    def __str__(self) -> str:
        sign, unit = "-" if self.negative else "", self.unit or (f"°{self.scale}" if self.scale else "")
        return f"{sign}{self.digits} {unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Sample:
    """One measurement: what was typed, and every chunk that came with it."""

    typed: Typed
    chunks: tuple[Chunk, ...]
    before: tuple[Chunk, ...] = ()
    """What came since the sample before it, and for which nobody typed anything."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that is known of an unknown gauge, in the order in which it came."""

    samples: tuple[Sample, ...]
    after: tuple[Chunk, ...] = ()
    """What came after the last sample."""
    tells: Mapping[str, str] = field(default_factory=dict)
    """What the link tells of its decoder itself (`Tells`): a report descriptor, say."""
    never: frozenset[Ask] = frozenset()
    """What the person says the gauge can't show: `NEGATIVE`, `LONGER` or `UNIT`."""
    request: str = ""
    """What the gauge was asked with, as a description's `request`; empty where it sends by itself."""


@dataclass(frozen=True, slots=True)
class Draft:
    """Settings that may describe the gauge."""

    settings: Mapping[str, Any]
    """As a station file would have them, without `kind`; checked by whoever asked."""
    bare: Mapping[str, Any] | None = None
    """The same without what proves a frame whole (check, length): so changed frames show what it would read. None
    where nothing has to be left out."""
    asks: frozenset[Ask] = frozenset()
    """What has to be measured before it may be believed: a byte it ignores may hold the sign."""
    clears: str = ""
    """Why it asks that, in words: "byte 7 changes and is not explained"."""


@dataclass(frozen=True, slots=True)
class Drafts:
    """What a decoder proposes, the best first, and how many readings it tried to find that."""

    drafts: tuple[Draft, ...]
    tried: int
    """Readings (places, encodings, scales) that were held against the samples: luck has had so many chances."""


@runtime_checkable
class Tells(Protocol):
    """A link whose far side says itself how its frames are to be read."""

    def tells(self) -> Mapping[str, str]:
        """Return what it says, as a decoder's settings: {"descriptor": "0600ff…"}; empty where not open."""


@runtime_checkable
class HandsOnAll(Protocol):
    """A kind of link that can hand on all that its far side sends, while nobody knows where in it the values are."""

    everything: ClassVar[Mapping[str, str]]
    """Settings with which it does, where a lesson's own don't say otherwise."""


@runtime_checkable
class Proposes(Protocol):
    """A decoder that can propose settings for evidence."""

    @classmethod
    def propose(cls, evidence: Evidence) -> Drafts:
        """Return drafts, at most some dozens; nothing where it can't be the gauge's decoder.

        It takes time linear in the evidence, times a bounded number of readings.
        """


def all_chunks(evidence: Evidence) -> Iterable[Chunk]:
    """Yield every chunk in the order in which it came."""
    for sample in evidence.samples:
        yield from sample.before
        yield from sample.chunks
    yield from evidence.after


@runtime_checkable
class KnowsUsual(Protocol):
    """A decoder that knows by itself how many gauges send: a person only has to see that the right digits come out."""

    @classmethod
    def usual(cls, tells: Mapping[str, str]) -> Iterable[Mapping[str, Any]]:
        """Return settings, without `kind`, the most usual first; checked by whoever asked.

        `tells` is what the link tells of its decoder itself (`Tells`), empty where it tells nothing.
        """

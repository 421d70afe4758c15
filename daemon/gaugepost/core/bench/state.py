"""What the bench knows at one point of the journal. Frozen: a record leads to another state."""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Self

from gaugepost.core.bench.tracing.replaced import Replaced
from gaugepost.core.indication import Moment
from gaugepost.core.mastering import Line
from gaugepost.core.quantity import Unit
from gaugepost.core.record import DERIVATION
from gaugepost.core.setup import SetUp

NOT_CHECKED = "mastered, not yet checked"


@dataclass(frozen=True, slots=True)
class Shown:
    """A temperature that a thermometer showed, and when."""

    celsius: Decimal
    at: Moment
    earlier: tuple[tuple[int, Decimal], ...] = ()
    """What it showed before in this start of the computer: `clock_ms` and °C, oldest first."""


@dataclass(frozen=True, slots=True)
class Sourced:
    """A body's temperature in °C and where it comes from: measured, declared or assumed."""

    celsius: Decimal
    source: str


@dataclass(frozen=True, slots=True)
class Mastered:
    """The mastering in force for a gauge."""

    sequence: int
    masters: tuple[str, ...]
    cold: Line
    warm: Line | None
    gauge_c: Decimal | None
    master: Sourced | None
    unit: Unit
    resolution: Decimal
    readings: int = 1
    """How many readings of each master its indications are the means of."""
    gauge_source: str | None = None
    """Where the gauge's temperature came from."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """What a gauge's own masterings and checks say of its repeatability, pooled (GUM, H.1.3.2). Lengths in mm."""

    squares: float = 0.0
    """Sum of squared deviations from their means."""
    degrees_of_freedom: int = 0
    checks: int = 0
    """Checks since the last mastering."""
    mean_error_mm: float = 0.0
    """Their mean error."""


@dataclass(frozen=True, slots=True)
class Procedure:
    """A mastering or a check that is going on: what is still to be read, and what was."""

    begun: int
    masters: tuple[str, ...]
    wanted: int
    is_check: bool
    movement: int = 0
    operator: str | None = None
    to_scan: tuple[str, ...] = ()
    """Masters that nobody has confirmed yet: what is read of them before their scan does not count."""
    taken_mm: tuple[Decimal, ...] = ()
    units: frozenset[tuple[Unit, Decimal]] = frozenset()
    members: tuple[int, ...] = ()

    @property
    def total(self) -> int:
        """How many readings it takes in all."""
        return self.wanted * len(self.masters) + (1 if self.movement else 0)

    @property
    def is_moving(self) -> bool:
        """Whether all readings of masters are taken and the known movement is left."""
        return len(self.taken_mm) >= self.wanted * len(self.masters)

    @property
    def sets_mm(self) -> tuple[tuple[Decimal, ...], ...]:
        """The indications on each master, once all were read: those on the last are fewer where it was ended early."""
        ends = range(self.wanted, self.wanted * len(self.masters) + 1, self.wanted)
        return tuple(self.taken_mm[end - self.wanted : end] for end in ends)

    @property
    def master_now(self) -> str:
        """The master whose reading comes next."""
        return self.masters[min(len(self.taken_mm) // self.wanted, len(self.masters) - 1)]


@dataclass(frozen=True)
class GaugeState:
    """What is known of one gauge. Without slots: `changed` makes it anew at every reading."""

    mastered: Mastered | None = None
    due: tuple[str, ...] = ()
    """Why verdicts wait for a check; one that passes clears them."""
    checked: Moment | None = None
    checked_sequence: int | None = None
    checked_c: Decimal | None = None
    readings: int = 0
    """Readings since the last good check."""
    first_reading: int | None = None
    last_raw: bytes = b""
    last_clock_ms: int = 0
    procedure: Procedure | None = None
    characteristic: str | None = None
    scatter: Scatter = Scatter()
    pieces: int = 0
    """Pieces measured since the last good check; a reading without a piece counts as one."""
    last_piece: tuple[str | None, str | None] | None = None
    """Lot and piece of the last reading that was counted among them."""
    told: tuple[str, ...] = ()
    """What of the next check was told: that it is due soon, that it is due."""
    contact_set: str | None = None
    """What is on it, of the sets that the station file names."""


@dataclass(frozen=True, slots=True)
class Member:
    """One of several readings: what it came to, and what its uncertainty rests on."""

    sequence: int
    value_mm: Decimal
    gauge: str
    utc_ms: int
    mastered: Mastered | None
    """The mastering in force; None where the records that say it are missing."""
    scatter: Scatter
    part: Sourced | None
    gauge_at: Sourced | None
    step_mm: Decimal | None
    """Step of its digits."""
    is_corrected: bool
    """Whether it is corrected to 20 °C."""


@dataclass(frozen=True, slots=True)
class Group:
    """Readings that wait for others, by place: to be combined into one result, or for the form that they show."""

    lot: str | None
    piece: str | None
    places: Mapping[str, tuple[Member, ...]]


Key = tuple[str | None, ...]
"""A place that is counted: lot, piece, characteristic and position, or a result of them."""
Neighbours = tuple[str | None, str | None]
"""A lot, and the pieces in it whose names differ in their last two characters only: they are measured at one time."""


@dataclass(frozen=True, slots=True)
class Counts:
    """How often each place was measured. Those of late are open, what was measured years ago is packed.

    One more costs the copy of two small maps; a place in ten million takes a few bytes.
    """

    open: Mapping[Neighbours, Mapping[Key, int]] = field(default_factory=dict)
    """Those of late, the last used at the end."""
    packed: tuple[Mapping[Neighbours, bytes], ...] = ({},) * 256
    """All others, and of those that are open what they were when they were packed last."""

    def of(self, key: Key) -> int:
        """Return the count of `key`, 0 where it was never counted."""
        return self._known(_neighbours(key)).get(key, 0)

    def one_more(self, key: Key) -> Self:
        """Return counts in which `key` has one more."""
        near, packed = _neighbours(key), self.packed
        known = self._known(near)
        opened = {each: inner for each, inner in self.open.items() if each != near}
        opened[near] = {**known, key: known.get(key, 0) + 1}
        if len(opened) > MOST_OPEN:
            oldest = next(iter(opened))
            at = _shard(oldest)
            packed = (*packed[:at], {**packed[at], oldest: _packed(opened.pop(oldest))}, *packed[at + 1 :])
        return type(self)(opened, packed)

    def filled_up(self, key: Key, size: int) -> Self:
        """Return counts in which `key` has a whole number of times `size`, so that the next one starts anew."""
        counts = self
        while counts.of(key) % size:
            counts = counts.one_more(key)
        return counts

    def _known(self, near: Neighbours) -> Mapping[Key, int]:
        known = self.open.get(near)
        if known is not None:
            return known
        kept = self.packed[_shard(near)].get(near)
        return {} if kept is None else _unpacked(near, kept)


MOST_OPEN = 16


def _neighbours(key: Key) -> Neighbours:
    piece = key[1]
    return key[0], None if piece is None else piece[:-2]


def _shard(near: Neighbours) -> int:
    return zlib.crc32(repr(near).encode("utf-8", "surrogatepass")) % 256


def _packed(counts: Mapping[Key, int]) -> bytes:
    """Return counts of neighbours in few bytes, the same for the same counts."""
    return zlib.compress(
        json.dumps(sorted(([*key[1:], count] for key, count in counts.items()), key=repr)).encode()
    )


def _unpacked(near: Neighbours, kept: bytes) -> dict[Key, int]:
    return {(near[0], *rest): count for *rest, count in json.loads(zlib.decompress(kept))}


@dataclass(frozen=True)
class State:
    """The bench after the record with number `sequence`. Without slots: `changed` makes it anew at every record."""

    derivation: int = DERIVATION
    """Rules that numbers are made by: today's, except where an old record is derived again."""
    sequence: int = 0
    now: Moment | None = None
    """When the last record was made."""
    set_up: SetUp = field(default_factory=lambda: SetUp(station="", zone="UTC"))
    set_up_sequence: int | None = None
    routes: Mapping[tuple[str, str], str] = field(default_factory=dict)
    """Link and channel to who is on it: a gauge, thermometer, scanner or trigger."""
    links: frozenset[str] = frozenset()
    """Links that are connected."""
    gauges: Mapping[str, GaugeState] = field(default_factory=dict)
    temperatures: Mapping[str, Shown] = field(default_factory=dict)
    triggered_ms: Mapping[str, int] = field(default_factory=dict)
    """By trigger, when it was last pressed, as `clock_ms` of this start of the computer."""
    operator: str | None = None
    lot: str | None = None
    piece: str | None = None
    position: str | None = None
    counts: Counts = Counts()
    groups: Mapping[str, Group] = field(default_factory=dict)
    again: Mapping[str, str] = field(default_factory=dict)
    """By characteristic, why its next reading is another attempt."""
    missing: int = 0
    """How many records before this one are missing: others may rest on what they said."""
    replaced: Replaced = Replaced()
    """Sequences of records that were voided or amended, and of what did it."""


def elapsed_ms(now: Moment, then: Moment) -> int | None:
    """Return the time from `then` to `now`, or None where it can't be known.

    Within one boot by the clock that counts through sleep; across boots by wall time, unless that went backwards.
    """
    if now.boot == then.boot:
        return now.clock_ms - then.clock_ms
    across = now.utc_ms - then.utc_ms
    return across if across >= 0 else None


def needed(state: State) -> list[tuple[int, str]]:
    """Return sequences of records that the bench still rests on, each with why, in the words of who looks after it."""
    found: list[tuple[int, str]] = []
    for name, known in state.gauges.items():
        if known.mastered is not None:
            found.append((known.mastered.sequence, f"it is the mastering in force of {name}: master it anew"))
        if known.procedure is not None:
            found.append((known.procedure.begun, f"a mastering or check of {name} is going on since then"))
        if known.checked_sequence is not None:
            found.append((known.checked_sequence, f"it is the last good check of {name}: check it anew"))
        if known.first_reading is not None:
            found.append((known.first_reading, f"{name} measured since its last good check: check it anew"))
    for characteristic, group in state.groups.items():
        members = [each.sequence for places in group.places.values() for each in places]
        piece = f"piece {group.piece} of lot {group.lot}"
        found += [(each, f"{characteristic} of {piece} waits for readings since then") for each in members]
    return found

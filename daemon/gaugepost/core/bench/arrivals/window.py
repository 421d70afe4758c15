"""One indication out of a stream: the turning point of a rocking or a passing, or the value at rest.

A two-point bore gauge is rocked, and the smallest it shows is the size; a shaft passes a snap gauge, the largest is;
a three-point head comes to rest (common practice, no source). What streams by outside a window is kept nowhere;
everything inside one is the evidence for what was taken.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from decimal import Decimal

from gaugepost.core.bench.events import Evidence, Streamed
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.quantity import CONTEXT, to_mm
from gaugepost.core.setup import GaugeEntry, Opens, Takes

PAUSE_MS = 1000
"""A stream that was silent for so long begins anew."""

MOST_BYTES = 65_536
"""Bytes of evidence that one window may have."""

NOTHING = "none"
"""Code of a window that ended without a value."""


@dataclass(frozen=True, slots=True)
class Shown:
    """An indication in a window: when it came, and its height, the length in mm turned so that the smallest counts."""

    clock_ms: int
    height_mm: Decimal
    indication: Indication


class Turns:
    """Finds where heights turn upwards: after they fell by `turn_mm`, once they rose by it again."""

    def __init__(self, turn_mm: Decimal, turns: int) -> None:
        self._turn_mm, self._turns = turn_mm, turns
        self._found: list[Shown] = []
        self._top: Decimal | None = None
        self._low: Shown | None = None
        """The lowest since the heights began to fall; None while they do not."""

    def feed(self, shown: Shown) -> Shown | None:
        """Take the next indication; return the lowest turning point once there are `turns` of them."""
        if self._low is not None:
            if shown.height_mm < self._low.height_mm:
                self._low = shown
            elif shown.height_mm >= self._low.height_mm + self._turn_mm:
                self._found.append(self._low)
                self._low, self._top = None, shown.height_mm
        elif self._top is None or shown.height_mm > self._top:
            self._top = shown.height_mm
        elif shown.height_mm <= self._top - self._turn_mm:
            self._low = shown
        if len(self._found) < self._turns:
            return None
        return min(self._found, key=lambda each: each.height_mm)


class Rest:
    """Finds when heights stay within `within_mm` for `for_ms`."""

    def __init__(self, within_mm: Decimal, for_ms: int) -> None:
        self._within_mm, self._for_ms = within_mm, for_ms
        self._steady: deque[Shown] = deque()

    def feed(self, shown: Shown) -> Shown | None:
        """Take the next indication; return the middle one, by height, of those at rest, once they are."""
        if self._steady and shown.clock_ms - self._steady[-1].clock_ms >= PAUSE_MS:
            self._steady.clear()
        self._steady.append(shown)
        while (
            max(s.height_mm for s in self._steady) - min(s.height_mm for s in self._steady) > self._within_mm
        ):
            self._steady.popleft()
        if len(self._steady) < 3 or shown.clock_ms - self._steady[0].clock_ms < self._for_ms:
            return None
        ordered = sorted(self._steady, key=lambda s: s.height_mm)
        return ordered[(len(ordered) - 1) // 2]


class Window:
    """A streaming gauge's window: opened, fed, and ended by what it was opened for or by its time."""

    def __init__(self, gauge: GaugeEntry) -> None:
        assert gauge.stream is not None
        self.gauge, self._entry = gauge, gauge.stream
        self._opened_ms: int | None = None
        self._last_ms: int | None = None
        self._inside = False
        """Whether the stream goes on from a window that has ended: the next opens by itself only after a break."""
        self._shown: list[Shown] = []

    @property
    def longest_s(self) -> float:
        """Seconds after which it has ended, whatever came."""
        return (self._entry.window_ms + 1) / 1000

    def open(self, now: Moment) -> None:
        """Open it, or begin anew where it is open."""
        self._opened_ms, self._shown = now.clock_ms, []
        entry = self._entry
        if entry.steady_mm is not None:
            self._finder: Turns | Rest = Rest(entry.steady_mm, entry.steady_for_ms)
        else:
            assert entry.turn_mm is not None
            self._finder = Turns(entry.turn_mm, entry.turns)

    def feed(self, link: str, indication: Indication, now: Moment) -> list[Streamed]:
        """Take the next indication; return how the window ends, if it does."""
        height_mm = self._height_mm(indication)
        self._open_by_itself(height_mm, now)
        self._last_ms = now.clock_ms
        if self._opened_ms is None:
            return []
        ends = self.passed(link, now)
        if ends or height_mm is None:
            return ends
        shown = Shown(now.clock_ms, height_mm, indication)
        self._shown.append(shown)
        taken = self._finder.feed(shown)
        if taken is not None:
            return [self._ended(link, taken, now)]
        if sum(len(each.indication.raw) for each in self._shown) > MOST_BYTES:
            return [self._failed(link, f"more than {MOST_BYTES} bytes", now)]
        return []

    def passed(self, link: str, now: Moment) -> list[Streamed]:
        """Return how the window ends where its time is over without a value."""
        if self._opened_ms is None or now.clock_ms - self._opened_ms <= self._entry.window_ms:
            return []
        missing = {
            Takes.SETTLED: "it did not come to rest",
            Takes.SMALLEST: "it did not fall and rise again",
            Takes.LARGEST: "it did not rise and fall again",
        }
        why = missing[self._entry.takes] if self._shown else "nothing came"
        return [self._failed(link, f"{why} within {self._entry.window_ms / 1000:g} s", now)]

    def lost(self, link: str, now: Moment) -> list[Streamed]:
        """Return how the window ends with its link."""
        self._last_ms = None
        return [] if self._opened_ms is None else [self._failed(link, "the link was lost", now)]

    def _open_by_itself(self, height_mm: Decimal | None, now: Moment) -> None:
        paused = self._last_ms is None or now.clock_ms - self._last_ms >= PAUSE_MS
        if height_mm is None or paused:
            self._inside = False
        if self._entry.opens is Opens.ITSELF and height_mm is not None and not self._inside:
            self._inside = True
            if self._opened_ms is None:
                self.open(now)

    def _height_mm(self, indication: Indication) -> Decimal | None:
        """Return the height; None outside the range that the gauge can show, and where no unit is known."""
        unit = indication.unit or self.gauge.unit
        if unit is None:
            return None
        size_mm, bounds = to_mm(indication.value, unit), self.gauge.indication_range_mm
        if bounds is not None and not bounds[0] <= size_mm <= bounds[1]:
            return None
        size_mm = CONTEXT.multiply(size_mm, self.gauge.sense)
        return CONTEXT.minus(size_mm) if self._entry.takes is Takes.LARGEST else size_mm

    def _ended(self, link: str, taken: Shown, now: Moment) -> Streamed:
        turns = f", after {self._entry.turns} turns" if self._entry.turns > 1 else ""
        evidence = self._evidence(self._entry.takes.value, f"{self._entry.takes} of", turns, now)
        self._opened_ms, self._shown = None, []
        return Streamed(link, self.gauge.channel, taken.indication, evidence)

    def _failed(self, link: str, why: str, now: Moment) -> Streamed:
        evidence = self._evidence(NOTHING, f"{why}:", "", now)
        self._opened_ms, self._shown = None, []
        return Streamed(link, self.gauge.channel, None, evidence)

    def _evidence(self, code: str, before: str, after: str, now: Moment) -> Evidence:
        assert self._opened_ms is not None
        heights = [each.height_mm for each in self._shown]
        count, lasted_ms = len(heights), now.clock_ms - self._opened_ms
        return Evidence(
            code=code,
            text=f"{before} {count} in {Decimal(lasted_ms).scaleb(-3)} s{after}",
            count=count,
            spread_mm=CONTEXT.subtract(max(heights), min(heights)) if heights else None,
            raw=b"".join(each.indication.raw for each in self._shown),
        )

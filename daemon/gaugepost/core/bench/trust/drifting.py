"""Soak: whether ring and gauge have come to one temperature, by what their thermometers showed for a while."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.schedule import span_text
from gaugepost.core.bench.state import Shown, State
from gaugepost.core.bench.temperatures import fresh_thermometer
from gaugepost.core.indication import Moment
from gaugepost.core.setup import Body

KEPT_MS = 7_200_000
"""How long what a thermometer showed is kept: twice the longest window that can be declared, `LONGEST_WINDOW_MS`."""
LONGEST_WINDOW_MS = 3_600_000
APART_MS = 10_000
"""What comes sooner after the last one kept replaces nothing: a soak takes minutes."""


def history(before: Shown | None, celsius: Decimal, now: Moment) -> Shown:
    """Return what a thermometer shows now, with what it showed before in this start of the computer."""
    if before is None or before.at.boot != now.boot:
        return Shown(celsius, now)
    earlier = before.earlier
    if not earlier or before.at.clock_ms - earlier[-1][0] >= APART_MS:
        earlier = (*earlier, (before.at.clock_ms, before.celsius))
    if earlier[0][0] < now.clock_ms - KEPT_MS:
        earlier = tuple(each for each in earlier if each[0] >= now.clock_ms - KEPT_MS)
    return Shown(celsius, now, earlier)


def still_drifting(state: State, gauge: str, now: Moment) -> tuple[str, ...]:
    """Return which of gauge and master moved further in temperature than its soak allows; empty where none is held."""
    entry = state.set_up.gauges[gauge]
    if entry.soak_k is None or entry.soak_window_ms is None:
        return ()
    reasons = []
    for body in (Body.GAUGE, Body.MASTER):
        name = fresh_thermometer(state, body, gauge, now)
        if name is None:
            continue
        moved = moved_k(state.temperatures[name], entry.soak_window_ms, now)
        if moved > entry.soak_k:
            reasons.append(
                f"the {body} still drifts: {moved} K within {span_text(entry.soak_window_ms)}, more than "
                f"{entry.soak_k} K: let ring and gauge soak"
            )
    return tuple(reasons)


def moved_k(shown: Shown, window_ms: int, now: Moment) -> Decimal:
    """Return how far a thermometer moved within the last `window_ms`, in kelvin: largest minus smallest."""
    since = now.clock_ms - window_ms
    seen = [shown.celsius]
    if shown.at.boot == now.boot and shown.at.clock_ms >= since:
        seen += [celsius for clock_ms, celsius in shown.earlier if clock_ms >= since]
        # What was shown last before the window held when it began: what stands still is not recorded again.
        seen += [celsius for clock_ms, celsius in shown.earlier if clock_ms < since][-1:]
    return max(seen) - min(seen)


def settles_in_ms(shown: Shown, limit_k: Decimal, window_ms: int, now: Moment) -> int:
    """Return in how many ms a thermometer that stays as it is will have moved no further than allowed; 0: now."""
    if moved_k(shown, window_ms, now) <= limit_k:
        return 0
    held = [*shown.earlier, (shown.at.clock_ms, shown.celsius)]
    seen: list[Decimal] = []
    begins_ms = shown.at.clock_ms
    for clock_ms, celsius in reversed(held):
        seen.append(celsius)
        if max(seen) - min(seen) > limit_k:
            break
        begins_ms = clock_ms
    return max(0, begins_ms + window_ms - now.clock_ms) + 1

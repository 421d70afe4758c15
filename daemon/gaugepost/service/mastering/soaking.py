"""Whether ring and gauge came to one temperature: what thermometers showed, and when they will have soaked. Pure."""

from __future__ import annotations

from gaugepost.core.bench.schedule import span_text
from gaugepost.core.bench.state import Shown, State
from gaugepost.core.bench.temperatures import fresh_thermometer, temperature_of
from gaugepost.core.bench.trust import moved_k, settles_in_ms, still_drifting
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import exact_text
from gaugepost.core.setup import Body, GaugeEntry
from gaugepost.service.views import Document

USUAL_WINDOW_MS = 900_000
"""What is drawn where the station file declares no soak."""


def soaking(state: State, gauge: str, now: Moment) -> Document:
    """Return temperatures of gauge, master and part, how far each moved, and what speaks against mastering now."""
    entry = state.set_up.gauges[gauge]
    window_ms = entry.soak_window_ms if entry.soak_k is not None and entry.soak_window_ms else USUAL_WINDOW_MS
    bodies = [_body(state, body, entry, window_ms, now) for body in (Body.GAUGE, Body.MASTER)]
    drifting = still_drifting(state, gauge, now)
    waits = [
        each["settles_in_s"] for each in bodies if each is not None and each.get("settles_in_s") is not None
    ]
    return {
        "held": entry.soak_k is not None,
        "limit": None if entry.soak_k is None else f"{exact_text(entry.soak_k)} K",
        "window": span_text(window_ms),
        "window_s": window_ms / 1000,
        "refuses": bool(entry.drifting_refused),
        "drifting": list(drifting),
        "settles_in_s": max((int(str(each)) for each in waits), default=0) if drifting else 0,
        "bodies": [each for each in bodies if each is not None],
    }


def _body(state: State, body: Body, entry: GaugeEntry, window_ms: int, now: Moment) -> Document | None:
    """Return a body's temperature, and of a measured one its course; None where nobody knows one."""
    sourced = temperature_of(state, body, entry.name, now)
    if sourced is None:
        return None
    said: Document = {
        "body": body.value,
        "temperature": f"{exact_text(sourced.celsius)} °C",
        "source": sourced.source,
    }
    name = fresh_thermometer(state, body, entry.name, now)
    if name is None:
        return said
    shown = state.temperatures[name]
    moved = moved_k(shown, window_ms, now)
    said |= {"thermometer": name, "moved": f"{exact_text(moved)} K", "course": _course(shown, window_ms, now)}
    if entry.soak_k is not None:
        left_ms = settles_in_ms(shown, entry.soak_k, window_ms, now)
        said |= {"settled": moved <= entry.soak_k, "settles_in_s": -(-left_ms // 1000)}
    return said


def _course(shown: Shown, window_ms: int, now: Moment) -> list[Document]:
    """Return what it showed within twice the window: seconds ago, and the temperature."""
    if shown.at.boot != now.boot:
        return []
    since = now.clock_ms - 2 * window_ms
    held = [*shown.earlier, (shown.at.clock_ms, shown.celsius)]
    seen = [each for each in held if each[0] >= since]
    before = [(since, celsius) for clock_ms, celsius in held if clock_ms < since][-1:]
    return [
        {"ago_s": round((now.clock_ms - clock_ms) / 1000, 1), "temperature_c": exact_text(celsius)}
        for clock_ms, celsius in (*before, *seen)
    ]

"""What a gauge sends: an indication to measure or to master with, or something it says about itself."""

from __future__ import annotations

from gaugepost.core.bench.events import Arrived
from gaugepost.core.bench.measuring import measure
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.procedures import take
from gaugepost.core.bench.state import State
from gaugepost.core.indication import Condition, Indication, Moment
from gaugepost.core.record import Kind, Record


def from_gauge(
    state: State, gauge: str, event: Arrived, decoded: Indication | Condition, now: Moment
) -> tuple[Record, ...]:
    """Return the records that a gauge's frame leads to. The same frame twice within the debounce is one send."""
    link = event.link
    if isinstance(decoded, Condition):
        said = {"code": decoded.code, "text": decoded.meaning, "raw": decoded.raw}
        ends = True if decoded.ends_mastering else None
        return (plain(now, Kind.CONDITION, gauge=gauge, link=link, ends_mastering=ends, **said),)
    known = state.gauges[gauge]
    since_ms = now.clock_ms - known.last_clock_ms
    if known.last_raw == decoded.raw and 0 <= since_ms < state.set_up.gauges[gauge].debounce_ms:
        text = f"the same frame {since_ms} ms after the last one: one send, doubled"
        return (plain(now, Kind.SUPPRESSED, gauge=gauge, link=link, raw=decoded.raw, text=text),)
    if known.procedure is not None:
        return take(state, gauge, link, decoded, now)
    return measure(state, gauge, link, decoded, now)

"""What a gauge sends: an indication to measure or to master with, or something it says about itself."""

from __future__ import annotations

from dataclasses import replace

from gaugepost.core.bench.events import Arrived, Decision, Streamed
from gaugepost.core.bench.measuring import measure
from gaugepost.core.bench.plain import plain, whose
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
    if known.last_raw == decoded.raw and since_ms < state.set_up.gauges[gauge].debounce_ms:
        text = f"the same frame {since_ms} ms after the last one: one send, doubled"
        return (plain(now, Kind.SUPPRESSED, gauge=gauge, link=link, raw=decoded.raw, text=text),)
    if known.procedure is not None:
        return take(state, gauge, link, decoded, now)
    return measure(state, gauge, link, decoded, now)


def streamed(state: State, event: Streamed, now: Moment) -> Decision:
    """Return the evidence of a streaming gauge's window, and what the indication taken from it leads to."""
    said, own = event.evidence, whose(state, event.link, event.channel)
    evidence = plain(
        now,
        Kind.STREAM,
        link=event.link,
        code=said.code,
        text=said.text,
        count=said.count,
        spread_mm=said.spread_mm,
        raw=said.raw,
        **own,
    )
    gauge = own.get("gauge")
    if event.indication is None or gauge is None:
        return Decision((evidence,))
    after = replace(state, sequence=state.sequence + 1)
    records = from_gauge(after, gauge, Arrived(event.link, event.indication), event.indication, now)
    return Decision((replace(evidence, members=(after.sequence + 1,)), *records))

"""Whom a frame came from, by its link and channel, and what becomes of it."""

from __future__ import annotations

from gaugepost.core.bench.arrivals.gauge import from_gauge
from gaugepost.core.bench.arrivals.scanner import from_scanner
from gaugepost.core.bench.arrivals.thermometer import from_thermometer
from gaugepost.core.bench.arrivals.trigger import from_trigger
from gaugepost.core.bench.events import Arrived, Decision, MoreBadFrames
from gaugepost.core.bench.plain import bad_frame, plain, whose
from gaugepost.core.bench.state import State
from gaugepost.core.indication import BadFrame, Code, Condition, Indication, Moment, Temperature, Trigger
from gaugepost.core.record import Kind

_WHAT: dict[type, str] = {
    Indication: "an indication",
    Temperature: "a temperature",
    Condition: "a condition",
    Code: "a code",
    Trigger: "a trigger",
}


def arrived(state: State, event: Arrived, now: Moment) -> Decision:
    """Return what a decoder's answer leads to. What nobody is expected to send is a bad frame, with its bytes."""
    decoded, set_up = event.decoded, state.set_up
    name = state.routes.get((event.link, decoded.channel), "")
    if isinstance(decoded, BadFrame):
        return Decision((bad_frame(state, event, now, decoded.reason),))
    if name in set_up.gauges and isinstance(decoded, Indication | Condition):
        return Decision(from_gauge(state, name, event, decoded, now))
    if name in set_up.thermometers and isinstance(decoded, Temperature | Condition):
        return Decision(from_thermometer(state, name, event, decoded, now))
    if name in set_up.scanners and isinstance(decoded, Code):
        return Decision(from_scanner(state, name, event, decoded, now))
    if name in set_up.triggers and isinstance(decoded, Trigger | Code):
        return from_trigger(state, name, event, now)
    channel = f"channel {decoded.channel} of {event.link}" if decoded.channel else event.link
    what = _WHAT[type(decoded)]
    where = (
        f"on {channel}, where {name} is" if name else f"on {channel}, where the station file names nothing"
    )
    return Decision((bad_frame(state, event, now, f"{what} came in {where}"),))


def more_bad_frames(state: State, event: MoreBadFrames, now: Moment) -> Decision:
    """Return the record of bad frames that were only counted."""
    text = "more of them in the same minute, counted without their bytes"
    own = whose(state, event.link, event.channel)
    return Decision((plain(now, Kind.BAD_FRAME, link=event.link, text=text, count=event.count, **own),))

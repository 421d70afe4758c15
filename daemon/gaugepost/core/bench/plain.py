"""Records without a measurement: when it was, what it was, and what is said about it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from gaugepost.core.bench.events import Arrived
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record


def plain(now: Moment, kind: Kind, **fields: Any) -> Record:
    """Return a record of something that happened at `now`."""
    return Record(kind=kind, measured_at=now.utc_ms, clock_ms=now.clock_ms, **fields)


def unknown(what: str, name: str, known: Iterable[str]) -> CommandRefused:
    """Return the refusal of a gauge or a master that is not at this bench, with those that are."""
    return CommandRefused(
        f"no {what} is named {name!r}", hint=f"the {what}s here: {', '.join(sorted(known)) or 'none'}"
    )


def bad_frame(state: State, event: Arrived, now: Moment, reason: str) -> Record:
    """Return the record of bytes that are no use, and why."""
    own = whose(state, event.link, event.decoded.channel)
    return plain(now, Kind.BAD_FRAME, link=event.link, text=reason, raw=event.decoded.raw, count=1, **own)


def whose(state: State, link: str, channel: str) -> dict[str, str]:
    """Return the field that names who is on a channel of a link; none where the station file names nobody."""
    name = state.routes.get((link, channel))
    if name is None:
        return {}
    if name in state.set_up.gauges:
        return {"gauge": name}
    return {"thermometer" if name in state.set_up.thermometers else "device": name}

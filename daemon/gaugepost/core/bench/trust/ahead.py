"""Looking ahead: checks that have become due, and those that soon will, told once each before they stop anybody."""

from __future__ import annotations

from gaugepost.core.bench.events import Decision, LookAhead
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.schedule import checks_coming, passed, scheduled
from gaugepost.core.bench.state import State
from gaugepost.core.bench.trust.steps import CHECK_DUE, CHECK_DUE_SOON
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record


def look_ahead(state: State, event: LookAhead, now: Moment) -> Decision:
    """Return a condition for each gauge whose next check is due, or due soon, and nobody was told."""
    records = (_about(state, gauge, event, now) for gauge in state.gauges)
    return Decision(tuple(record for record in records if record is not None))


def _about(state: State, gauge: str, event: LookAhead, now: Moment) -> Record | None:
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    if CHECK_DUE in known.told:
        return None
    if (at := passed(entry, known, now, event.zone)) is not None:
        return plain(now, Kind.CONDITION, gauge=gauge, code=CHECK_DUE, text=at, ends_mastering=True)
    if due := scheduled(state, gauge, now):
        return plain(now, Kind.CONDITION, gauge=gauge, code=CHECK_DUE, text="; ".join(due))
    coming = checks_coming(state, gauge, now, event.zone)
    if coming and CHECK_DUE_SOON not in known.told:
        return plain(now, Kind.CONDITION, gauge=gauge, code=CHECK_DUE_SOON, text="; ".join(coming))
    return None

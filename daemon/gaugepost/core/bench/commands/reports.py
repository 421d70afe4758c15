"""What a person, or a scanned code, says was done to a gauge; it is to be checked then."""

from __future__ import annotations

from gaugepost.core.bench.events import REPORTS, Decision, Reply, Report
from gaugepost.core.bench.plain import plain, unknown
from gaugepost.core.bench.state import State
from gaugepost.core.bench.trust.contacts import on_gauge
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record


def report(state: State, event: Report, now: Moment) -> Decision:
    """Take what was done to a gauge, or refuse it with what to say instead."""
    record = reported(state, event, now)
    on = f", with contact set {record.contact_set} on" if record.contact_set else ""
    return Decision(
        (record,), Reply(accepted=True, text=f"{event.gauge} is to be checked before its next verdict{on}")
    )


def reported(state: State, event: Report, now: Moment) -> Record:
    """Return the record of what was done to a gauge. Raises `CommandRefused`."""
    entry = state.set_up.gauges.get(event.gauge)
    if entry is None:
        raise unknown("gauge", event.gauge, state.set_up.gauges)
    meaning = REPORTS.get(event.what)
    if meaning is None:
        raise CommandRefused(
            f"{event.what!r} is nothing that can be reported", hint=f"report {', '.join(REPORTS)}"
        )
    contact_set = None
    if event.what == "contacts":
        contact_set = on_gauge(entry, event.contact_set)
    elif event.contact_set is not None:
        raise CommandRefused(
            f"{event.what} says nothing of contact set {event.contact_set}", hint="report contacts with it"
        )
    if contact_set is not None:
        meaning += f", contact set {contact_set} is on"
    return plain(
        now,
        Kind.REPORT,
        gauge=event.gauge,
        operator=event.operator or state.operator,
        code=event.what,
        text=f"{meaning}: {event.note}" if event.note else meaning,
        ends_mastering=True,
        contact_set=contact_set,
        set_up=state.set_up_sequence,
    )

"""What people say once a master, a gauge or a thermometer turns out bad: judge again, or mark as suspect."""

from __future__ import annotations

from gaugepost.core.bench.commands.afterwards import who, why
from gaugepost.core.bench.events import Decision, Doubtful, Rejudge, Reply, Suspect
from gaugepost.core.bench.plain import plain, unknown
from gaugepost.core.bench.state import State
from gaugepost.core.bench.tracing import rejudging
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record


def rejudge(state: State, event: Rejudge, now: Moment) -> Decision:
    """Record what measurements come to once something is corrected; what they were stays, as for an amendment."""
    operator, reason = who(state, event.operator), why(event.reason, "judge again")
    return rejudging.rejudge(state, event, now, operator, reason)


def suspect(state: State, event: Suspect, now: Moment) -> Decision:
    """Mark what was measured as suspect. A gauge that is doubted is to be checked before its next verdict."""
    operator, reason = who(state, event.operator), why(event.reason, "doubt")
    if event.gauge is None:
        records = tuple(_marked(state, each, now, operator, reason) for each in event.doubtful)
        total = sum(each.count for each in event.doubtful)
        return Decision(records, Reply(accepted=True, text=f"{total} readings are marked as suspect"))
    known = state.gauges.get(event.gauge)
    if known is None:
        raise unknown("gauge", event.gauge, state.set_up.gauges)
    if known.first_reading is None:
        raise CommandRefused(
            f"{event.gauge} measured nothing since its last good check",
            hint=f"for what is older: gaugepost trace gauge {event.gauge} --suspect",
        )
    doubtful = Doubtful(event.gauge, known.first_reading, state.sequence, known.readings)
    record = _marked(state, doubtful, now, operator, reason, ends_mastering=True)
    text = (
        f"{known.readings} readings of {event.gauge} are marked as suspect; check it before its next verdict"
    )
    return Decision((record,), Reply(accepted=True, text=text))


def _marked(
    state: State,
    doubtful: Doubtful,
    now: Moment,
    operator: str,
    reason: str,
    *,
    ends_mastering: bool | None = None,
) -> Record:
    return plain(
        now,
        Kind.SUSPECT,
        gauge=doubtful.gauge,
        master=doubtful.master,
        operator=operator,
        first=doubtful.first,
        last=doubtful.last,
        count=doubtful.count,
        text=reason,
        ends_mastering=ends_mastering,
        set_up=state.set_up_sequence,
        derivation=state.derivation if state.derivation > 4 else None,
    )

"""A set-up taken while the bench is at work: what goes on stays as it is, or the whole is refused."""

from __future__ import annotations

from gaugepost.core.bench.events import Decision, Reload, Reply
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind
from gaugepost.core.setup import SetUp, from_document, to_document

RELOADED = "reloaded"
"""Code of the record of a set-up that came while the bench was at work; without it, it came at a start."""


def reload(state: State, event: Reload, now: Moment) -> Decision:
    """Take a set-up, or refuse it where a mastering or check that is going on would lose what it stands on."""
    new = from_document(event.document)
    for name, known in state.gauges.items():
        if known.procedure is None or goes_on(state.set_up, new, name, known.procedure.masters):
            continue
        what = "check" if known.procedure.is_check else "mastering"
        raise CommandRefused(
            f"a {what} of {name} is going on, and the gauge, its master or its link is changed",
            hint="finish or abandon it first",
        )
    if not event.changes and to_document(state.set_up) == event.document:
        return Decision((), Reply(accepted=True, text="nothing was changed"))
    changes = "; ".join(event.changes)
    text = ": ".join(part for part in (changes, event.reason) if part) or None
    operator = event.operator or state.operator
    record = plain(now, Kind.SET_UP, document=event.document, code=RELOADED, text=text, operator=operator)
    return Decision((record,), Reply(accepted=True, text=changes or "taken"))


def goes_on(old: SetUp, new: SetUp, gauge: str, masters: tuple[str, ...]) -> bool:
    """Return whether what is being read of `masters` with a gauge means the same under both set-ups."""
    entry = new.gauges.get(gauge)
    return (
        entry is not None
        and entry == old.gauges.get(gauge)
        and old.links.get(entry.link) == new.links.get(entry.link)
        and all(old.masters.get(master) == new.masters.get(master) for master in masters)
    )

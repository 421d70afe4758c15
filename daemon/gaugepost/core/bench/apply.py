"""The state that a record leads to. Total over every record that was ever written; it decides nothing."""

from __future__ import annotations

import decimal
from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from gaugepost.core.bench.combining.groups import gathers, joined, member_of, without, without_doubtful
from gaugepost.core.bench.commands.reload import RELOADED
from gaugepost.core.bench.schedule import due_by_lot, is_another_piece, opens
from gaugepost.core.bench.state import GaugeState, Scatter, State
from gaugepost.core.bench.tracing.steps import rejudged
from gaugepost.core.bench.trust import steps
from gaugepost.core.bench.trust.contacts import kept, sole
from gaugepost.core.bench.trust.drifting import history
from gaugepost.core.bench.trust.steps import made_due, with_gauge
from gaugepost.core.frozen import changed
from gaugepost.core.indication import Moment
from gaugepost.core.quantity import CONTEXT
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import Combine, SetUp, from_document

SET_UP_EDITED = "the station file's entry for the gauge, its master or its temperatures was edited"
WALL_WENT_BACK = "the wall clock went back across a start of the computer"
RECORDS_MISSING = "records of the journal are missing: what happened meanwhile is unknown"


def apply(state: State, record: Record) -> State:
    """Return the state after `record`, which is the next one in the journal."""
    with decimal.localcontext(CONTEXT):
        moved = changed(state, sequence=state.sequence + 1, now=_moment(state, record))
        step = _STEPS.get(record.kind)
        return step(moved, record) if step else moved


def follow(state: State, entry: Entry) -> State:
    """Return the state after `entry`, the next one that there is: where others are missing, what they said is unknown.

    Total over every journal that was salvaged, whatever it lost.
    """
    record: Record | None = entry.record
    if entry.sequence != state.sequence + 1:
        state = changed(_forgotten(state), missing=state.missing + entry.sequence - 1 - state.sequence)
        state = changed(state, sequence=entry.sequence - 1)
    if state.missing:
        record = resting(state, entry.record)
    if record is not None:
        return apply(state, record)
    state = changed(state, sequence=entry.sequence, now=_moment(state, entry.record))
    gauge = entry.record.gauge or ""
    if entry.record.kind is Kind.MASTERING and gauge in state.gauges:  # another one than that which is known
        return with_gauge(state, gauge, changed(state.gauges[gauge], mastered=None, due=(), checked=None))
    return state


def _moment(state: State, record: Record) -> Moment:
    boot = record.boot or (state.now.boot if state.now else "")
    return Moment(record.measured_at, record.clock_ms, boot)


def resting(state: State, record: Record) -> Record | None:
    """Return what of `record` can be applied though records before it are missing; None: nothing."""
    known = state.gauges.get(record.gauge or "")
    if known is None:  # what is said of a record stands whichever gauges there are
        return record if record.gauge is None or record.replaces is not None else None
    begins = record.kind in (Kind.MASTERING_BEGUN, Kind.CHECK_BEGUN)
    if begins or record.kind in (Kind.MASTER_READING, Kind.MASTERING, Kind.CHECK):
        fits = record.set_up == state.set_up_sequence and (begins or known.procedure is not None)
        lacks = record.kind in (Kind.CHECK_BEGUN, Kind.CHECK) and known.mastered is None
        return record if fits and not lacks else None
    measured = record.kind in (Kind.READING, Kind.RESULT, Kind.ATTEMPT)
    if measured and record.characteristic not in (None, *state.set_up.characteristics):
        return replace(record, characteristic=None) if record.kind is Kind.READING else None
    return record


def _forgotten(state: State) -> State:
    """Return what is still known where records are missing after `state`, or may be."""
    gauges = {
        name: changed(
            known,
            procedure=None,
            characteristic=None,
            last_raw=b"",
            first_reading=known.first_reading or state.sequence + 1,
            contact_set=sole(state.set_up.gauges[name]),
        )
        for name, known in state.gauges.items()
    }
    nothing: dict[str, Any] = dict.fromkeys(("operator", "lot", "piece", "position"))
    nothing |= {"temperatures": {}, "triggered_ms": {}, "groups": {}, "again": {}}
    state = changed(state, links=frozenset(), gauges=gauges, **nothing)
    return made_due(state, dict.fromkeys(gauges, RECORDS_MISSING))


def _start(state: State, record: Record) -> State:
    gauges = {name: changed(known, last_raw=b"") for name, known in state.gauges.items()}
    state = changed(state, links=frozenset(), gauges=gauges, triggered_ms={})
    if record.ends_mastering:
        return made_due(state, dict.fromkeys(state.gauges, WALL_WENT_BACK))
    return state


def _set_up(state: State, record: Record) -> State:
    assert record.document is not None
    old, new = state.set_up, from_document(record.document)
    at_work = record.code == RELOADED
    senders = (new.gauges, new.thermometers, new.scanners, new.triggers)
    routes = {(each.link, each.channel): each.name for section in senders for each in section.values()}
    gauges = {}
    for name, entry in new.gauges.items():
        known = state.gauges.get(name, GaugeState())
        chosen = new.characteristics.get(known.characteristic or "")
        gauges[name] = changed(
            known,
            # At work a set-up that what goes on does not stand is refused (`commands.reload`).
            procedure=known.procedure if at_work else None,
            scatter=known.scatter if old.gauges.get(name) == entry else Scatter(),
            contact_set=kept(entry, known.contact_set),
            characteristic=known.characteristic if chosen is not None and name in chosen.gauges else None,
        )
    state = changed(
        state,
        set_up=new,
        set_up_sequence=state.sequence,
        routes=MappingProxyType(routes),
        gauges=gauges,
        groups={
            name: group
            for name, group in state.groups.items()
            if at_work and old.characteristics.get(name) == new.characteristics.get(name)
        },
    )
    return made_due(state, {name: SET_UP_EDITED for name in gauges if _edited(old, new, name, gauges[name])})


def _edited(old: SetUp, new: SetUp, gauge: str, known: GaugeState) -> bool:
    masters = known.mastered.masters if known.mastered else ()
    return (
        old.gauges.get(gauge) != new.gauges[gauge]
        or old.declared != new.declared
        or old.thermometers != new.thermometers
        or any(old.masters.get(name) != new.masters.get(name) for name in masters)
    )


def _link(state: State, record: Record) -> State:
    assert record.link is not None
    if record.code == "connected":
        return changed(state, links=state.links | {record.link})
    lost = {
        name: f"the link {record.link} was lost"
        for name, g in state.set_up.gauges.items()
        if g.link == record.link
    }
    state = made_due(changed(state, links=state.links - {record.link}), lost)
    gauges = {
        name: changed(known, procedure=None) if name in lost else known
        for name, known in state.gauges.items()
    }
    return changed(state, gauges=gauges)


def _tags(state: State, record: Record) -> State:
    due = list(due_by_lot(state, record.lot))
    if record.lot != state.lot and state.lot is not None:
        state = _not_opened(state, opens(state.lot))
    state = changed(
        state, operator=record.operator, lot=record.lot, piece=record.piece, position=record.position
    )
    entry = state.set_up.characteristics.get(record.characteristic or "")
    if record.code == "cleared":
        gauges = {name: changed(known, characteristic=None) for name, known in state.gauges.items()}
        state = changed(state, gauges=gauges)
    elif entry is not None:
        chosen = {name: changed(state.gauges[name], characteristic=entry.name) for name in entry.gauges}
        state = changed(state, gauges={**state.gauges, **chosen})
    for each in due:
        state = made_due(state, each)
    return state


def _not_opened(state: State, reason: str) -> State:
    """Return the state in which nobody waits for the opening check of a lot that is put away."""
    gauges = {
        name: changed(known, due=tuple(each for each in known.due if each != reason))
        for name, known in state.gauges.items()
    }
    return changed(state, gauges=gauges)


def _temperature(state: State, record: Record) -> State:
    assert record.thermometer is not None and record.temperature_c is not None and state.now is not None
    shown = history(state.temperatures.get(record.thermometer), record.temperature_c, state.now)
    return changed(state, temperatures={**state.temperatures, record.thermometer: shown})


def _trigger(state: State, record: Record) -> State:
    assert record.device is not None
    return changed(state, triggered_ms={**state.triggered_ms, record.device: record.clock_ms})


def _reading(state: State, record: Record) -> State:
    assert record.gauge is not None
    before = state.gauges[record.gauge]
    another = is_another_piece(state, before)
    known = changed(
        before,
        readings=before.readings + 1,
        pieces=before.pieces + another,
        last_piece=(state.lot, state.piece) if state.piece is not None else None,
        first_reading=before.first_reading or state.sequence,
        last_raw=record.raw or b"",
        last_clock_ms=record.clock_ms,
    )
    counts, groups, again = state.counts, state.groups, state.again
    if record.characteristic is not None:
        if record.piece is not None:
            counts = counts.one_more((record.lot, record.piece, record.characteristic, record.position))
        entry = state.set_up.characteristics[record.characteristic]
        if gathers(entry, record):
            member = member_of(state, record, state.sequence)
            groups = {**groups, entry.name: joined(groups.get(entry.name), entry, record, member)}
        if entry.name in again:
            again = {name: why for name, why in again.items() if name != entry.name}
    gauges = {**state.gauges, record.gauge: known}
    state = changed(state, gauges=gauges, counts=counts, groups=groups, again=again)
    if record.ends_mastering:
        assert record.reasons is not None
        return made_due(state, {record.gauge: record.reasons[0]})
    return state


def _result(state: State, record: Record) -> State:
    assert record.characteristic is not None
    groups = {name: group for name, group in state.groups.items() if name != record.characteristic}
    counts = state.counts
    if record.piece is not None:
        counts = counts.one_more((record.lot, record.piece, record.characteristic, None, "result"))
    return changed(state, groups=groups, counts=counts)


def _form(state: State, record: Record) -> State:
    """Places that were all measured are measured anew the next time."""
    groups = {name: group for name, group in state.groups.items() if name != record.characteristic}
    return changed(state, groups=groups)


def _attempt(state: State, record: Record) -> State:
    assert record.characteristic is not None
    entry = state.set_up.characteristics[record.characteristic]
    groups = {name: group for name, group in state.groups.items() if name != entry.name}
    counts = state.counts
    if entry.combine is Combine.EACH:
        for place in entry.positions or (record.position,):
            key = (record.lot, record.piece, entry.name, place)
            counts = counts.filled_up(key, entry.readings)
    assert record.text is not None
    again = {**state.again, entry.name: record.text}
    return changed(state, groups=groups, counts=counts, again=again)


def _void(state: State, record: Record) -> State:
    assert record.replaces is not None
    groups = without(state.groups, record.replaces)
    return changed(state, groups=groups, replaced=state.replaced.and_(record.replaces, state.sequence))


def _amendment(state: State, record: Record) -> State:
    state = _void(state, record)
    if record.characteristic is None or record.piece is None:
        return state
    key = (record.lot, record.piece, record.characteristic, record.position)
    return changed(state, counts=state.counts.one_more(key))


def _suspect(state: State, record: Record) -> State:
    """What is in doubt enters no result: until derivation 5 it did, and nothing said so of what was made of it."""
    state = steps.said(state, record)
    if (record.derivation or 0) < 5:
        return state
    assert record.gauge is not None and record.first is not None and record.last is not None
    return changed(state, groups=without_doubtful(state, record.gauge, record.first, record.last))


def _lifted(state: State, record: Record) -> State:
    assert record.replaces is not None
    return changed(state, replaced=state.replaced.and_(record.replaces, state.sequence))


_STEPS: dict[Kind, Callable[[State, Record], State]] = {
    Kind.START: _start,
    Kind.SET_UP: _set_up,
    Kind.LINK: _link,
    Kind.TAGS: _tags,
    Kind.TEMPERATURE: _temperature,
    Kind.CONDITION: steps.said,
    Kind.REPORT: steps.said,
    Kind.MASTERING_BEGUN: steps.begun,
    Kind.CHECK_BEGUN: steps.begun,
    Kind.MASTER_READING: steps.master_reading,
    Kind.MASTERING: steps.mastering,
    Kind.CHECK: steps.check,
    Kind.ABANDONED: steps.abandoned,
    Kind.SCAN: steps.scanned,
    Kind.READING: _reading,
    Kind.RESULT: _result,
    Kind.FORM: _form,
    Kind.ATTEMPT: _attempt,
    Kind.VOID: _void,
    Kind.AMENDMENT: _amendment,
    Kind.REJUDGED: rejudged,
    Kind.SUSPECT: _suspect,
    Kind.LIFTED: _lifted,
    Kind.TRIGGER: _trigger,
    Kind.SALVAGE: lambda state, record: _forgotten(state),
}

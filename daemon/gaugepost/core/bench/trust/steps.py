"""The state that a mastering, a check or what is said of a gauge leads to. It decides nothing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal

from gaugepost.core.bench.budgeting.scatter import after_check, after_mastering
from gaugepost.core.bench.state import NOT_CHECKED, GaugeState, Mastered, Procedure, State
from gaugepost.core.bench.temperatures import recorded
from gaugepost.core.frozen import changed
from gaugepost.core.mastering import Line
from gaugepost.core.quantity import Unit, parse_number, step_of, to_mm
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Body

CHECK_DUE, CHECK_DUE_SOON = "check-due", "check-due-soon"
"""Codes of the conditions that say so."""


def with_gauge(state: State, gauge: str, known: GaugeState) -> State:
    """Return the state in which `gauge` stands as `known`."""
    return changed(state, gauges={**state.gauges, gauge: known})


def made_due(state: State, gauges: Mapping[str, str]) -> State:
    """Return the state in which these masterings wait for a check, by gauge with the reason."""
    due = {
        name: changed(known, due=(*known.due, reason))
        for name, reason in gauges.items()
        if (known := state.gauges[name]).mastered is not None and reason not in known.due
    }
    return changed(state, gauges={**state.gauges, **due}) if due else state


def said(state: State, record: Record) -> State:
    """A condition or a report: it may end the mastering, and what goes on where the contacts were changed in it."""
    if record.gauge is None or record.gauge not in state.gauges:
        return state
    if record.contact_set is not None:
        known = state.gauges[record.gauge]
        # Errors at checks scatter about a mean that goes with the contacts; what is known of repeatability stays.
        scatter = replace(known.scatter, checks=0, mean_error_mm=0.0)
        on = changed(known, contact_set=record.contact_set, procedure=None, scatter=scatter)
        state = with_gauge(state, record.gauge, on)
    if record.code in (CHECK_DUE, CHECK_DUE_SOON) and record.link is None:
        known = state.gauges[record.gauge]
        state = with_gauge(state, record.gauge, changed(known, told=(*known.told, record.code)))
    if record.ends_mastering:
        return made_due(state, {record.gauge: record.text or record.code or "reported"})
    return state


def begun(state: State, record: Record) -> State:
    """A mastering or check goes on."""
    assert record.gauge is not None and record.master is not None and record.count is not None
    procedure = Procedure(
        begun=state.sequence,
        masters=tuple(record.master.split("+")),
        wanted=record.count,
        is_check=record.kind is Kind.CHECK_BEGUN,
        movement={"larger": 1, "smaller": -1}.get(record.code or "", 0),
        operator=record.operator,
        to_scan=record.to_scan or (),
    )
    return with_gauge(state, record.gauge, changed(state.gauges[record.gauge], procedure=procedure))


def master_reading(state: State, record: Record) -> State:
    """One more reading of a master is taken."""
    assert record.gauge is not None and record.indication is not None and record.indication_unit is not None
    known = state.gauges[record.gauge]
    assert known.procedure is not None
    digits, unit = parse_number(record.indication), Unit(record.indication_unit)
    procedure = replace(
        known.procedure,
        taken_mm=(*known.procedure.taken_mm, to_mm(digits, unit)),
        units=known.procedure.units | {(unit, step_of(digits))},
        members=(*known.procedure.members, state.sequence),
    )
    known = changed(known, procedure=procedure, last_raw=record.raw or b"", last_clock_ms=record.clock_ms)
    return with_gauge(state, record.gauge, known)


def mastering(state: State, record: Record) -> State:
    """A mastering ended: in force but not yet checked, or refused."""
    assert record.gauge is not None and record.master is not None and record.master_indications_mm is not None
    known = state.gauges[record.gauge]
    if record.code != "accepted":
        refused = changed(known, procedure=None)
        return made_due(
            with_gauge(state, record.gauge, refused), {record.gauge: "the last mastering was refused"}
        )
    going = known.procedure
    assert going is not None
    masters = tuple(record.master.split("+"))
    sense = state.set_up.gauges[record.gauge].sense
    sizes = tuple(state.set_up.masters[name].size_mm for name in masters)
    (unit, resolution), *_ = going.units
    # Fewer than were to be taken where it was ended early; until derivation 5 those counted that were not read.
    taken = max(1, min(map(len, going.sets_mm))) if (record.derivation or 0) > 4 else going.wanted
    mastered = Mastered(
        sequence=state.sequence,
        masters=masters,
        cold=Line(record.master_indications_mm, sizes, sense),
        warm=Line(record.master_indications_mm, record.master_spans_mm, sense)
        if record.master_spans_mm
        else None,
        gauge_c=record.gauge_temperature_c,
        master=recorded(record, Body.MASTER),
        unit=unit,
        resolution=resolution,
        readings=taken,
        gauge_source=record.gauge_temperature_source,
    )
    scatter = after_mastering(known.scatter, going.sets_mm)
    known = changed(
        known,
        mastered=mastered,
        due=(NOT_CHECKED,),
        checked=None,
        procedure=None,
        told=(),
        scatter=scatter,
    )
    return with_gauge(state, record.gauge, known)


def check(state: State, record: Record) -> State:
    """A check ended: one that passed starts the mastering's time and count anew."""
    assert record.gauge is not None
    known = state.gauges[record.gauge]
    assert known.procedure is not None and known.mastered is not None
    if record.code != "passed":
        failed = changed(known, procedure=None)
        return made_due(with_gauge(state, record.gauge, failed), {record.gauge: "the last check failed"})
    (unit, resolution), *_ = known.procedure.units
    # The piece that waited for the check is the first one after it; until derivation 5 it counted for neither side.
    last_piece = None if (record.derivation or 0) > 4 else known.last_piece
    passed = changed(
        known,
        mastered=replace(known.mastered, unit=unit, resolution=resolution),
        due=(),
        checked=state.now,
        checked_sequence=state.sequence,
        checked_c=record.gauge_temperature_c,
        readings=0,
        pieces=0,
        last_piece=last_piece,
        told=(),
        first_reading=None,
        procedure=None,
        scatter=after_check(known.scatter, known.procedure.taken_mm, record.error_mm or Decimal(0)),
    )
    return with_gauge(state, record.gauge, passed)


def scanned(state: State, record: Record) -> State:
    """A master was scanned for what goes on: it is confirmed, or it was another one and is to be scanned again."""
    known = state.gauges.get(record.gauge or "")
    if known is None or known.procedure is None or record.master is None:
        return state
    assert record.gauge is not None
    rest = tuple(name for name in known.procedure.to_scan if name != record.master)
    to_scan = rest if record.code == "taken" else (*rest, record.master)
    return with_gauge(
        state, record.gauge, changed(known, procedure=replace(known.procedure, to_scan=to_scan))
    )


def abandoned(state: State, record: Record) -> State:
    """A mastering or check was given up."""
    assert record.gauge is not None
    state = with_gauge(state, record.gauge, changed(state.gauges[record.gauge], procedure=None))
    return said(state, record)

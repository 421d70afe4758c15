"""Mastering and check: begun by a person, fed by the gauge, ended by the bench when enough was read."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

from gaugepost.core.bench.apply import apply
from gaugepost.core.bench.events import Abandon, BeginCheck, BeginMastering, Decision, Reply
from gaugepost.core.bench.standing import master_overdue, out_of_range, unit_of
from gaugepost.core.bench.state import Mastered, Procedure, Sourced, State
from gaugepost.core.bench.temperatures import expansion_of, temperature_of
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.mastering import (
    Temperatures,
    correct,
    mean,
    needs_proof_of_sense,
    predicted_mm,
    spread,
)
from gaugepost.core.quantity import exact_text, to_mm
from gaugepost.core.record import DERIVATION, Kind, Record
from gaugepost.core.setup import Body, GaugeEntry, MasterEntry
from gaugepost.core.thermal import span_on_master

MAX_READINGS = 50
PROVING_STEPS = 5
"""A known movement counts from this many steps of the display: less could be the display's last digit flickering."""


def begin_mastering(state: State, event: BeginMastering, now: Moment) -> Decision:
    """Start a mastering, or refuse it with what to do instead."""
    entry = _free_gauge(state, event.gauge, now)
    if len(event.masters) not in (1, 2) or len(set(event.masters)) != len(event.masters):
        raise CommandRefused(
            "a mastering takes one master or two different ones", hint="name the master in hand"
        )
    _confirmed(state, event.masters, event.serials, now)
    if event.movement not in (None, "larger", "smaller"):
        raise CommandRefused(f"{event.movement!r} is no movement", hint="say larger or smaller")
    if len(event.masters) == 1 and event.movement is None and needs_proof_of_sense(entry):
        raise CommandRefused(
            f"one master does not show which way {entry.name} counts",
            hint="master it on two masters, or say which way you will move it after the readings: larger or smaller",
        )
    movement = event.movement if len(event.masters) == 1 else None
    wanted = _wanted(event.readings, entry.mastering_readings)
    record = _begun(
        state, Kind.MASTERING_BEGUN, event.gauge, event.masters, wanted, event.operator, now, code=movement
    )
    text = f"read {' then '.join(event.masters)} {wanted} times each with {event.gauge}"
    if movement:
        text += f", then move it so that the size is {movement} and read once more"
    return Decision((record,), Reply(accepted=True, text=text))


def begin_check(state: State, event: BeginCheck, now: Moment) -> Decision:
    """Start a check, or refuse it with what to do instead."""
    entry = _free_gauge(state, event.gauge, now)
    if state.gauges[event.gauge].mastered is None:
        raise CommandRefused(f"{event.gauge} was never mastered", hint=f"master it first, on {event.master}")
    _confirmed(state, (event.master,), (event.serial,) if event.serial else (), now)
    wanted = _wanted(event.readings, entry.check_readings)
    record = _begun(state, Kind.CHECK_BEGUN, event.gauge, (event.master,), wanted, event.operator, now)
    times = "once" if wanted == 1 else f"{wanted} times"
    return Decision(
        (record,), Reply(accepted=True, text=f"measure {event.master} {times} with {event.gauge}")
    )


def abandon(state: State, event: Abandon, now: Moment) -> Decision:
    """Give up what is going on. A mastering given up leaves the gauge in doubt: its preset may have been touched."""
    known = state.gauges.get(event.gauge)
    if known is None or known.procedure is None:
        raise CommandRefused(
            f"no mastering or check of {event.gauge} is going on", hint="there is nothing to abandon"
        )
    what = "check" if known.procedure.is_check else "mastering"
    record = Record(
        kind=Kind.ABANDONED,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=event.gauge,
        operator=event.operator or state.operator,
        members=known.procedure.members,
        code=what,
        text=f"a {what} was begun and abandoned" + (f": {event.reason}" if event.reason else ""),
        ends_mastering=None if known.procedure.is_check else True,
        set_up=state.set_up_sequence,
    )
    return Decision((record,), Reply(accepted=True, text=f"the {what} of {event.gauge} is abandoned"))


def take(state: State, gauge: str, link: str, indication: Indication, now: Moment) -> tuple[Record, ...]:
    """Return the record of one reading of a master, and those that end the procedure where it was the last."""
    procedure = state.gauges[gauge].procedure
    assert procedure is not None
    unit, wrong = unit_of(state, gauge, indication)
    wrong += () if unit is None else out_of_range(state, gauge, to_mm(indication.value, unit), None)
    reading = Record(
        kind=Kind.MASTER_READING,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        link=link,
        operator=procedure.operator or state.operator,
        indication=exact_text(indication.value),
        indication_unit=unit,
        master=procedure.master_now,
        count=len(procedure.taken_mm) + 1,
        raw=indication.raw,
        set_up=state.set_up_sequence,
    )
    if wrong:
        return (
            replace(
                reading,
                kind=Kind.READING,
                verdict="not-judged",
                count=None,
                reasons=wrong,
                derivation=DERIVATION,
            ),
        )
    after = apply(state, reading)
    going = after.gauges[gauge].procedure
    assert going is not None
    if len(going.taken_mm) < going.total:
        return (reading,)
    return (
        reading,
        *(_checked(after, gauge, going, now) if going.is_check else _mastered(after, gauge, going, now)),
    )


def _free_gauge(state: State, gauge: str, now: Moment) -> GaugeEntry:
    entry = state.set_up.gauges.get(gauge)
    if entry is None:
        known = ", ".join(sorted(state.set_up.gauges)) or "none"
        raise CommandRefused(f"no gauge is named {gauge!r}", hint=f"the gauges here: {known}")
    if (going := state.gauges[gauge].procedure) is not None:
        what = "check" if going.is_check else "mastering"
        raise CommandRefused(
            f"a {what} of {gauge} on {'+'.join(going.masters)} is going on", hint="finish or abandon it"
        )
    if entry.link not in state.links:
        raise CommandRefused(f"{gauge} is not connected", hint=f"connect the link {entry.link} first")
    if entry.due_utc_ms is not None and now.utc_ms > entry.due_utc_ms:
        raise CommandRefused(
            f"the calibration of {gauge} is overdue", hint="have it calibrated, then correct its due date"
        )
    return entry


def _confirmed(state: State, masters: tuple[str, ...], serials: tuple[str, ...], now: Moment) -> None:
    for at, name in enumerate(masters):
        entry = state.set_up.masters.get(name)
        if entry is None:
            known = ", ".join(sorted(state.set_up.masters)) or "none"
            raise CommandRefused(f"no master is named {name!r}", hint=f"the masters here: {known}")
        if master_overdue(state, name, now):
            raise CommandRefused(
                f"the calibration of {name} is overdue", hint="take another master, or have it calibrated"
            )
        said = serials[at] if at < len(serials) else None
        if entry.serial is not None and said != entry.serial:
            heard = (
                f"the serial number of {name} is not {said}"
                if said
                else f"nobody has read the serial number of {name}"
            )
            raise CommandRefused(
                heard, hint="take the right master in hand and give the number engraved on it"
            )


def _wanted(asked: int | None, usual: int) -> int:
    wanted = usual if asked is None else asked
    if not 1 <= wanted <= MAX_READINGS:
        raise CommandRefused(f"{wanted} readings can't be taken", hint=f"ask for 1 to {MAX_READINGS}")
    return wanted


def _begun(
    state: State,
    kind: Kind,
    gauge: str,
    masters: tuple[str, ...],
    wanted: int,
    operator: str | None,
    now: Moment,
    code: str | None = None,
) -> Record:
    return Record(
        kind=kind,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        master="+".join(masters),
        count=wanted,
        code=code,
        operator=operator or state.operator,
        set_up=state.set_up_sequence,
    )


def _bodies(state: State, gauge: str, now: Moment) -> tuple[Sourced | None, Sourced | None, dict[str, Any]]:
    gauge_at = temperature_of(state, Body.GAUGE, gauge, now)
    master_at = temperature_of(state, Body.MASTER, gauge, now)
    fields: dict[str, Any] = {}
    for body, sourced in (("gauge", gauge_at), ("master", master_at)):
        if sourced is not None:
            fields[f"{body}_temperature_c"], fields[f"{body}_temperature_source"] = (
                sourced.celsius,
                sourced.source,
            )
    return gauge_at, master_at, fields


def _mastered(state: State, gauge: str, going: Procedure, now: Moment) -> tuple[Record, ...]:
    entry = state.set_up.gauges[gauge]
    masters = [state.set_up.masters[name] for name in going.masters]
    sets = [going.taken_mm[at * going.wanted : (at + 1) * going.wanted] for at in range(len(masters))]
    means = tuple(mean(taken) for taken in sets)
    gauge_at, master_at, fields = _bodies(state, gauge, now)
    reasons = _implausible(entry, masters, means, going)
    record = Record(
        kind=Kind.MASTERING,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        operator=going.operator or state.operator,
        master="+".join(going.masters),
        code="refused" if reasons else "accepted",
        reasons=reasons or None,
        members=going.members,
        spread_mm=max(spread(taken) for taken in sets),
        master_indications_mm=means,
        master_spans_mm=_spans(entry, masters, gauge_at, master_at),
        set_up=state.set_up_sequence,
        derivation=DERIVATION,
        ends_mastering=True if reasons else None,
        **fields,
    )
    return (record,)


def _implausible(
    entry: GaugeEntry, masters: list[MasterEntry], means: tuple[Decimal, ...], going: Procedure
) -> tuple[str, ...]:
    reasons = []
    if len(going.units) > 1:
        reasons.append("the unit or the resolution changed while the master was read")
    step_mm = max(to_mm(step, unit) for unit, step in going.units)
    if entry.resolution_mm is not None and step_mm > entry.resolution_mm:
        reasons.append(f"shown in steps of {step_mm} mm, but the station file says {entry.resolution_mm} mm")
    for master, shown in zip(masters, means, strict=True):
        predicted = predicted_mm(entry, master, masters[0])
        if abs(shown - predicted) > entry.preset_limit_mm:
            reasons.append(
                f"showed {exact_text(shown)} mm on {master.name}, where {exact_text(predicted)} mm was to be expected "
                f"within {entry.preset_limit_mm} mm: another master, or not preset"
            )
    if len(masters) == 2:
        moved = entry.sense * (means[1] - means[0])
        if moved == 0 or (moved > 0) != (masters[1].size_mm > masters[0].size_mm):
            reasons.append(
                "the indication did not follow from one master to the other: exchanged, or the sense is wrong"
            )
    if going.movement:
        moved = entry.sense * (going.taken_mm[-1] - means[-1]) * going.movement
        if moved <= 0:
            reasons.append("the known movement moved the indication the other way: the sense is wrong")
        elif moved < PROVING_STEPS * step_mm:
            reasons.append(
                f"the known movement was less than {PROVING_STEPS} steps of the display: it proves nothing"
            )
    return tuple(reasons)


def _spans(
    entry: GaugeEntry, masters: list[MasterEntry], gauge_at: Sourced | None, master_at: Sourced | None
) -> tuple[Decimal, ...] | None:
    expansion = expansion_of(entry)
    if expansion is None or gauge_at is None or master_at is None:
        return None
    spans = []
    for master in masters:
        if master.coefficient is None:
            return None
        span = span_on_master(
            master.size_mm,
            master_coefficient=master.coefficient,
            master_c=master_at.celsius,
            gauge=expansion,
            gauge_c=gauge_at.celsius,
        )
        spans.append(span)
    return tuple(spans)


def _checked(state: State, gauge: str, going: Procedure, now: Moment) -> tuple[Record, ...]:
    entry, known = state.set_up.gauges[gauge], state.gauges[gauge]
    master, mastered = state.set_up.masters[going.masters[0]], known.mastered
    assert mastered is not None
    gauge_at, master_at, fields = _bodies(state, gauge, now)
    corrected = correct(
        mean(going.taken_mm),
        mastered.cold,
        mastered.warm,
        _as_part(entry, mastered, master, gauge_at, master_at),
    )
    error = corrected.value_mm - master.size_mm
    reasons = []
    if len(going.units) > 1:
        reasons.append("the unit or the resolution changed during the check")
    if abs(error) > entry.check_limit_mm:
        reasons.append(f"off by {exact_text(error)} mm, more than {entry.check_limit_mm} mm")
    check = Record(
        kind=Kind.CHECK,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=gauge,
        operator=going.operator or state.operator,
        master=master.name,
        mastering=mastered.sequence,
        code="failed" if reasons else "passed",
        reasons=tuple(reasons) or None,
        members=going.members,
        value_mm=corrected.value_mm,
        master_correction_mm=corrected.master_mm,
        thermal_correction_mm=corrected.thermal_mm,
        spread_mm=spread(going.taken_mm),
        error_mm=error,
        limit_mm=entry.check_limit_mm,
        set_up=state.set_up_sequence,
        derivation=DERIVATION,
        **fields,
    )
    if not reasons or known.first_reading is None:
        return (check,)
    return (check, _suspect(state, gauge, known.first_reading, check))


def _as_part(
    entry: GaugeEntry,
    mastered: Mastered,
    master: MasterEntry,
    gauge_at: Sourced | None,
    master_at: Sourced | None,
) -> Temperatures | None:
    expansion = expansion_of(entry)
    if expansion is None or gauge_at is None or master_at is None or mastered.gauge_c is None:
        return None
    if master.coefficient is None:
        return None
    return Temperatures(expansion, gauge_at.celsius, mastered.gauge_c, master.coefficient, master_at.celsius)


def _suspect(state: State, gauge: str, first: int, check: Record) -> Record:
    """Name everything that the gauge measured since its last good check, after a check that failed."""
    return Record(
        kind=Kind.SUSPECT,
        measured_at=check.measured_at,
        clock_ms=check.clock_ms,
        gauge=gauge,
        operator=check.operator,
        first=first,
        last=state.sequence,
        count=state.gauges[gauge].readings,
        text="what was measured since the last good check is in doubt: measure again what matters",
        set_up=state.set_up_sequence,
    )

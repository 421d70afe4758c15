"""Mastering and check: begun by a person, fed by the gauge, ended by the bench when enough was read."""

from __future__ import annotations

from dataclasses import replace

from gaugepost.core.bench.apply import apply
from gaugepost.core.bench.events import Abandon, BeginCheck, BeginMastering, Decision, Finish, Reply
from gaugepost.core.bench.outcomes import ended
from gaugepost.core.bench.plain import unknown
from gaugepost.core.bench.standing import master_overdue, out_of_range, unit_of
from gaugepost.core.bench.state import NOT_CHECKED, GaugeState, State
from gaugepost.core.bench.trust.confirming import can_be_scanned
from gaugepost.core.bench.trust.contacts import known_to_be_on
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Indication, Moment
from gaugepost.core.mastering import needs_proof_of_sense
from gaugepost.core.quantity import exact_text, to_mm
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import Confirm, GaugeEntry

MAX_READINGS = 50


def begin_mastering(state: State, event: BeginMastering, now: Moment) -> Decision:
    """Start a mastering, or refuse it with what to do instead."""
    entry = _free_gauge(state, event.gauge, now)
    if len(event.masters) not in (1, 2) or len(set(event.masters)) != len(event.masters):
        raise CommandRefused(
            "a mastering takes one master or two different ones", hint="name the master in hand"
        )
    to_scan = _confirmed(state, entry, event.masters, event.serials, now)
    _without_serial(state, entry, event.masters)
    if len({state.set_up.masters[name].size_mm for name in event.masters}) < len(event.masters):
        raise CommandRefused(
            f"{' and '.join(event.masters)} have the same size: between them there is no scale to be found",
            hint="name one of them, or two of different sizes",
        )
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
        state,
        Kind.MASTERING_BEGUN,
        event.gauge,
        event.masters,
        wanted,
        event.operator,
        to_scan,
        now,
        movement,
    )
    text = f"read {' then '.join(event.masters)} {wanted} times each with {event.gauge}"
    if movement:
        text += f", then move it so that the size is {movement} and read once more"
    return Decision((record,), Reply(accepted=True, text=_after_scans(to_scan, text)))


def begin_check(state: State, event: BeginCheck, now: Moment) -> Decision:
    """Start a check, or refuse it with what to do instead."""
    entry = _free_gauge(state, event.gauge, now)
    if state.gauges[event.gauge].mastered is None:
        raise CommandRefused(f"{event.gauge} was never mastered", hint=f"master it first, on {event.master}")
    to_scan = _confirmed(state, entry, (event.master,), (event.serial,) if event.serial else (), now)
    _second(state.gauges[event.gauge], entry, event.master)
    wanted = _wanted(event.readings, entry.check_readings)
    record = _begun(
        state, Kind.CHECK_BEGUN, event.gauge, (event.master,), wanted, event.operator, to_scan, now
    )
    times = "once" if wanted == 1 else f"{wanted} times"
    text = _after_scans(to_scan, f"measure {event.master} {times} with {event.gauge}")
    return Decision((record,), Reply(accepted=True, text=text))


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


def finish(state: State, event: Finish, now: Moment) -> Decision:
    """End with the readings taken so far, where there is at least one of each master."""
    known = state.gauges.get(event.gauge)
    if known is None or known.procedure is None:
        raise CommandRefused(
            f"no mastering or check of {event.gauge} is going on", hint="there is nothing to finish"
        )
    going = known.procedure
    if going.movement:
        raise CommandRefused(
            "the known movement is still to be read", hint="read it, or abandon the mastering"
        )
    if len(going.taken_mm) <= going.wanted * (len(going.masters) - 1):
        first, last = going.masters[0], going.masters[-1]
        before = "" if first == last else f" after all {going.wanted} readings of {first}"
        raise CommandRefused(f"{last} was not read yet", hint=f"read it at least once{before}")
    records = ended(state, event.gauge, going, now)
    return Decision(records, Reply(accepted=True, text=f"{records[0].kind} {records[0].code}"))


def take(state: State, gauge: str, link: str, indication: Indication, now: Moment) -> tuple[Record, ...]:
    """Return the record of one reading of a master, and those that end the procedure where it was the last."""
    procedure = state.gauges[gauge].procedure
    assert procedure is not None
    unit, wrong = unit_of(state, gauge, indication)
    wrong += () if unit is None else out_of_range(state, gauge, to_mm(indication.value, unit), None)
    if procedure.master_now in procedure.to_scan:
        wrong += (f"{procedure.master_now} was not scanned: scan it, then read it",)
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
                derivation=state.derivation,
            ),
        )
    after = apply(state, reading)
    going = after.gauges[gauge].procedure
    assert going is not None
    if len(going.taken_mm) < going.total:
        return (reading,)
    return (reading, *ended(after, gauge, going, now))


def _free_gauge(state: State, gauge: str, now: Moment) -> GaugeEntry:
    entry = state.set_up.gauges.get(gauge)
    if entry is None:
        raise unknown("gauge", gauge, state.set_up.gauges)
    if (going := state.gauges[gauge].procedure) is not None:
        what = "check" if going.is_check else "mastering"
        raise CommandRefused(
            f"a {what} of {gauge} on {'+'.join(going.masters)} is going on", hint="finish or abandon it"
        )
    if entry.link not in state.links:
        raise CommandRefused(
            f"{gauge} is not connected",
            hint=f"connect the link {entry.link} first, or end the lesson that has it",
        )
    known_to_be_on(entry, state.gauges[gauge].contact_set)
    if entry.due_utc_ms is not None and now.utc_ms > entry.due_utc_ms:
        raise CommandRefused(
            f"the calibration of {gauge} is overdue", hint="have it calibrated, then correct its due date"
        )
    return entry


def _confirmed(
    state: State, gauge: GaugeEntry, masters: tuple[str, ...], serials: tuple[str, ...], now: Moment
) -> tuple[str, ...]:
    """Return which of the masters are still to be scanned; refuse those that are wrong, overdue or unconfirmed."""
    to_scan = []
    for at, name in enumerate(masters):
        entry = state.set_up.masters.get(name)
        if entry is None:
            raise unknown("master", name, state.set_up.masters)
        if master_overdue(state, name, now):
            raise CommandRefused(
                f"the calibration of {name} is overdue", hint="take another master, or have it calibrated"
            )
        said = serials[at] if at < len(serials) else None
        by_scan = gauge.confirm is Confirm.SCAN
        if by_scan and not can_be_scanned(state, entry):
            raise CommandRefused(
                f"no scanner's codes can name {name}",
                hint='write "{serial_number}" or "{master}" into the codes of a scanner',
            )
        if by_scan or (said is None and entry.serial is not None and can_be_scanned(state, entry)):
            to_scan.append(name)
        if entry.serial is not None and said != entry.serial and (said is not None or name not in to_scan):
            heard = (
                f"the serial number of {name} is not {said}"
                if said
                else f"nobody has read the serial number of {name}"
            )
            raise CommandRefused(
                heard, hint="take the right master in hand and give the number engraved on it"
            )

    return tuple(to_scan)


def _after_scans(to_scan: tuple[str, ...], text: str) -> str:
    return f"scan {' and '.join(to_scan)} each before reading it; {text}" if to_scan else text


def _without_serial(state: State, entry: GaugeEntry, masters: tuple[str, ...]) -> None:
    """Refuse a master that can't be confirmed where the gauge asks for its serial number."""
    for name in masters:
        if entry.confirm is Confirm.SERIAL_NUMBER and state.set_up.masters[name].serial is None:
            raise CommandRefused(
                f"{name} has no serial number that could confirm it",
                hint=f'write serial_number into [masters.{name}], or confirm_master = "second-master" for {entry.name}',
            )


def _second(known: GaugeState, entry: GaugeEntry, master: str) -> None:
    """Refuse a first check on the one master that was mastered on, where a second one is to confirm it.

    A preset gauge shows whatever was typed: on the master it was preset on, it agrees with itself.
    """
    mastered = known.mastered
    if entry.confirm is not Confirm.SECOND_MASTER or NOT_CHECKED not in known.due or mastered is None:
        return
    if mastered.masters == (master,):
        raise CommandRefused(
            f"{entry.name} was mastered on {master}: it can't confirm itself",
            hint="check it on a second master, or master it on two",
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
    to_scan: tuple[str, ...],
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
        to_scan=to_scan or None,
        set_up=state.set_up_sequence,
    )

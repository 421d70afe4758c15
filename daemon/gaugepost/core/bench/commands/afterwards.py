"""What people say of measurements afterwards: void, amend, measure again. Nothing recorded is changed by it."""

from __future__ import annotations

from dataclasses import replace

from gaugepost.core.bench.combining import attempt_of
from gaugepost.core.bench.events import ATTEMPTS, Amend, Another, Decision, Reply, Void
from gaugepost.core.bench.measuring import characteristic_of
from gaugepost.core.bench.plain import unknown
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record

VOIDABLE = (Kind.READING, Kind.RESULT, Kind.FORM, Kind.AMENDMENT, Kind.REJUDGED)
AMENDABLE = (Kind.READING, Kind.AMENDMENT, Kind.REJUDGED)
MOVABLE = ("lot", "piece", "position")
"""Tags that an amendment may put right; the value and what it was held against never."""

MAX_REASON = 500


def void(state: State, event: Void, now: Moment) -> Decision:
    """Say that a measurement does not count, and with it every result and form that was made of it."""
    operator = who(state, event.operator)
    reason = why(event.reason, "void")
    _standing(state, event.sequence, event.target, VOIDABLE, "voided")
    records = [
        _voiding(state, sequence, event.target, now, operator, reason)
        for sequence in (event.sequence, *_left(state, event.results))
    ]
    text = f"record {event.sequence} is void"
    if len(records) > 1:
        text += f", and with it {', '.join(str(record.replaces) for record in records[1:])}, made of it"
    return Decision(tuple(records), Reply(accepted=True, text=text))


def amend(state: State, event: Amend, now: Moment) -> Decision:
    """Put right which lot, piece or place a reading belongs to. The value stays; so does the record amended.

    A form that the reading was a part of is void with it.
    """
    operator = who(state, event.operator)
    reason = why(event.reason, "amend")
    _standing(state, event.sequence, event.target, AMENDABLE, "amended")
    if event.target.kind is Kind.REJUDGED and event.target.code != Kind.READING:
        raise CommandRefused(
            f"record {event.sequence} is a {event.target.code}, which can't be amended",
            hint="void it, then measure again",
        )
    changes = {
        key: value for key, value in event.changes.items() if value != getattr(event.target, key, None)
    }
    if not changes or not set(changes) <= set(MOVABLE):
        raise CommandRefused("there is nothing to amend", hint=f"give another {', '.join(MOVABLE)}")
    if event.results:
        raise CommandRefused(
            f"record {event.sequence} is a member of result {event.results[0]}",
            hint="void it, then measure again",
        )
    moved = replace(
        event.target,
        kind=Kind.AMENDMENT,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        operator=operator,
        text=reason,
        replaces=event.sequence,
        code=None,
        ends_mastering=None,
        lot=changes.get("lot", event.target.lot),
        piece=changes.get("piece", event.target.piece),
        position=changes.get("position", event.target.position),
    )
    entry = state.set_up.characteristics.get(moved.characteristic or "")
    if entry is not None and entry.positions and moved.position not in entry.positions:
        raise CommandRefused(
            f"{moved.position} is not a place of {entry.name}", hint=f"write {', '.join(entry.positions)}"
        )
    if entry is not None:
        there = replace(state, lot=moved.lot, piece=moved.piece)
        moved = replace(moved, attempt=attempt_of(there, entry, moved.position))
    said = ", ".join(f"{key} {value}" if value else f"no {key}" for key, value in changes.items())
    text = f"record {event.sequence} now belongs to {said}"
    because = f"record {event.sequence} was amended: {reason}"
    void_forms = [
        _voiding(state, form, event.target, now, operator, because) for form in _left(state, event.forms)
    ]
    return Decision((moved, *void_forms), Reply(accepted=True, text=text))


def another(state: State, event: Another, now: Moment) -> Decision:
    """Begin another attempt at what the gauge measures, with its reason; earlier ones are kept."""
    operator = who(state, event.operator)
    if event.gauge not in state.set_up.gauges:
        raise unknown("gauge", event.gauge, state.set_up.gauges)
    meaning = ATTEMPTS.get(event.why)
    if meaning is None:
        raise CommandRefused(
            f"{event.why!r} is no reason to measure again", hint=f"say {', '.join(ATTEMPTS)}"
        )
    entry = characteristic_of(state, event.gauge)
    if entry is None or state.piece is None:
        what = "characteristic is selected" if entry is None else "piece is named"
        raise CommandRefused(f"no {what}", hint="say first what is measured and on which piece")
    record = Record(
        kind=Kind.ATTEMPT,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=event.gauge,
        characteristic=entry.name,
        lot=state.lot,
        piece=state.piece,
        position=state.position,
        operator=operator,
        code=event.why,
        text=f"{meaning}: {event.note}" if event.note else meaning,
        set_up=state.set_up_sequence,
    )
    return Decision(
        (record,), Reply(accepted=True, text=f"measure {entry.name} of piece {state.piece} again")
    )


def _left(state: State, sequences: tuple[int, ...]) -> list[int]:
    return [sequence for sequence in sequences if sequence not in state.replaced]


def _voiding(state: State, sequence: int, target: Record, now: Moment, operator: str, reason: str) -> Record:
    about = _about(target, now, Kind.VOID, operator, reason)
    return replace(about, replaces=sequence, set_up=state.set_up_sequence)


def who(state: State, operator: str | None) -> str:
    """Return who does it: as said, else the operator in hand. Raises `CommandRefused` where there is neither."""
    said = operator or state.operator
    if said is None:
        raise CommandRefused("nobody said who does this", hint="give the operator")
    return said


def why(reason: str, what: str) -> str:
    """Return the reason. Raises `CommandRefused` where it says nothing."""
    if not reason.strip() or len(reason) > MAX_REASON or not reason.isprintable():
        raise CommandRefused(
            f"to {what} a record takes a reason", hint=f"write it, in up to {MAX_REASON} characters"
        )
    return reason


def _standing(state: State, sequence: int, target: Record, kinds: tuple[Kind, ...], done: str) -> None:
    if target.kind not in kinds:
        raise CommandRefused(
            f"record {sequence} is a {target.kind}, which can't be {done}",
            hint=f"name a {' or '.join(kinds)}",
        )
    if (by := state.replaced.get(sequence)) is not None:
        raise CommandRefused(
            f"record {sequence} was replaced by {by} before", hint=f"name record {by}, if it stands"
        )


def _about(target: Record, now: Moment, kind: Kind, operator: str, reason: str) -> Record:
    return Record(
        kind=kind,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        gauge=target.gauge,
        characteristic=target.characteristic,
        position=target.position,
        lot=target.lot,
        piece=target.piece,
        attempt=target.attempt,
        operator=operator,
        text=reason,
    )

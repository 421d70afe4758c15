"""What the last of several readings completes: the result that is judged, and the form that their places show."""

from __future__ import annotations

from gaugepost.core.bench.budgeting import doubt_of, fields_of
from gaugepost.core.bench.budgeting.several import last_readings_budget
from gaugepost.core.bench.combining.forms import form_record
from gaugepost.core.bench.combining.groups import joined, member_of, members_of, missing
from gaugepost.core.bench.combining.sizes import combined
from gaugepost.core.bench.judging import judged
from gaugepost.core.bench.state import Member, State
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import CharacteristicEntry, Combine


def completed(state: State, entry: CharacteristicEntry, reading: Record) -> tuple[Record, ...]:
    """Return the records that a reading completes, nothing while others are missing; `state` is the one before it."""
    member = member_of(state, reading, state.sequence + 1)
    group = joined(state.groups.get(entry.name), entry, reading, member)
    if missing(group, entry):
        return ()
    members = members_of(group, entry)
    made = () if entry.combine is Combine.EACH else (_result(state, entry, reading, members, member),)
    form = form_record(state, entry, reading, group)
    return made if form is None or state.derivation < 3 else (*made, form)


def _result(
    state: State, entry: CharacteristicEntry, reading: Record, members: tuple[Member, ...], last: Member
) -> Record:
    value = combined(tuple(member.value_mm for member in members), entry.combine)
    doubt, fields = None, {}
    if state.derivation > 1:
        made = last_readings_budget(state.set_up, entry, last, len(members))
        doubt, fields = doubt_of(made), fields_of(made)
    return Record(
        kind=Kind.RESULT,
        measured_at=reading.measured_at,
        clock_ms=reading.clock_ms,
        gauge=reading.gauge,
        characteristic=entry.name,
        lot=reading.lot,
        piece=reading.piece,
        attempt=reading.attempt,
        operator=reading.operator,
        master=reading.master,
        mastering=reading.mastering,
        members=tuple(member.sequence for member in members),
        set_up=reading.set_up,
        derivation=state.derivation,
        text=f"{entry.combine} of {len(members)}",
        **fields,
        **judged(entry, value, (), is_member=False, doubt=doubt),
    )

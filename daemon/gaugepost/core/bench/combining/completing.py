"""What the last of several readings completes: the result that is judged, and the form that their places show."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.budgeting import Unstated, doubt_of, fields_of, result_budget
from gaugepost.core.bench.budgeting.several import last_readings_budget
from gaugepost.core.bench.combining.forms import form_record
from gaugepost.core.bench.combining.groups import joined, member_of, members_of, missing, told_of
from gaugepost.core.bench.combining.sizes import averages_places, combined, judged_of
from gaugepost.core.bench.judging import judged
from gaugepost.core.bench.state import Group, Member, State
from gaugepost.core.mastering import mean
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import CharacteristicEntry, Combine
from gaugepost.core.uncertainty import Budget


def completed(state: State, entry: CharacteristicEntry, reading: Record) -> tuple[Record, ...]:
    """Return the records that a reading completes, nothing while others are missing; `state` is the one before it."""
    member, group = _with(state, entry, reading)
    if missing(group, entry):
        return ()
    made = () if entry.combine is Combine.EACH else (_result(state, entry, reading, group, member),)
    form = form_record(state, entry, reading, group) if state.derivation > 2 else None
    return made if form is None else (*made, form)


def _with(state: State, entry: CharacteristicEntry, reading: Record) -> tuple[Member, Group]:
    member = member_of(state, reading, state.sequence + 1)
    return member, joined(state.groups.get(entry.name), entry, reading, member)


def budget_made(state: State, entry: CharacteristicEntry, reading: Record) -> Budget | Unstated | None:
    """Return the budget of the result that a reading completes, as `completed` has it; derivation 1 asked for none."""
    member, group = _with(state, entry, reading)
    members = members_of(group, entry)
    return _budget(state, entry, members, _sizes(entry, group, members, state.derivation), member)


def _result(state: State, entry: CharacteristicEntry, reading: Record, group: Group, last: Member) -> Record:
    members = members_of(group, entry)
    sizes = _sizes(entry, group, members, state.derivation)
    made = _budget(state, entry, members, sizes, last)
    return Record(
        kind=Kind.RESULT,
        **told_of(entry, reading),
        master=reading.master,
        mastering=reading.mastering,
        members=tuple(member.sequence for member in members),
        derivation=state.derivation,
        text=judged_of(entry) if state.derivation > 2 else f"{entry.combine} of {len(members)}",
        **({} if made is None else fields_of(made)),
        **judged(
            entry,
            combined(sizes, entry.combine),
            (),
            is_member=False,
            doubt=None if made is None else doubt_of(made),
            derivation=state.derivation,
        ),
    )


def _budget(
    state: State,
    entry: CharacteristicEntry,
    members: tuple[Member, ...],
    sizes: tuple[Decimal, ...],
    last: Member,
) -> Budget | Unstated | None:
    if state.derivation < 2:
        return None
    if state.derivation == 2:
        return last_readings_budget(state.set_up, entry, last, len(members))
    return result_budget(state.set_up, entry, members, sizes, state.derivation)


def _sizes(
    entry: CharacteristicEntry, group: Group, members: tuple[Member, ...], derivation: int
) -> tuple[Decimal, ...]:
    """Return the sizes that are ranked or averaged: one a place where repeats at places are averaged first."""
    if derivation > 2 and averages_places(entry):
        return tuple(mean(tuple(each.value_mm for each in group.places[place])) for place in entry.positions)
    return tuple(member.value_mm for member in members)

"""Which readings belong together, where the next one belongs, and when all are there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gaugepost.core.bench.budgeting import step_mm_of
from gaugepost.core.bench.state import Group, Member, State
from gaugepost.core.bench.temperatures import recorded
from gaugepost.core.conformity import Verdict
from gaugepost.core.quantity import Unit, parse_number
from gaugepost.core.record import Record
from gaugepost.core.setup import Body, CharacteristicEntry, Combine


def gathers(entry: CharacteristicEntry, reading: Record) -> bool:
    """Whether a reading waits for others: to be combined with them, or for the form that their places show."""
    if reading.value_mm is None:
        return False
    if entry.combine is not Combine.EACH:
        return reading.verdict is None
    return bool(entry.places) and reading.verdict != Verdict.NOT_JUDGED


def member_of(state: State, reading: Record, sequence: int) -> Member:
    """Return a reading as one of several, with what its uncertainty rests on; `state` is the one it was made at."""
    assert reading.value_mm is not None and reading.gauge is not None
    known = state.gauges[reading.gauge]
    step_mm = None
    if reading.indication is not None and reading.indication_unit is not None:
        unit, entry = Unit(reading.indication_unit), state.set_up.gauges[reading.gauge]
        step_mm = step_mm_of(parse_number(reading.indication), unit, entry)
    return Member(
        sequence=sequence,
        value_mm=reading.value_mm,
        gauge=reading.gauge,
        utc_ms=reading.measured_at,
        mastered=known.mastered,
        scatter=known.scatter,
        part=recorded(reading, Body.PART),
        gauge_at=recorded(reading, Body.GAUGE),
        step_mm=step_mm,
        is_corrected=reading.thermal_correction_mm is not None,
    )


def joined(group: Group | None, entry: CharacteristicEntry, reading: Record, member: Member) -> Group:
    """Return the group with this reading in it.

    Another piece or lot starts a new group, and so does a reading after the last that was missing. A place that is
    complete and is measured again starts over: the earlier readings stay in the journal as an earlier attempt.
    """
    if group is None or (group.lot, group.piece) != (reading.lot, reading.piece) or not missing(group, entry):
        group = Group(reading.lot, reading.piece, {})
    place = reading.position or ""
    taken = group.places.get(place, ())
    if len(taken) >= entry.readings:
        taken = ()
    return Group(group.lot, group.piece, {**group.places, place: (*taken, member)})


def missing(group: Group, entry: CharacteristicEntry) -> int:
    """Return how many readings the group still lacks."""
    return sum(entry.readings - len(group.places.get(place, ())) for place in entry.positions or ("",))


def members_of(group: Group, entry: CharacteristicEntry) -> tuple[Member, ...]:
    """Return a complete group's readings, place by place."""
    return tuple(member for place in entry.positions or ("",) for member in group.places[place])


def told_of(entry: CharacteristicEntry, reading: Record) -> dict[str, Any]:
    """Return the fields that what several readings make takes over from the one that completed it."""
    return {
        "measured_at": reading.measured_at,
        "clock_ms": reading.clock_ms,
        "gauge": reading.gauge,
        "characteristic": entry.name,
        "lot": reading.lot,
        "piece": reading.piece,
        "attempt": reading.attempt,
        "operator": reading.operator,
        "set_up": reading.set_up,
    }


def without(groups: Mapping[str, Group], sequence: int) -> dict[str, Group]:
    """Return the groups without the reading with this sequence."""
    return {
        name: Group(
            group.lot,
            group.piece,
            {
                place: tuple(member for member in taken if member.sequence != sequence)
                for place, taken in group.places.items()
            },
        )
        for name, group in groups.items()
    }


def without_doubtful(state: State, gauge: str, first: int, last: int) -> dict[str, Group]:
    """Return the groups without what the gauge measured from `first` to `last`, judged again since or not."""
    return {
        name: Group(
            group.lot,
            group.piece,
            {
                place: tuple(each for each in taken if not (each.gauge == gauge and each.sequence in doubted))
                for place, taken in group.places.items()
            },
        )
        for name, group in state.groups.items()
        for doubted in (_standing(state, group, first, last),)
    }


def _standing(state: State, group: Group, first: int, last: int) -> set[int]:
    """Return the members of a group that were measured from `first` to `last`, by what they are by now."""
    members = {each.sequence for taken in group.places.values() for each in taken}
    found = {each for each in members if first <= each <= last}
    if any(each > last for each in members):  # it may stand for an earlier one
        found |= members.intersection(state.replaced.of_range(first, last))
    return found


def place_of(state: State, entry: CharacteristicEntry) -> str | None:
    """Return where on the feature the next reading is: as the person said, else the first place measured least."""
    if state.position is not None or not entry.positions:
        return state.position
    no_piece = state.piece is None and bool(entry.places) and state.derivation > 3  # and none is counted then
    if entry.combine is not Combine.EACH or no_piece:
        group = state.groups.get(entry.name)
        same = group is not None and (group.lot, group.piece) == (state.lot, state.piece)
        places = group.places if group is not None and same else {}
        return min(entry.positions, key=lambda place: len(places.get(place, ())) // entry.readings)
    counts = state.counts
    return min(
        entry.positions,
        key=lambda place: counts.of((state.lot, state.piece, entry.name, place)) // entry.readings,
    )


def attempt_of(state: State, entry: CharacteristicEntry, position: str | None) -> int | None:
    """Return the number of the attempt that the next reading belongs to; None where no piece is named."""
    if state.piece is None:
        return None
    if entry.combine is not Combine.EACH:
        return state.counts.of((state.lot, state.piece, entry.name, None, "result")) + 1
    return state.counts.of((state.lot, state.piece, entry.name, position)) // entry.readings + 1

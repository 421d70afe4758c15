"""Several readings that become one result: which belong together, and when they are complete."""

from __future__ import annotations

from decimal import Decimal

from gaugepost.core.bench.state import Group, State
from gaugepost.core.mastering import mean
from gaugepost.core.record import Record
from gaugepost.core.setup import CharacteristicEntry, Combine


def joined(group: Group | None, entry: CharacteristicEntry, reading: Record, sequence: int) -> Group:
    """Return the group with this reading in it.

    Another piece or lot starts a new group. A place that is complete and is measured again starts over: the earlier
    readings stay in the journal as an earlier attempt.
    """
    assert reading.value_mm is not None
    if group is None or (group.lot, group.piece) != (reading.lot, reading.piece):
        group = Group(reading.lot, reading.piece, {})
    place = reading.position or ""
    taken = group.places.get(place, ())
    if len(taken) >= entry.readings:
        taken = ()
    return Group(group.lot, group.piece, {**group.places, place: (*taken, (sequence, reading.value_mm))})


def missing(group: Group, entry: CharacteristicEntry) -> int:
    """Return how many readings the group still lacks."""
    return sum(entry.readings - len(group.places.get(place, ())) for place in entry.positions or ("",))


def combined(group: Group, entry: CharacteristicEntry) -> tuple[Decimal, tuple[int, ...]]:
    """Return a complete group's value in mm and its members' sequences."""
    taken = [pair for place in entry.positions or ("",) for pair in group.places[place]]
    values = tuple(value for _, value in taken)
    if entry.combine is Combine.LARGEST:
        value = max(values)
    elif entry.combine is Combine.SMALLEST:
        value = min(values)
    else:
        value = mean(values)
    return value, tuple(sequence for sequence, _ in taken)


def place_of(state: State, entry: CharacteristicEntry) -> str | None:
    """Return where on the feature the next reading is: as the person said, else the first place measured least."""
    if state.position is not None or not entry.positions:
        return state.position
    if entry.combine is not Combine.EACH:
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

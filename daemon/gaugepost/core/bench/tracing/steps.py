"""The state that a record of what is judged again leads to. It decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from gaugepost.core.bench.combining.groups import gathers
from gaugepost.core.bench.state import Group, Member, State
from gaugepost.core.bench.temperatures import recorded
from gaugepost.core.frozen import changed
from gaugepost.core.record import Record
from gaugepost.core.setup import Body, CharacteristicEntry


def rejudged(state: State, record: Record) -> State:
    """Return the state after a record of this kind: it stands for what it replaces, where that waits for others too."""
    assert record.replaces is not None
    state = changed(state, replaced=state.replaced.and_(record.replaces, state.sequence))
    name = record.characteristic
    if name is None or name not in state.groups:
        return state
    entry, group = state.set_up.characteristics[name], state.groups[name]
    places = {place: tuple(_renewed(state, entry, taken, record)) for place, taken in group.places.items()}
    return changed(state, groups={**state.groups, name: Group(group.lot, group.piece, places)})


def _renewed(
    state: State, entry: CharacteristicEntry, taken: tuple[Member, ...], record: Record
) -> Iterator[Member]:
    for member in taken:
        if member.sequence != record.replaces:
            yield member
        elif gathers(entry, record):
            assert record.value_mm is not None
            yield replace(
                member,
                sequence=state.sequence,
                value_mm=record.value_mm,
                part=recorded(record, Body.PART),
                gauge_at=recorded(record, Body.GAUGE),
            )

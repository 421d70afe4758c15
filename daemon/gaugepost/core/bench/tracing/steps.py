"""The state that a record of what is judged again leads to. It decides nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from gaugepost.core.bench.combining.groups import gathers
from gaugepost.core.bench.state import Group, Member, State
from gaugepost.core.bench.temperatures import recorded
from gaugepost.core.frozen import changed
from gaugepost.core.record import Record
from gaugepost.core.setup import Body


def rejudged(state: State, record: Record) -> State:
    """Return the state after a record of this kind: it stands for what it replaces, where that waits for others too."""
    assert record.replaces is not None
    replaced = state.replaced.and_(record.replaces, state.sequence)
    group = state.groups.get(record.characteristic or "")
    if group is None or not any(
        member.sequence == record.replaces for taken in group.places.values() for member in taken
    ):
        return changed(state, replaced=replaced)
    places = {place: tuple(_renewed(state, taken, record)) for place, taken in group.places.items()}
    groups = {**state.groups, record.characteristic or "": Group(group.lot, group.piece, places)}
    return changed(state, replaced=replaced, groups=groups)


def _renewed(state: State, taken: tuple[Member, ...], record: Record) -> Iterator[Member]:
    entry = state.set_up.characteristics[record.characteristic or ""]
    for member in taken:
        if member.sequence != record.replaces:
            yield member
        elif gathers(entry, record) and record.value_mm is not None:
            yield replace(
                member,
                sequence=state.sequence,
                value_mm=record.value_mm,
                part=recorded(record, Body.PART),
                gauge_at=recorded(record, Body.GAUGE),
            )

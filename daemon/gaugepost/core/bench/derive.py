"""Deriving again: the same bytes under the same set-up must give the same numbers, years later."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from gaugepost.core.bench.apply import follow
from gaugepost.core.bench.decide import decide
from gaugepost.core.bench.events import Arrived
from gaugepost.core.bench.state import State
from gaugepost.core.frozen import changed
from gaugepost.core.indication import Decoded, Indication, Moment, Temperature
from gaugepost.core.record import DERIVATION, DERIVATIONS, Entry, Kind, Record
from gaugepost.core.setup import LinkEntry

FROM_FRAMES = (Kind.READING, Kind.MASTER_READING, Kind.SUPPRESSED, Kind.TEMPERATURE)
"""Kinds that a frame alone led to, at the state before it."""
COMPLETED = (Kind.RESULT, Kind.FORM)
"""Kinds that a reading alone completes, right after it."""

Decode = Callable[[LinkEntry, bytes], Sequence[Decoded]]
"""Reads a frame's bytes with the decoder that the set-up names."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A record that today's rules make otherwise; `fields` are the names of what differs."""

    sequence: int
    finding: str
    fields: tuple[str, ...] = ()


def differences(
    entries: Iterable[Entry], decode: Decode, state: State | None = None
) -> Iterator[Difference | int]:
    """Derive every record that a frame led to from its bytes and the set-up in force, in one pass from the first entry.

    `state` is the bench before the first entry, where others are archived.

    Yields each `Difference`, and the sequence of each record that came out the same (a result or an outcome that a
    reading completed is compared with that reading).
    """
    expected, unknown = list[Record](), False
    state = State() if state is None else state
    frame: tuple[State, Record] | None = None
    is_made = False
    """Whether the entry before was made again, with all that it completes."""
    for entry in entries:
        record, was_made, is_made = entry.record, is_made, False
        unknown = record.kind is not Kind.SALVAGE and (unknown or entry.sequence != state.sequence + 1)
        if unknown:
            expected = []
            if record.kind in FROM_FRAMES:
                yield Difference(entry.sequence, "can't be derived: records that it may rest on are missing")
            state = follow(state, entry)
            continue
        if record.derivation not in (None, *DERIVATIONS):
            yield Difference(
                entry.sequence, f"made by derivation {record.derivation}, which is not known here"
            )
        elif expected:
            if frame is not None and record.derivation not in (None, expected[0].derivation):
                # The frame's own record names no rules, what it completed does: those of its time.
                again = _derived(frame[0], frame[1], decode, record.derivation)
                expected = expected if isinstance(again, str) else again[-len(expected) :]
            is_made = True
            yield _compared(entry, expected.pop(0))
        elif record.kind in COMPLETED and was_made:
            yield Difference(entry.sequence, "no reading completes it")
        elif record.kind in FROM_FRAMES and record.raw is not None and record.link in state.set_up.links:
            frame = (state, record)
            derived = _derived(state, record, decode, record.derivation)
            if isinstance(derived, str):
                yield Difference(entry.sequence, derived)
            else:
                is_made = True
                yield _compared(entry, derived[0])
                expected = derived[1:]
        state = follow(state, entry)


def _derived(state: State, record: Record, decode: Decode, derivation: int | None) -> list[Record] | str:
    if state.derivation != (rules := derivation or DERIVATION):
        state = changed(state, derivation=rules)
    assert record.link is not None
    assert record.raw is not None
    assert state.now is not None
    decoded = decode(state.set_up.links[record.link], record.raw)
    values = [each for each in decoded if isinstance(each, Indication | Temperature)]
    if len(values) != 1:
        return f"its bytes hold {len(values)} values"
    # A condition beside the value has taken the frame's bytes or left them to the value: they are the record's.
    value = values[0] if values[0].raw == record.raw else dataclasses.replace(values[0], raw=record.raw)
    now = Moment(record.measured_at, record.clock_ms, state.now.boot)
    return list(decide(state, Arrived(record.link, value), now).records) or "its bytes lead to no record"


def _compared(entry: Entry, derived: Record) -> Difference | int:
    if vars(entry.record) == vars(derived):  # faster, and nearly always so
        return entry.sequence
    names = (field.name for field in dataclasses.fields(Record))
    differing = tuple(name for name in names if getattr(entry.record, name) != getattr(derived, name))
    if not differing:
        return entry.sequence
    return Difference(entry.sequence, f"comes out otherwise in {', '.join(differing)}", differing)

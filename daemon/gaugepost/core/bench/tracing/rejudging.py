"""Judging again: what a trace found is recorded, a record for each measurement that comes out otherwise.

Nothing recorded is changed. What is recorded here stands for what it replaces, as an amendment does; `gaugepost verify
--numbers` makes its numbers again, from the same readings under what it says is corrected.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from gaugepost.core.bench.events import Again, Decision, Rejudge, Reply
from gaugepost.core.bench.state import State
from gaugepost.core.bench.tracing.tracing import Row, Trace
from gaugepost.core.indication import Moment
from gaugepost.core.record import Kind, Record

AT_ONCE = 50
"""Records of one command: between two of them frames are decided."""


def to_rejudge(made: Trace) -> Iterator[Again]:
    """Yield what is to be recorded, members before what was made of them; nothing a second time."""
    rows = {row.base: row for row in (*made.rows, *made.others)}
    stale = {row.stands.sequence for row in made.rows if row.changes}
    for row in sorted(made.rows, key=lambda row: (row.kind is not Kind.READING, row.base)):
        members = row.stands.record.members or ()
        renewed = any(each in stale or _is_replaced(each, rows, made) for each in members)
        if row.changes or renewed:
            yield Again(row.stands.sequence, row.kind, row.made, row.revision.texts())


def _is_replaced(member: int, rows: Mapping[int, Row], made: Trace) -> bool:
    row = rows.get(made.bases.get(member, member))
    return row is not None and row.stands.sequence != member


def rejudge(state: State, event: Rejudge, now: Moment, operator: str, reason: str) -> Decision:
    """Record what measurements come to; those that were voided, amended or judged again meanwhile are left out."""
    records: list[Record] = []
    renewed: dict[int, int] = {}
    for again in event.again:
        if again.sequence in state.replaced:
            continue
        members = again.made.members
        if members is not None:
            members = tuple(renewed.get(each) or state.replaced.standing(each) for each in members)
        renewed[again.sequence] = state.sequence + len(records) + 1
        records.append(
            replace(
                again.made,
                kind=Kind.REJUDGED,
                measured_at=now.utc_ms,
                clock_ms=now.clock_ms,
                operator=operator,
                text=reason,
                code=again.kind.value,
                replaces=again.sequence,
                members=members,
                corrected=again.corrected,
                ends_mastering=None,
            )
        )
    left = len(event.again) - len(records)
    text = f"{len(records)} judged again" + (f", {left} left out: replaced meanwhile" if left else "")
    return Decision(tuple(records), Reply(accepted=True, text=text))

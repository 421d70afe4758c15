"""Deriving again what was judged again: from the readings that it began as, under what it says is corrected.

And what the uncertainty of a reading or a result was made of on its day, whatever mastering, temperatures and station
file are by now.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

from gaugepost.core.bench.budgeting import Unstated
from gaugepost.core.bench.derive import Difference
from gaugepost.core.bench.tracing.records import Records, Replacements, replacements
from gaugepost.core.bench.tracing.reliving import Chosen, relive
from gaugepost.core.bench.tracing.revision import revision_of
from gaugepost.core.bench.tracing.tracing import made_of
from gaugepost.core.errors import ValueRefused
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.uncertainty import Budget


def rederived(records: Records, through: int) -> Iterator[Difference | int | None]:
    """Yield, for every record of what was judged again, its sequence where it comes out the same, else what differs.

    None stands for one that rests on archived records: those can't be looked up.
    """
    replaced, start = replacements(records, 0, through), records.beginning().sequence
    groups: dict[tuple[str, ...], list[Entry]] = {}
    for entry in records.of_kinds((Kind.REJUDGED,), None, 0, through):
        groups.setdefault(entry.record.corrected or (), []).append(entry)
    for corrected, entries in groups.items():
        try:
            revision = revision_of(corrected)
        except ValueRefused as refused:
            yield from (Difference(entry.sequence, refused.finding) for entry in entries)
            continue
        made = {
            each.sequence: each.record
            for each in relive(records, _chosen(records, replaced, entries), revision)
        }
        before = {each.sequence: each.record for each in records.at(_before(entry) for entry in entries)}
        for entry in entries:
            again = made.get(replaced.base(entry.sequence))
            stood = before.get(_before(entry))
            found: Difference | int = Difference(entry.sequence, MISSING)
            if again is not None and stood is not None:
                found = _compared(entry, made_of(stood, again), replaced)
            yield None if start and isinstance(found, Difference) else found


MISSING = "can't be derived: records that it may rest on are missing"


def _before(entry: Entry) -> int:
    return entry.record.replaces or 0


def _chosen(records: Records, replaced: Replacements, entries: list[Entry]) -> Chosen:
    found = {each.sequence: each.record for each in records.at(replaced.base(e.sequence) for e in entries)}
    several = {at: record for at, record in found.items() if record.kind in (Kind.RESULT, Kind.FORM)}
    bases = {m: replaced.base(m) for record in several.values() for m in record.members or ()}
    found |= {each.sequence: each.record for each in records.at(bases.values())}
    readings = {at: record for at, record in sorted(found.items()) if record.kind is Kind.READING}
    return Chosen(readings, several, bases)


def _compared(entry: Entry, made: Record, replaced: Replacements) -> Difference | int:
    record = entry.record
    members = made.members
    if members is not None:
        members = tuple(replaced.before(each, entry.sequence) for each in members)
    wanted = dataclasses.replace(
        made,
        kind=Kind.REJUDGED,
        measured_at=record.measured_at,
        clock_ms=record.clock_ms,
        operator=record.operator,
        text=record.text,
        code=record.code,
        replaces=record.replaces,
        members=members,
        corrected=record.corrected,
        ends_mastering=None,
    )
    names = (field.name for field in dataclasses.fields(Record))
    differing = tuple(name for name in names if getattr(record, name) != getattr(wanted, name))
    if not differing:
        return entry.sequence
    return Difference(entry.sequence, f"comes out otherwise in {', '.join(differing)}", differing)


NOT_ASKED = Unstated(("it was measured before anything was mastered, or by a program that stated none",))
GONE = Unstated(("what it rests on can't be looked up: it is archived, or missing in the journal",))


def budget_then(records: Records, entry: Entry) -> Budget | Unstated | None:
    """Return the budget of a reading or a result, amended or judged again or not; None of everything else.

    One that was judged again has it under what was corrected then.
    """
    alone = entry.record.replaces is None and entry.record.members is None
    replaced = Replacements(()) if alone else replacements(records, 0, entry.sequence)
    base, chosen = replaced.base(entry.sequence), _chosen(records, replaced, [entry])
    began = chosen.readings.get(base) or chosen.several.get(base)
    if began is None or began.kind is Kind.FORM or began.characteristic is None:
        return None
    revision = revision_of(entry.record.corrected or ())
    for made in relive(records, chosen, revision, with_budgets=True, checks=lambda _: False):
        if made.sequence == base:
            return made.budget or NOT_ASKED
    return GONE

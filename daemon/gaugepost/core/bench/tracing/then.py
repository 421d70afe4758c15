"""What a reading's uncertainty was made of on its day, whatever mastering, temperatures and station file are by now."""

from __future__ import annotations

from gaugepost.core.bench.budgeting import Unstated
from gaugepost.core.bench.tracing.records import Records, replacements
from gaugepost.core.bench.tracing.reliving import Chosen, relive
from gaugepost.core.bench.tracing.revision import revision_of
from gaugepost.core.record import Entry, Kind
from gaugepost.core.uncertainty import Budget

NOT_ASKED = Unstated(("it was measured before anything was mastered, or by a program that stated none",))
GONE = Unstated(("what it rests on can't be looked up: it is archived, or missing in the journal",))


def budget_then(records: Records, entry: Entry) -> Budget | Unstated | None:
    """Return the budget of a reading, amended or judged again or not; None of everything else.

    One that was judged again has it under what was corrected then.
    """
    base = entry
    if entry.record.replaces is not None:
        began = replacements(records, 0, entry.sequence).base(entry.sequence)
        base = next(records.at((began,)), entry)
    if base.record.kind is not Kind.READING or base.record.characteristic is None:
        return None
    chosen = Chosen({base.sequence: base.record}, {}, {})
    for made in relive(records, chosen, revision_of(entry.record.corrected or ()), checks=lambda _: False):
        if made.sequence == base.sequence:
            return made.budget or NOT_ASKED
    return GONE

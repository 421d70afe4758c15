"""People's signatures in a journal or an archive, told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gaugepost.core.evidence.signature import standing
from gaugepost.edge.evidence.signatures import Held

MOST_TOLD = 20


def told_of_people(found: Sequence[Held]) -> Iterator[str]:
    """Yield how signatures stand, in lines for a person: those that do not hold or stand first, one by one."""
    well = sum(each.holds is True for each in found)
    yield f"persons  {well} of {len(found)} signature{'s' if len(found) != 1 else ''} held against what they sign"
    away = sum(each.holds is None for each in found)
    if away:
        yield f"         {away} of records that are in archives"
    worth = [each for each in found if each.holds is False or each.since]
    worth.sort(key=lambda each: each.holds is True)
    for each in worth[:MOST_TOLD]:
        record = each.entry.record
        who = f"record {each.entry.sequence}, {record.meaning} by {record.printed_name} ({record.operator})"
        if each.holds:
            yield f"         {who}: {standing(each.since)}"
        else:
            yield f"fault    {who}: what it signs is not what is here"
    if len(worth) > MOST_TOLD:
        yield f"         and {len(worth) - MOST_TOLD} more"

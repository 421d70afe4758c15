"""What was marked as suspect and counts after all: the ring was wiped and measured again, the certificate came back.

Nothing is forgotten: the mark stays, and a record beside it says who lifted it, when, why, and by which check.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from gaugepost.core.bench.commands.afterwards import who, why
from gaugepost.core.bench.events import Decision, Lift, Reply
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.state import State
from gaugepost.core.bench.tracing.records import Records
from gaugepost.core.errors import CommandRefused
from gaugepost.core.indication import Moment
from gaugepost.core.publication import record_id, rfc3339
from gaugepost.core.record import Entry, Kind, Record


def lift(state: State, event: Lift, now: Moment) -> Decision:
    """Record that what was marked as suspect counts after all.

    Raises:
        CommandRefused: it is no such mark, it was lifted before, or the check that it takes is missing.
    """
    operator, reason = who(state, event.operator), why(event.reason, "lift the suspicion from")
    if event.target.kind is not Kind.SUSPECT:
        raise CommandRefused(
            f"record {event.sequence} is a {event.target.kind}, which puts nothing in doubt",
            hint="name a suspect record: gaugepost bench suspects lists them",
        )
    if (by := state.replaced.get(event.sequence)) is not None:
        raise CommandRefused(f"it was lifted before, by record {by}", hint="nothing is left to do")
    if event.wanted and event.check is None:
        raise CommandRefused(f"there is no good check that speaks for it: {event.wanted}", hint=_OTHERWISE)
    target = event.target
    record = plain(
        now,
        Kind.LIFTED,
        gauge=target.gauge,
        master=target.master,
        operator=operator,
        first=target.first,
        last=target.last,
        count=target.count,
        text=reason,
        replaces=event.sequence,
        members=None if event.check is None else (event.check,),
        set_up=state.set_up_sequence,
    )
    by_check = "" if event.check is None else f", by check {event.check}"
    return Decision(
        (record,), Reply(accepted=True, text=f"{target.count} readings are no longer suspect{by_check}")
    )


_OTHERWISE = "check it so, else measure again what matters"


def evidence(records: Records, entry: Entry, through: int) -> tuple[int | None, str]:
    """Return the first good check that speaks for what a suspect record marked, and which one it takes, in words.

    After a check that failed that is one on the same ring, under the same mastering: a gauge that was mastered anew
    says nothing of what it measured before. After a person's doubt in the gauge it is one under the same mastering.
    Where a ring, or a mastering that came out far from the last, is why, no check of the gauge can show it: a person's
    word is needed and enough.
    """
    record = entry.record
    if record.kind is not Kind.SUSPECT or record.master is not None or record.gauge is None:
        return None, ""
    found = {each.sequence: each.record for each in records.at((entry.sequence - 1, record.first or 0))}
    cause = found.get(entry.sequence - 1)
    if cause is not None and cause.kind is Kind.MASTERING and cause.gauge == record.gauge:
        return None, ""
    failed = cause if cause is not None and _failed(cause, record.gauge) else None
    measured = failed or found.get(record.first or 0)
    mastering = None if measured is None else measured.mastering
    ring = None if failed is None else failed.master
    for each in records.of_kinds((Kind.CHECK,), (record.gauge,), entry.sequence, through):
        check = each.record
        if check.code == "passed" and check.mastering == mastering and ring in (None, check.master):
            return each.sequence, _wanted(ring)
    return None, _wanted(ring)


def _wanted(ring: str | None) -> str:
    on = f"on {ring}, " if ring else ""
    return f"it takes one {on}after it and before the gauge was mastered anew"


def _failed(record: Record, gauge: str) -> bool:
    return record.kind is Kind.CHECK and record.code == "failed" and record.gauge == gauge


def suspects(records: Records, through: int) -> Iterator[tuple[Entry, Entry | None]]:
    """Yield what was ever marked as suspect, in its order, each with the record that lifted it."""
    kinds = (Kind.SUSPECT, Kind.LIFTED)
    found = list(records.of_kinds(kinds, None, 0, through))
    lifted = {each.record.replaces: each for each in found if each.record.kind is Kind.LIFTED}
    yield from ((each, lifted.get(each.sequence)) for each in found if each.record.kind is Kind.SUSPECT)


def document(entry: Entry, by: Entry | None, epoch: str) -> dict[str, Any]:
    """Return a mark as plain values: what is suspect since when and why, and by whom that was lifted."""
    record = entry.record
    said: dict[str, Any] = {
        "id": record_id(epoch, entry.sequence),
        "sequence": entry.sequence,
        "gauge": record.gauge,
        "master": record.master,
        "first": record.first,
        "last": record.last,
        "count": record.count,
        "marked_at": rfc3339(record.measured_at),
        "marked_by": record.operator,
        "reason": record.text,
        "open": by is None,
        "lifted": None,
    }
    if by is not None:
        check = by.record.members
        said["lifted"] = {
            "id": record_id(epoch, by.sequence),
            "at": rfc3339(by.record.measured_at),
            "by": by.record.operator,
            "reason": by.record.text,
            "check": record_id(epoch, check[0]) if check else None,
        }
    return said

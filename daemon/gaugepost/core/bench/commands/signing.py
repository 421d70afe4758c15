"""A person signs: what a signature means, and what can be signed. That they are who they say was proved before."""

from __future__ import annotations

from gaugepost.core.bench.commands.afterwards import MAX_REASON
from gaugepost.core.bench.events import Decision, Reply, Sign
from gaugepost.core.bench.plain import plain
from gaugepost.core.bench.state import State
from gaugepost.core.errors import CommandRefused
from gaugepost.core.evidence import signature
from gaugepost.core.indication import Moment
from gaugepost.core.record import MEANINGS, Kind

SIGNABLE = (
    Kind.READING,
    Kind.RESULT,
    Kind.FORM,
    Kind.MASTERING,
    Kind.CHECK,
    Kind.SUSPECT,
    Kind.LIFTED,
    Kind.VOID,
    Kind.AMENDMENT,
    Kind.REJUDGED,
    Kind.SET_UP,
    Kind.SIGNATURE,
)
"""Kinds that say something that a person can answer for by itself."""


def sign(state: State, event: Sign, now: Moment) -> Decision:
    """Take the signature, or refuse it with what to say instead."""
    subject, target = event.records.subject, event.target
    if event.meaning not in MEANINGS:
        raise CommandRefused(
            f"{event.meaning!r} is nothing that a signature means", hint=f"say {', '.join(MEANINGS)}"
        )
    if len(event.reason) > MAX_REASON or not event.reason.isprintable():
        raise CommandRefused("the note does not print", hint=f"write up to {MAX_REASON} characters")
    if not event.records.count:
        raise CommandRefused(f"there is nothing to sign in {told(subject)}", hint="name what was measured")
    if target is not None and target.kind not in SIGNABLE:
        raise CommandRefused(
            f"record {subject.first} is a {target.kind}, which nobody signs",
            hint="name a reading, a result, a check or a mastering; or sign the piece or the lot",
        )
    if target is not None and (by := state.replaced.get(subject.first)) is not None:
        raise CommandRefused(f"record {subject.first} was replaced by {by}", hint=f"sign record {by}")
    of_target = {} if target is None else {
        name: getattr(target, name) for name in ("gauge", "characteristic", "position")
    }  # fmt: skip
    record = plain(
        now,
        Kind.SIGNATURE,
        code=subject.what,
        first=subject.first,
        last=subject.last,
        lot=subject.lot,
        piece=subject.piece,
        count=event.records.count,
        signed_sha256=event.records.digest,
        meaning=event.meaning,
        printed_name=event.printed_name,
        operator=event.operator,
        text=event.reason or None,
        members=(subject.first,) if subject.what == signature.RECORD else None,
        **of_target,
    )
    several = "" if event.records.count == 1 else f", {event.records.count} records"
    return Decision((record,), Reply(accepted=True, text=f"{told(subject)} signed{several}: {event.meaning}"))


def told(subject: signature.Subject) -> str:
    """Return what is signed, in words."""
    if subject.what == signature.PIECE:
        return f"piece {subject.piece}" + (f" of lot {subject.lot}" if subject.lot else "")
    if subject.what == signature.LOT:
        return f"lot {subject.lot}"
    if subject.what == signature.SPAN:
        return f"records {subject.first} to {subject.last}"
    return f"record {subject.first}"

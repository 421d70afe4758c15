"""Electronic signatures at a running station: who may sign, what they sign, and how what was signed stands.

21 CFR 11.200(a)(1) asks for two components, as an id and a password, and for both at a first signing. Here it is both
at each: who is signed in says their id and their PIN or code again. A code alone, that a badge shows, signs nothing.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace

from gaugepost.core.access import Asker, NotKnown, NotTheirs, Person, Scope, alike
from gaugepost.core.bench.events import Sign
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.evidence.signature import LOT, PIECE, RECORD, SPAN, Signed, Subject, document
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.evidence.signatures import held, look_up
from gaugepost.service.commands.bodies import SignSaid
from gaugepost.service.door.signing_in import SigningIn
from gaugepost.service.facade import Running
from gaugepost.service.query import SignaturesAsked
from gaugepost.service.routes.records import entry_of
from gaugepost.service.views import Document

MOST_SIGNED = 100_000
"""Records that one signature may be on: nobody looks at more."""
OF_SETTERS = ("approval", "responsibility")
"""Meanings that take the scope to set up: whoever measures answers for it, and does not release it."""


async def proven(signing_in: SigningIn, asker: Asker, said: SignSaid, address: str) -> Person:
    """Return who signs, proven by id and PIN, or id and code, at this moment.

    Raises:
        CommandRefused: nobody is signed in, it is not their id with their PIN or code, or they can't sign as that.
        NotTheirs: somebody else is signed in.
        TooManyTries: it has to be waited first; Unreachable: others are being looked at.
        ValueRefused: PIN or code is missing, or there are both.
    """
    if not asker.signed_in or asker.name is None:
        raise CommandRefused(
            "nobody is signed in here, and only a person signs",
            hint="POST /v1/session signs somebody in; `gaugepost access add ID` adds people",
        )
    if alike(said.id) != alike(asker.name):
        raise NotTheirs(f"{asker.name} is signed in, not {said.id[:80]!r}", hint="sign under your own id")
    if (said.pin is None) == (said.code is None):
        raise ValueRefused(
            "a signature takes the PIN or the code, once more", hint="send id and pin, or id and code"
        )
    try:
        if said.pin is not None:
            person = await signing_in.by_pin(asker.name, said.pin, address)
        else:
            person = await signing_in.by_code(said.code or "", address)
    except NotKnown as error:
        raise CommandRefused(
            f"this is not what {asker.name} signs in with", hint="look at it again; wrong tries are counted"
        ) from error
    if person.id != asker.name:
        raise NotTheirs(f"{asker.name} is signed in, and this is another's code", hint="sign with your own")
    if person.name is None:
        raise CommandRefused(
            f"{person.id} has no name in print, which a signature shows",
            hint=f'have an administrator give it: gaugepost access name {person.id} "NAME"',
        )
    if said.meaning in OF_SETTERS and not person.role.scope.includes(Scope.SET_UP):
        raise CommandRefused(
            f"{person.id} is {person.role.value}, and {said.meaning} takes a setter or an administrator",
            hint="sign as review or authorship, or ask one of them",
        )
    return person


async def sign(running: Running, person: Person, said: SignSaid) -> Document:
    """Have the signature recorded; return the answer once it is on disk.

    Raises as `master` does, `NotHere` where there is no such record.
    """
    subject, target = await _subject(running, said)
    found = await asyncio.to_thread(_found, running, subject)
    if found.subject.what in (LOT, PIECE):
        found = replace(found, subject=_narrowed(found))
    command = Sign(found, said.meaning, person.name or "", person.id, said.reason or "", target)
    told = await running.recorder.ask(command)
    if not told.reply.accepted:
        raise CommandRefused(told.reply.text, hint=told.reply.hint)
    return {
        "accepted": True,
        "text": told.reply.text,
        "records": [running.id_of(sequence) for sequence in told.sequences],
    }


async def listed(running: Running, asked: SignaturesAsked) -> list[Document]:
    """Return signatures, the latest first, with how each stands. Raises as `sign` does."""
    record = None if asked.record is None else await entry_of(running, asked.record)
    return await asyncio.to_thread(lambda: list(_listed(running, asked, record)))


async def _subject(running: Running, said: SignSaid) -> tuple[Subject, Record | None]:
    """Return what is to be signed, and the record, where it is one."""
    named = {key for key in ("record", "lot", "piece", "first", "last") if getattr(said, key) is not None}
    base, head = running.reader.base[0], running.growth.head
    if named == {"record"}:
        entry = await entry_of(running, said.record or "")
        record = entry.record
        only = Subject(RECORD, entry.sequence, entry.sequence, record.lot, record.piece)
        return only, record
    if named in ({"lot"}, {"lot", "piece"}):
        what = PIECE if said.piece is not None else LOT
        return Subject(what, base + 1, head, said.lot, said.piece), None
    if named == {"first", "last"}:
        first, last = await entry_of(running, said.first or ""), await entry_of(running, said.last or "")
        if first.sequence > last.sequence:
            raise ValueRefused("the last record is before the first", hint="give them in order")
        return Subject(SPAN, first.sequence, last.sequence), None
    raise ValueRefused(
        "what is to be signed is not said, or twice", hint="send record; or lot, and piece; or first and last"
    )


def _found(running: Running, subject: Subject) -> Signed:
    if subject.what == SPAN and subject.last - subject.first >= MOST_SIGNED:
        raise ValueRefused(f"more than {MOST_SIGNED} records", hint="sign a shorter span")
    found = look_up(running.reader, subject)
    if found.count > MOST_SIGNED:
        raise ValueRefused(f"more than {MOST_SIGNED} records", hint="sign its pieces, or a span")
    return found


def _narrowed(found: Signed) -> Subject:
    """Return the subject from its first record on: what the journal has before says nothing of it."""
    return replace(found.subject, first=min(found.sequences, default=found.subject.first))


def _listed(running: Running, asked: SignaturesAsked, record: Entry | None) -> Iterator[Document]:
    reader, told = running.reader, 0
    for entry in reversed(list(reader.replay(kinds=(Kind.SIGNATURE,), lot=asked.lot, piece=asked.piece))):
        if record is not None and not _signs(entry.record, record):
            continue
        if told == asked.limit:
            return
        told += 1
        stands = held(reader, entry)
        yield document(entry, reader.epoch, stands.holds, stands.since)


def _signs(signature: Record, entry: Entry) -> bool:
    """Return whether a signature is on a record, by itself or with others."""
    if not (signature.first or 0) <= entry.sequence <= (signature.last or 0):
        return False
    if signature.code == LOT:
        return entry.record.lot == signature.lot
    if signature.code == PIECE:
        return (entry.record.lot, entry.record.piece) == (signature.lot, signature.piece)
    return True

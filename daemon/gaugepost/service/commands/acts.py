"""What each command does. Each answer waits until its records are on disk."""

from __future__ import annotations

import asyncio

from gaugepost.core.bench.commands.lifting import evidence
from gaugepost.core.bench.events import (
    Abandon,
    Amend,
    Another,
    BeginCheck,
    BeginMastering,
    Command,
    Finish,
    Lift,
    Report,
    SetTags,
    Suspect,
    Void,
)
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.record import Kind, Record
from gaugepost.edge.journal.lookup import Lookup
from gaugepost.service.commands import bodies
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.routes.records import entry_of
from gaugepost.service.views import Document
from gaugepost.shell.intake import Intake

MOST_RESULTS = 500
"""Results and forms looked through for those that a reading is a member of; a piece has a handful."""


async def master(running: Running, gauge: str, said: bodies.MasteringSaid) -> Document:
    """Begin to master a gauge: its next readings are of the masters."""
    masters, serials = tuple(said.masters), tuple(said.serials)
    command = BeginMastering(gauge, masters, serials, said.readings, said.movement, said.operator)
    return await _ask(running, gauge, command)


async def check(running: Running, gauge: str, said: bodies.CheckSaid) -> Document:
    """Begin to check a gauge: its next readings are of the master."""
    return await _ask(
        running, gauge, BeginCheck(gauge, said.master, said.serial, said.readings, said.operator)
    )


async def abandon(running: Running, gauge: str, said: bodies.AbandonSaid) -> Document:
    """Abandon the mastering or check that is going on."""
    return await _ask(running, gauge, Abandon(gauge, said.reason or "", said.operator))


async def finish(running: Running, gauge: str, said: bodies.FinishSaid) -> Document:
    """Finish the mastering or check that is going on with the readings taken so far."""
    return await _ask(running, gauge, Finish(gauge, said.operator))


async def again(running: Running, gauge: str, said: bodies.AttemptSaid) -> Document:
    """Begin another attempt at the piece in hand: earlier ones are kept."""
    return await _ask(running, gauge, Another(gauge, said.why, said.note or "", said.operator))


async def request(running: Running, gauge: str, _: bodies.RequestSaid) -> Document:
    """Ask a gauge for its value; it comes as a reading like any other."""
    intake, channel = _heard_by(running, gauge)
    intake.seek()
    await intake.request(channel)
    return {"accepted": True, "text": f"{gauge} was asked for its value", "records": []}


async def report(running: Running, gauge: str, said: bodies.ReportSaid) -> Document:
    """Report what was done to a gauge: it is to be checked before its next verdict."""
    return await _ask(
        running, gauge, Report(gauge, said.what, said.note or "", said.operator, said.contact_set)
    )


async def suspect(running: Running, gauge: str, said: bodies.SuspectSaid) -> Document:
    """Mark as suspect what a gauge measured since its last good check: it is to be checked before its next verdict."""
    return await _ask(running, gauge, Suspect(said.reason, gauge, (), said.operator))


async def lift(running: Running, record: str, said: bodies.SuspectSaid) -> Document:
    """Say that what a suspect record marked counts after all; both records stay."""
    entry = await entry_of(running, record)
    lookup, through = Lookup(running.reader), running.growth.head
    check, wanted = await asyncio.to_thread(evidence, lookup, entry, through)
    return await _ask(
        running, None, Lift(entry.sequence, entry.record, said.reason, check, wanted, said.operator)
    )


async def set_tags(running: Running, said: bodies.TagsSaid) -> Document:
    """Say what is in hand."""
    known = bodies.TagsSaid.model_fields
    changes = {key: getattr(said, key) for key in known if key in said.model_fields_set}
    if not changes:
        raise ValueRefused("nothing to set was said", hint=f"send {', '.join(known)}")
    return await _ask(running, None, SetTags(changes))


async def void(running: Running, record: str, said: bodies.VoidSaid) -> Document:
    """Say that a measurement does not count; the record stays, and results made of it are void too."""
    entry = await entry_of(running, record)
    results = await _made_of(running, entry.sequence, entry.record, Kind.RESULT, Kind.FORM)
    return await _ask(running, None, Void(entry.sequence, entry.record, said.reason, results, said.operator))


async def amend(running: Running, record: str, said: bodies.AmendSaid) -> Document:
    """Put right which lot, piece or place a reading belongs to; value and record stay."""
    entry = await entry_of(running, record)
    results = await _made_of(running, entry.sequence, entry.record, Kind.RESULT)
    forms = await _made_of(running, entry.sequence, entry.record, Kind.FORM)
    changes: dict[str, str | None] = {
        key: getattr(said, key) for key in ("lot", "piece", "position") if key in said.model_fields_set
    }
    command = Amend(entry.sequence, entry.record, changes, said.reason, results, forms, said.operator)
    return await _ask(running, None, command)


async def _ask(running: Running, gauge: str | None, command: Command) -> Document:
    """Return the answer to a command once its records are on disk; `gauge` is one that must be known.

    Raises:
        NotHere: there is no such gauge.
        CommandRefused: the bench refuses it, with what to do.
        JournalError: it could not be recorded.
    """
    if gauge is not None:
        _heard_by(running, gauge)[0].seek()
    told = await running.recorder.ask(command)
    reply = told.reply
    if not reply.accepted:
        raise CommandRefused(reply.text, hint=reply.hint)
    said: Document = {"accepted": True, "text": reply.text}
    if reply.hint:
        said["hint"] = reply.hint
    return said | {"records": [running.id_of(sequence) for sequence in told.sequences]}


def _heard_by(running: Running, gauge: str) -> tuple[Intake, str]:
    """Return what hears a gauge, and over which channel. Raises `NotHere`: there is no such gauge."""
    known = running.recorder.state.set_up.gauges
    if (entry := known.get(gauge)) is None:
        raise unknown("gauge", gauge, known)
    return next(each for each in running.intakes if each.name == entry.link), entry.channel


async def _made_of(running: Running, sequence: int, record: Record, *kinds: Kind) -> tuple[int, ...]:
    """Return the records of `kinds` that name it, or what it stands for, as a member: those judged again since too."""
    if record.characteristic is None or record.kind not in (Kind.READING, Kind.REJUDGED):
        return ()
    was = await asyncio.to_thread(_was, running, sequence, record)
    made = await asyncio.to_thread(
        running.reader.entries,
        min(was),
        MOST_RESULTS,
        kinds=(*kinds, Kind.REJUDGED),
        characteristic=record.characteristic,
        lot=record.lot,
        piece=record.piece,
    )
    return tuple(
        entry.sequence
        for entry in made
        if (entry.record.kind in kinds or entry.record.code in kinds)
        and was.intersection(entry.record.members or ())
    )


def _was(running: Running, sequence: int, record: Record) -> set[int]:
    """Return the sequences of a record and of those that it was judged again from."""
    was = {sequence}
    while record.kind is Kind.REJUDGED and record.replaces is not None:
        was.add(record.replaces)
        entry = running.reader.entry(record.replaces)
        if entry is None:
            break
        record = entry.record
    return was

"""A bad master, gauge or thermometer at a running station: traced beside the work, recorded through the bench."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

from gaugepost.core.bench.commands import lifting
from gaugepost.core.bench.commands.doubting import doubtful
from gaugepost.core.bench.events import Command, Rejudge, Suspect
from gaugepost.core.bench.tracing.asked import KEYS, known_or_refused, revision_from
from gaugepost.core.bench.tracing.dependants import Asked, What, known_names
from gaugepost.core.bench.tracing.document import document
from gaugepost.core.bench.tracing.rejudging import AT_ONCE, to_rejudge
from gaugepost.core.bench.tracing.tracing import Trace, trace
from gaugepost.core.errors import CommandRefused
from gaugepost.edge.journal.lookup import Lookup
from gaugepost.service.commands.bodies import RecallSaid
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.query import TraceAsked, utc_ms
from gaugepost.service.routes.records import entry_of
from gaugepost.service.views import Document


async def traced(running: Running, what: What, name: str, asked: TraceAsked) -> Document:
    """Return what depended on something, and what becomes of it; a mastering's name is its record's id or sequence."""
    made = await _traced(running, what, name, asked)
    return await asyncio.to_thread(document, made, running.reader.epoch, asked.limit)


async def rejudge(running: Running, what: What, name: str, said: RecallSaid) -> Document:
    """Record what comes out otherwise; nothing a second time."""
    made = await _traced(running, what, name, said)
    if not made.revision:
        raise CommandRefused(
            "nothing is corrected: everything stays as it is",
            hint="say what is, for a master its size as calibrated",
        )
    again = await asyncio.to_thread(lambda: tuple(to_rejudge(made)))
    parts = [again[at : at + AT_ONCE] for at in range(0, len(again), AT_ONCE)]
    sequences = await _recorded(running, [Rejudge(part, said.reason, said.operator) for part in parts])
    text = f"{len(sequences)} of {len(made.rows)} measurements were judged again"
    if len(sequences) < len(again):
        text += f"; {len(again) - len(sequences)} were replaced meanwhile: trace again"
    return {"accepted": True, "text": text, "records": [running.id_of(each) for each in sequences]}


async def suspect(running: Running, what: What, name: str, said: RecallSaid) -> Document:
    """Mark as suspect what depended on it; where something is corrected, what checks belie that then fail."""
    made = await _traced(running, what, name, said)
    found = await asyncio.to_thread(doubtful, Lookup(running.reader), made)
    commands = [Suspect(said.reason, None, found, said.operator)] if found else []
    sequences = await _recorded(running, commands)
    total = sum(each.count for each in found)
    text = (
        f"{total} readings were marked as suspect" if found else "there is nothing that is not marked already"
    )
    return {"accepted": True, "text": text, "records": [running.id_of(each) for each in sequences]}


async def suspects(running: Running) -> list[Document]:
    """Return what was ever marked as suspect, the latest first: open, or by whom it was lifted and why."""
    through, epoch = running.growth.head, running.reader.epoch

    def work() -> list[Document]:
        return [
            lifting.document(entry, by, epoch)
            for entry, by in reversed([*lifting.suspects(Lookup(running.reader), through)])
        ]

    return await asyncio.to_thread(work)


async def _traced(running: Running, what: What, name: str, said: TraceAsked | RecallSaid) -> Trace:
    lookup, through = Lookup(running.reader), running.growth.head
    sequence = (await entry_of(running, name)).sequence if what is What.MASTERING else 0
    named = "" if what is What.MASTERING else name
    words: Mapping[str, str | None] = {key: getattr(said, key) for key in KEYS}
    since = None if said.since is None else utc_ms(said.since)
    until = None if said.until is None else utc_ms(said.until)

    def work() -> Trace:
        known = known_names(lookup, through)
        if named and named not in known[what]:
            raise unknown(what.value, named, known[what])
        revision = revision_from(what, named, words)
        for kind, names in ((What.MASTER, revision.masters), (What.THERMOMETER, revision.thermometers)):
            for each in names:
                known_or_refused(kind.value, each, known[kind])
        return trace(lookup, Asked(what, named, sequence, since, until), revision, through)

    return await asyncio.to_thread(work)


async def _recorded(running: Running, commands: Sequence[Command]) -> list[int]:
    """Have commands recorded one after the other, frames between them; return the sequences of their records."""
    sequences: list[int] = []
    for command in commands:
        told = await running.recorder.ask(command)
        if not told.reply.accepted:
            raise CommandRefused(told.reply.text, hint=told.reply.hint)
        sequences += told.sequences
    return sequences

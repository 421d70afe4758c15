"""Records as published, in order: a page at a time, or as they come."""

from __future__ import annotations

import asyncio
import re
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import JSONResponse
from pydantic_core import to_json

from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.publication import parse_record_id, publish, publish_some
from gaugepost.core.record import Entry
from gaugepost.edge.collector import without_collector
from gaugepost.edge.journal.reader import Wanted as Asked
from gaugepost.service.facade import Running
from gaugepost.service.problems import NotHere
from gaugepost.service.query import MAX_SEQUENCE, Wanted, only, utc_ms

_SEQUENCE = re.compile(r"[1-9][0-9]{0,15}", re.ASCII)


def routes(running: Running) -> APIRouter:
    """Return the routes to the journal."""
    router = APIRouter()

    @router.get("/records", dependencies=[Depends(only(*Wanted.model_fields, many=("kind", "field")))])
    async def records(wanted: Annotated[Wanted, Query()]) -> JSONResponse:
        """Records beyond `after` that match; with `wait`, as soon as there is one. Pass `next` as `after` to go on.

        With `last` the last ones that match; with `field` only those fields of each.
        """
        wanted.check()
        if wanted.last is not None:
            return await asyncio.to_thread(_end, running, wanted, wanted.last)
        entries, through = await _page(running, wanted)
        return await asyncio.to_thread(_answer, running, wanted, entries, through)

    @router.get("/records/{id}", dependencies=[Depends(only())])
    async def record(id: str) -> JSONResponse:  # noqa: A002 - the vocabulary's word
        """One record, by its id or its sequence."""
        entry = await entry_of(running, id)
        return JSONResponse(publish(entry, running.reader.epoch, running.station.name))

    return router


async def entry_of(running: Running, id: str) -> Entry:  # noqa: A002 - the vocabulary's word
    """Return the record with this id or sequence.

    Raises:
        NotHere: none was written.
        ValueRefused: it is neither an id nor a sequence.
    """
    sequence = _sequence(running, id)
    entry = await asyncio.to_thread(running.reader.entry, sequence)
    if entry is None:
        raise NotHere(f"no record {sequence} was written", hint=f"the last one is {running.growth.head}")
    return entry


async def _page(running: Running, wanted: Wanted) -> tuple[list[Entry], int]:
    """Return the entries of one answer and the sequence up to which the journal was looked through."""
    growth, after = running.growth, wanted.after
    if after > growth.head and after > (await asyncio.to_thread(running.reader.head))[0]:
        raise CommandRefused(
            f"the journal ends at {growth.head}, before {after}",
            hint=f"its epoch is {running.reader.epoch}; with another one before, begin again with after=0",
        )
    loop = asyncio.get_running_loop()
    deadline = loop.time() + wanted.wait
    while True:
        head = growth.head
        entries = await asyncio.to_thread(_read, running, wanted, after)
        after = entries[-1].sequence if len(entries) == wanted.limit else max(after, head)
        if entries:
            return entries, max(after, entries[-1].sequence)
        left = deadline - loop.time()
        if left <= 0 or not await running.grown(after, left):
            return [], after


def _end(running: Running, wanted: Wanted, last: int) -> JSONResponse:
    """Answer with the last entries that match."""
    head = running.growth.head
    with without_collector():
        entries = running.reader.latest(last, wanted.field or None, **_asked_of_journal(wanted))
        return _answer(running, wanted, entries, max(head, entries[-1].sequence) if entries else head)


def _read(running: Running, wanted: Wanted, after: int) -> list[Entry]:
    only_some = wanted.field or None
    return running.reader.entries(after, wanted.limit, only_some, **_asked_of_journal(wanted))


def _asked_of_journal(wanted: Wanted) -> Asked:
    return {
        "kinds": wanted.kind or None,
        "gauge": wanted.gauge,
        "characteristic": wanted.characteristic,
        "lot": wanted.lot,
        "piece": wanted.piece,
        "since_ms": utc_ms(wanted.since) if wanted.since else None,
        "until_ms": utc_ms(wanted.until) if wanted.until else None,
    }


class _Many(JSONResponse):
    """The same JSON in a third of the time."""

    def render(self, content: object) -> bytes:
        return to_json(content)


def _answer(running: Running, wanted: Wanted, entries: list[Entry], through: int) -> JSONResponse:
    """Write the answer; of ten thousand records that takes long enough not to be done where gauges are heard."""
    epoch, station = running.reader.epoch, running.station.name
    names = frozenset(wanted.field)
    published = [
        publish_some(entry, epoch, station, names) if names else publish(entry, epoch, station)
        for entry in entries
    ]
    return _Many({"records": published, "next": through, "epoch": str(epoch)})


def _sequence(running: Running, text: str) -> int:
    if _SEQUENCE.fullmatch(text) and int(text) <= MAX_SEQUENCE:
        return int(text)
    epoch, sequence = parse_record_id(text)
    if sequence > MAX_SEQUENCE:
        raise ValueRefused(f"no journal reaches {sequence}", hint="write the id as published")
    if epoch != running.reader.epoch.of(sequence):
        raise NotHere(
            f"the journal here is {running.reader.epoch}, not {epoch}",
            hint="look in the journal it came from",
        )
    return sequence

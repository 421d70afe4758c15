"""What people say of records afterwards: void and amend. Each answer waits until its records are on disk."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Body, Depends
from fastapi.responses import JSONResponse

from gaugepost.core.bench.events import Amend, Void
from gaugepost.core.record import Kind, Record
from gaugepost.service.facade import Running
from gaugepost.service.query import only
from gaugepost.service.routes.commands import Note, Said, Text, ask
from gaugepost.service.routes.records import entry_of

MOST_RESULTS = 500
"""Results looked through for those that a reading is a member of; a piece has a handful."""


class VoidSaid(Said):
    """Why a measurement does not count, and who says so where that is not the operator in hand."""

    reason: Note
    operator: Text | None = None


class AmendSaid(VoidSaid):
    """What a reading belongs to instead: what is left out stays, null clears."""

    lot: str | None = None
    piece: str | None = None
    position: str | None = None


def routes(running: Running) -> APIRouter:
    """Return the routes that say something of a record."""
    router = APIRouter(dependencies=[Depends(only())])

    @router.post("/records/{id}/void")
    async def void(id: str, said: Annotated[VoidSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Say that a measurement does not count; the record stays, and results made of it are void too."""
        entry = await entry_of(running, id)
        results = await _results(running, entry.sequence, entry.record)
        return await ask(
            running, None, Void(entry.sequence, entry.record, said.reason, results, said.operator)
        )

    @router.post("/records/{id}/amendment")
    async def amend(id: str, said: Annotated[AmendSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Put right which lot, piece or place a reading belongs to; value and record stay."""
        entry = await entry_of(running, id)
        results = await _results(running, entry.sequence, entry.record)
        changes: dict[str, str | None] = {
            key: getattr(said, key) for key in ("lot", "piece", "position") if key in said.model_fields_set
        }
        command = Amend(entry.sequence, entry.record, changes, said.reason, results, said.operator)
        return await ask(running, None, command)

    return router


async def _results(running: Running, sequence: int, record: Record) -> tuple[int, ...]:
    """Return the results after `sequence` that name it as a member."""
    if record.characteristic is None or record.kind is not Kind.READING:
        return ()
    made = await asyncio.to_thread(
        running.reader.entries,
        sequence,
        MOST_RESULTS,
        kinds=(Kind.RESULT,),
        characteristic=record.characteristic,
        lot=record.lot,
        piece=record.piece,
    )
    return tuple(entry.sequence for entry in made if sequence in (entry.record.members or ()))

"""Destinations: how far they got, and what people do about what they did not take."""

from __future__ import annotations

import asyncio
import re
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Query, Request
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.publication import parse_record_id
from gaugepost.edge.asides import By
from gaugepost.service.commands.bodies import Note, Said, Text
from gaugepost.service.commands.signing import signed
from gaugepost.service.destinations import at_work, every, in_full
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.query import MAX_LIMIT, only
from gaugepost.service.views import Document
from gaugepost.shell.delivery import Delivery

_SEQUENCE = re.compile(r"[1-9][0-9]{0,15}", re.ASCII)

Records = Annotated[list[Text], Field(min_length=1, max_length=1000)]


class RetrySaid(Said):
    """Nothing: try at once. Records by id or sequence, or all: hand over again what was refused."""

    records: Records | None = None
    all: bool = False
    operator: Text | None = None
    reason: Note | None = None


class SkipSaid(Said):
    """Records by id or sequence, or the batch under way by its key; why, and who says so."""

    records: Records | None = None
    batch: Text | None = None
    reason: Note
    operator: Text | None = Field(None, description="who; needed where nobody is signed in")


class Shown(BaseModel):
    """How much of a destination's records and commands is shown."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    limit: int = Field(100, ge=1, le=MAX_LIMIT, description="most records and commands, the latest")


def routes(running: Running) -> APIRouter:
    """Return the routes to deliveries."""
    router = APIRouter()

    @router.get("/destinations", dependencies=[Depends(only())])
    async def destinations() -> JSONResponse:
        """Every destination, removed ones too: its state, how far it got, what it lags behind, what was wrong last."""
        return JSONResponse({"destinations": await asyncio.to_thread(every, running)})

    @router.get("/destinations/{name}", dependencies=[Depends(only("limit"))])
    async def destination(name: str, shown: Annotated[Shown, Query()]) -> JSONResponse:
        """One destination with its set-aside records and their answers, what was commanded, and its history."""
        found = await asyncio.to_thread(in_full, running, name, shown.limit)
        if found is None:
            raise await _unknown(running, name)
        return JSONResponse(found)

    @router.post("/destinations/{name}/retry", dependencies=[Depends(only())])
    async def retry(name: str, request: Request, said: Annotated[RetrySaid, Body()]) -> JSONResponse:
        """Try at once, begin a broken one again, or hand refused records over again, out of order."""
        said = signed(request, said)
        delivery = await _delivery(running, name)
        operator = said.operator or running.recorder.state.operator
        by = By(running.now().utc_ms, operator, said.reason)
        if said.records is None and not said.all:
            await delivery.retry(by)
            return _told(running, name, "tried")
        if said.records is not None and said.all:
            raise ValueRefused("records and all are two ways to say which", hint="send one of them")
        if operator is None:
            raise ValueRefused("nobody is said to hand them over again", hint="send operator")
        sequences = None if said.records is None else _of_this_journal(running, said.records)
        count = await delivery.hand_over_again(sequences, by)
        return _told(running, name, f"{_records(count)} handed over again, out of order")

    @router.post("/destinations/{name}/skip", dependencies=[Depends(only())])
    async def skip(name: str, request: Request, said: Annotated[SkipSaid, Body()]) -> JSONResponse:
        """Skip records that were refused, or that block the way; they stay in the journal and on the list."""
        said = signed(request, said)
        if said.operator is None:
            raise ValueRefused("operator is missing", hint="send operator")
        delivery = await _delivery(running, name)
        by = By(running.now().utc_ms, said.operator, said.reason)
        if (said.records is None) == (said.batch is None):
            raise ValueRefused("which records is not said, or twice", hint="send either records or batch")
        if said.batch is not None:
            count = await delivery.skip_batch(said.batch, by)
        else:
            epoch, sequences = _of_one_journal(running, said.records or [])
            count = await delivery.skip(epoch, sequences, by)
        return _told(running, name, f"{_records(count)} skipped")

    return router


async def _delivery(running: Running, name: str) -> Delivery:
    """Return the delivery that can be commanded. Raises `CommandRefused` or `NotHere` where there is none."""
    for delivery in running.deliveries:
        if delivery.name == name:
            return delivery
    plan = running.station.destinations.get(name)
    if plan is not None:
        raise CommandRefused(
            f"{name} is disabled: {plan.problem}", hint="put its plug-in right, and start the service again"
        )
    if name in await asyncio.to_thread(running.cursors.history):
        raise CommandRefused(
            f"{name} was removed from the station file",
            hint="name it there again: it goes on where it stopped",
        )
    raise await _unknown(running, name)


async def _unknown(running: Running, name: str) -> Exception:
    known = await asyncio.to_thread(every, running)
    return unknown("destination", name, [str(one["destination"]) for one in known])


def _told(running: Running, name: str, text: str) -> JSONResponse:
    (status,) = (one for one in at_work(running) if one["destination"] == name)
    said: Document = {"accepted": True, "text": text, "destination": status}
    return JSONResponse(said)


def _records(count: int) -> str:
    return f"{count} record{'' if count == 1 else 's'}"


def _of_this_journal(running: Running, texts: list[str]) -> list[int]:
    epoch, sequences = _of_one_journal(running, texts)
    if epoch != running.reader.epoch:
        raise CommandRefused(
            f"records of {epoch} are in another journal than the one here",
            hint="`gaugepost export` gives them by hand from the journal they are in",
        )
    return sequences


def _of_one_journal(running: Running, texts: list[str]) -> tuple[str, list[int]]:
    """Return the epoch and the sequences that ids or sequences name."""
    here = running.reader.epoch
    parsed = [(here, int(text)) if _SEQUENCE.fullmatch(text) else parse_record_id(text) for text in texts]
    epochs = {epoch for epoch, _ in parsed}
    if len(epochs) > 1:
        raise ValueRefused("the records are of two journals", hint="send those of one at a time")
    return epochs.pop(), [sequence for _, sequence in parsed]

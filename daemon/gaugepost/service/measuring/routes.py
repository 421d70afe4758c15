"""What whoever measures is shown, each in one answer as things stand now."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from gaugepost.core.publication import publish
from gaugepost.service.facade import Running
from gaugepost.service.measuring import inspection_record, run_chart
from gaugepost.service.measuring.at_hand import AtHand
from gaugepost.service.measuring.shown import with_shown
from gaugepost.service.problems import unknown
from gaugepost.service.query import Name, only
from gaugepost.service.routes.records import entry_of


class ChartAsked(BaseModel):
    """Which measurements a run chart is asked for."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    gauge: Name | None = Field(None, description="only with this gauge")
    lot: Name | None = Field(None, description="only of this lot")
    last: int = Field(200, ge=1, le=run_chart.MOST, description="how many, the last ones")


class RecordAsked(BaseModel):
    """Of which lot, or of which piece of it, the record is asked for; without a lot, of what belongs to none."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    lot: Name | None = Field(None, description="the lot; left out: pieces without one")
    piece: Name | None = Field(None, description="only this piece")


def routes(running: Running) -> APIRouter:
    """Return the routes; they look at the committed state and the journal."""
    router = APIRouter(default_response_class=JSONResponse)
    at_hand, turn = AtHand(running), asyncio.Lock()

    @router.get("/measuring", dependencies=[Depends(only("gauge"))])
    async def measuring(gauge: Name | None = None) -> JSONResponse:
        """What is measured now: what comes next, the last measurement, the piece in hand; of the gauge used last."""
        known = running.recorder.state.set_up.gauges
        if gauge is not None and gauge not in known:
            raise unknown("gauge", gauge, known)
        async with turn:
            return JSONResponse(await asyncio.to_thread(at_hand.now, gauge))

    @router.get("/measuring/lot", dependencies=[Depends(only())])
    async def lot() -> JSONResponse:
        """The lot in hand: every piece with what its characteristics come to."""
        async with turn:
            return JSONResponse(await asyncio.to_thread(at_hand.lot))

    @router.get("/measuring/record", dependencies=[Depends(only(*RecordAsked.model_fields))])
    async def record(asked: Annotated[RecordAsked, Query()]) -> JSONResponse:
        """Everything that was measured of a lot, or of one piece, as it is printed and filed; with its signatures."""
        return JSONResponse(
            await asyncio.to_thread(inspection_record.document, running, asked.lot, asked.piece)
        )

    @router.get("/records/{id}/shown", dependencies=[Depends(only())])
    async def shown(id: str) -> JSONResponse:  # noqa: A002 - the vocabulary's word
        """One record with its numbers as a person is shown them, what replaced it, and what it was made of."""
        entry = await entry_of(running, id)
        by = running.recorder.state.replaced.get(entry.sequence)
        document = with_shown(publish(entry, running.reader.epoch, running.station.name))
        return JSONResponse({**document, "replaced_by": None if by is None else running.id_of(by)})

    @router.get("/characteristics/{name}/run-chart", dependencies=[Depends(only(*ChartAsked.model_fields))])
    async def chart(name: str, asked: Annotated[ChartAsked, Query()]) -> JSONResponse:
        """Its last measurements in order with limits, acceptance limits, masterings and checks between, and voids."""
        known = running.recorder.state.set_up.characteristics
        if name not in known:
            raise unknown("characteristic", name, known)
        return JSONResponse(
            await asyncio.to_thread(run_chart.document, running, name, asked.gauge, asked.lot, asked.last)
        )

    return router

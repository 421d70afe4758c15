"""Once a master, a gauge or a thermometer turns out bad: what depended on it, judged again or marked as suspect."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Query, Request
from fastapi.responses import JSONResponse

from gaugepost.core.bench.tracing.asked import ROOMS
from gaugepost.core.bench.tracing.dependants import What
from gaugepost.service import recall
from gaugepost.service.commands import acts, bodies
from gaugepost.service.commands.signing import signed
from gaugepost.service.facade import Running
from gaugepost.service.query import TraceAsked, only

_ASKED = Depends(only(*TraceAsked.model_fields))
_NOTHING = Depends(only())


def routes(running: Running) -> APIRouter:
    """Return the routes of tracing, for whatever can be traced."""
    router = APIRouter(default_response_class=JSONResponse)
    for what, room in ROOMS.items():
        _add(router, running, room, what)

    @router.get("/suspects", dependencies=[_NOTHING])
    async def suspects() -> JSONResponse:
        """What was ever marked as suspect, the latest first: open, or by whom it was lifted and why."""
        return JSONResponse({"suspects": await recall.suspects(running)})

    @router.post("/records/{id}/lifting", dependencies=[_NOTHING])
    async def lift(id: str, request: Request, said: Annotated[bodies.SuspectSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Say that what a suspect record marked counts after all; both records stay."""
        return JSONResponse(await acts.lift(running, id, signed(request, said)))

    return router


def _add(router: APIRouter, running: Running, room: str, what: What) -> None:
    @router.get(f"/{room}/{{name}}/trace", dependencies=[_ASKED], operation_id=f"trace_{what.value}")
    async def traced(name: str, asked: Annotated[TraceAsked, Query()]) -> JSONResponse:
        """What depended on it, and what its value and decision become once something is corrected."""
        return JSONResponse(await recall.traced(running, what, name, asked))

    @router.post(
        f"/{room}/{{name}}/rejudgement", dependencies=[_NOTHING], operation_id=f"rejudge_{what.value}"
    )
    async def rejudge(
        name: str, request: Request, said: Annotated[bodies.RecallSaid, Body()]
    ) -> JSONResponse:
        """Record what comes out otherwise, a record beside each measurement."""
        return JSONResponse(await recall.rejudge(running, what, name, signed(request, said)))

    @router.post(f"/{room}/{{name}}/suspect", dependencies=[_NOTHING], operation_id=f"suspect_{what.value}")
    async def suspect(
        name: str, request: Request, said: Annotated[bodies.RecallSaid, Body()]
    ) -> JSONResponse:
        """Mark as suspect what depended on it; for a gauge without a period, since its last good check."""
        said = signed(request, said)
        plain = bodies.SuspectSaid(reason=said.reason, operator=said.operator)
        if what is What.GAUGE and said.model_fields_set <= {"reason", "operator"}:
            return JSONResponse(await acts.suspect(running, name, plain))
        return JSONResponse(await recall.suspect(running, what, name, said))

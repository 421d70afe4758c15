"""What people command at the bench. Each answer waits until its records are on disk."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import JSONResponse

from gaugepost.service.commands import acts, bodies
from gaugepost.service.commands.signing import signed
from gaugepost.service.facade import Running
from gaugepost.service.query import only


def routes(running: Running) -> APIRouter:
    """Return the routes that change something."""
    router = APIRouter(dependencies=[Depends(only())])

    @router.post("/gauges/{name}/mastering")
    async def begin_mastering(
        name: str, request: Request, said: Annotated[bodies.MasteringSaid, Body()]
    ) -> JSONResponse:
        """Begin to master a gauge: its next readings are of the masters."""
        return JSONResponse(await acts.master(running, name, signed(request, said)))

    @router.post("/gauges/{name}/check")
    async def begin_check(
        name: str, request: Request, said: Annotated[bodies.CheckSaid, Body()]
    ) -> JSONResponse:
        """Begin to check a gauge: its next readings are of the master."""
        return JSONResponse(await acts.check(running, name, signed(request, said)))

    @router.delete("/gauges/{name}/procedure")
    async def abandon(
        name: str, request: Request, said: Annotated[bodies.AbandonSaid | None, Body()] = None
    ) -> JSONResponse:
        """Abandon the mastering or check that is going on."""
        return JSONResponse(await acts.abandon(running, name, signed(request, said or bodies.AbandonSaid())))

    @router.post("/gauges/{name}/procedure/finish")
    async def finish(
        name: str, request: Request, said: Annotated[bodies.FinishSaid | None, Body()] = None
    ) -> JSONResponse:
        """Finish the mastering or check that is going on with the readings taken so far."""
        return JSONResponse(await acts.finish(running, name, signed(request, said or bodies.FinishSaid())))

    @router.post("/gauges/{name}/attempts")
    async def another(
        name: str, request: Request, said: Annotated[bodies.AttemptSaid, Body()]
    ) -> JSONResponse:
        """Begin another attempt at the piece in hand: earlier ones are kept."""
        return JSONResponse(await acts.again(running, name, signed(request, said)))

    @router.post("/gauges/{name}/request")
    async def request(name: str) -> JSONResponse:
        """Ask a gauge for its value; it comes as a reading like any other."""
        return JSONResponse(await acts.request(running, name, bodies.RequestSaid()))

    @router.post("/gauges/{name}/reports")
    async def report(name: str, request: Request, said: Annotated[bodies.ReportSaid, Body()]) -> JSONResponse:
        """Report what was done to a gauge: it is to be checked before its next verdict."""
        return JSONResponse(await acts.report(running, name, signed(request, said)))

    @router.put("/tags")
    async def tags(request: Request, said: Annotated[bodies.TagsSaid, Body()]) -> JSONResponse:
        """Say what is in hand."""
        return JSONResponse(await acts.set_tags(running, signed(request, said)))

    return router

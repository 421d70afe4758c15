"""What people say of records afterwards: void and amend. Each answer waits until its records are on disk."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import JSONResponse

from gaugepost.service.commands import acts, bodies
from gaugepost.service.commands.signing import signed
from gaugepost.service.facade import Running
from gaugepost.service.query import only


def routes(running: Running) -> APIRouter:
    """Return the routes that say something of a record."""
    router = APIRouter(dependencies=[Depends(only())])

    @router.post("/records/{id}/void")
    async def void(id: str, request: Request, said: Annotated[bodies.VoidSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Say that a measurement does not count; the record stays, and results made of it are void too."""
        return JSONResponse(await acts.void(running, id, signed(request, said)))

    @router.post("/records/{id}/amendment")
    async def amend(id: str, request: Request, said: Annotated[bodies.AmendSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Put right which lot, piece or place a reading belongs to; value and record stay."""
        return JSONResponse(await acts.amend(running, id, signed(request, said)))

    return router

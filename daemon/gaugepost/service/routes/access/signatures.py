"""Signing records: a person who is signed in says who they are once more, and what they sign as what."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Query, Request
from fastapi.responses import JSONResponse

from gaugepost.service import signatures
from gaugepost.service.commands.bodies import SignSaid
from gaugepost.service.commands.signing import signed
from gaugepost.service.door.signing_in import SigningIn
from gaugepost.service.facade import Running
from gaugepost.service.query import SignaturesAsked, only


def routes(running: Running, signing_in: SigningIn) -> APIRouter:
    """Return the routes of signatures."""
    router = APIRouter()

    @router.post("/signatures", dependencies=[Depends(only())])
    async def sign(request: Request, said: Annotated[SignSaid, Body()]) -> JSONResponse:
        """Sign records; the answer waits until the signature is on disk."""
        asker, said = request.state.asker, signed(request, said)
        address = request.client.host if request.client else ""
        person = await signatures.proven(signing_in, asker, said, address)
        return JSONResponse(await signatures.sign(running, person, said))

    @router.get("/signatures", dependencies=[Depends(only(*SignaturesAsked.model_fields))])
    async def listed(asked: Annotated[SignaturesAsked, Query()]) -> JSONResponse:
        """What was signed, the latest first, each held against what it signs and what came after."""
        return JSONResponse({"signatures": await signatures.listed(running, asked)})

    return router

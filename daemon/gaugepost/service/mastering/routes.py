"""What whoever masters or checks is shown, as things stand now."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse

from gaugepost.service.facade import Running
from gaugepost.service.mastering.at_masters import document
from gaugepost.service.problems import unknown
from gaugepost.service.query import only


def routes(running: Running) -> APIRouter:
    """Return the route; it looks at the committed state and the journal."""
    router = APIRouter(default_response_class=JSONResponse)

    @router.get("/gauges/{name}/mastering", dependencies=[Depends(only())])
    async def mastering(name: str) -> JSONResponse:
        """A gauge at its masters: which fit, soak, readings and their spread, what came of it, until when it counts."""
        known = running.recorder.state.gauges
        if name not in known:
            raise unknown("gauge", name, known)
        return JSONResponse(await asyncio.to_thread(document, running, name))

    return router

"""The uncertainty budget of a characteristic, as things stand at the running station."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse

from gaugepost.core.bench.budgeting import document, reading_budget
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.query import only


def routes(running: Running) -> APIRouter:
    """Return the route; it looks at the committed state and nothing else."""
    router = APIRouter(default_response_class=JSONResponse)

    @router.get("/characteristics/{name}/budget", dependencies=[Depends(only("gauge"))])
    async def budget(name: str, gauge: str | None = None) -> JSONResponse:
        """Budget of one reading (JCGM 100) with the mastering in force; why there is none, where there is none."""
        state = running.recorder.state
        known = state.set_up.characteristics
        if name not in known:
            raise unknown("characteristic", name, known)
        entry = known[name]
        if gauge is not None and gauge not in entry.gauges:
            raise unknown("gauge", gauge, entry.gauges)
        named = gauge or entry.gauges[0]
        made = reading_budget(state, named, entry, running.now())
        return JSONResponse({"characteristic": name, "gauge": named, **document(made)})

    return router

"""The uncertainty budget of a characteristic, as things stand at the running station."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse

from gaugepost.core.bench.budgeting import document, of_result, reading_budget
from gaugepost.core.bench.combining import judged_of
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.query import only


def routes(running: Running) -> APIRouter:
    """Return the route; it looks at the committed state and nothing else."""
    router = APIRouter(default_response_class=JSONResponse)

    @router.get("/characteristics/{name}/budget", dependencies=[Depends(only("gauge"))])
    async def budget(name: str, gauge: str | None = None) -> JSONResponse:
        """Budget of what is judged (JCGM 100), a reading or a result of several, with the mastering in force.

        It says why there is none, where there is none.
        """
        state = running.recorder.state
        known = state.set_up.characteristics
        if name not in known:
            raise unknown("characteristic", name, known)
        entry = known[name]
        if gauge is not None and gauge not in entry.gauges:
            raise unknown("gauge", gauge, entry.gauges)
        named = gauge or entry.gauges[0]
        made = of_result(reading_budget(state, named, entry, running.now()), entry)
        return JSONResponse(
            {"characteristic": name, "gauge": named, "of": judged_of(entry), **document(made)}
        )

    return router

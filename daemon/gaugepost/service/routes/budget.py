"""Uncertainty budgets: of a characteristic as things stand at the running station, of a measurement as it was then."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse

from gaugepost.core.bench.budgeting import document, of_result, reading_budget
from gaugepost.core.bench.combining import judged_of
from gaugepost.core.bench.tracing.deriving import budget_then
from gaugepost.edge.journal.lookup import Lookup
from gaugepost.service.facade import Running
from gaugepost.service.problems import NotHere, unknown
from gaugepost.service.query import only
from gaugepost.service.routes.records import entry_of


def routes(running: Running) -> APIRouter:
    """Return the routes; they look at the committed state and the journal."""
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

    @router.get("/records/{id}/budget", dependencies=[Depends(only())])
    async def then(id: str) -> JSONResponse:  # noqa: A002 - the vocabulary's word
        """Budget of a reading or result (JCGM 100) as it was when it was measured, or under what was corrected since.

        It says why there is none, where there is none.
        """
        entry = await entry_of(running, id)
        made = await asyncio.to_thread(budget_then, Lookup(running.reader), entry)
        if made is None:
            raise NotHere(
                f"record {entry.sequence} is no reading or result of a characteristic",
                hint="GET /v1/characteristics/NAME/budget is the one of a characteristic, as things stand",
            )
        about = {"record": running.id_of(entry.sequence), "gauge": entry.record.gauge}
        return JSONResponse({**about, "characteristic": entry.record.characteristic, **document(made)})

    return router

"""How often a decision rule goes wrong on the pieces that a process makes."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import JSONResponse

from gaugepost.core.conformity.asked import risk_answer
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.query import RiskAsked, only


def routes(running: Running) -> APIRouter:
    """Return the route that answers questions about risk; it looks at the set-up in force and nothing else."""
    router = APIRouter(default_response_class=JSONResponse)

    @router.get("/characteristics/{name}/risk", dependencies=[Depends(only(*RiskAsked.model_fields))])
    async def risk(name: str, asked: Annotated[RiskAsked, Query()]) -> JSONResponse:
        """Consumer's and producer's risk for a process (JCGM 106:2012, 9), by its own rule or another."""
        known = running.recorder.state.set_up.characteristics
        if name not in known:
            raise unknown("characteristic", name, known)
        entry = known[name]
        answer = await asyncio.to_thread(
            risk_answer, (entry.lower_mm, entry.upper_mm), entry.unit, entry.rule, asked.model_dump()
        )
        return JSONResponse({"characteristic": name, **answer})

    return router

"""How gauges' offsets and deviations went over time."""

from __future__ import annotations

import asyncio
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from fastapi.responses import JSONResponse

from gaugepost.core.drift import What, document, grouped
from gaugepost.core.quantity import Unit
from gaugepost.edge.journal.drift import read_points
from gaugepost.service.facade import Running
from gaugepost.service.mastering.lengths import unit_of_gauge
from gaugepost.service.mastering.over_time import with_shown
from gaugepost.service.query import DriftAsked, only, utc_ms
from gaugepost.service.views import Document


def routes(running: Running) -> APIRouter:
    """Return the route; it reads the journal and nothing else."""
    router = APIRouter(default_response_class=JSONResponse)

    @router.get("/drift", dependencies=[Depends(only(*DriftAsked.model_fields, many=("by",)))])
    async def drift(asked: Annotated[DriftAsked, Query()]) -> JSONResponse:
        """Offsets at masterings and deviations at checks: mean, standard deviation, trend per day, the last values.

        `shown` holds the same figures as text.
        """
        return JSONResponse({"series": await asyncio.to_thread(_series, running, asked)})

    return router


def _series(running: Running, asked: DriftAsked) -> list[Document]:
    """Read what is asked for. Reads the disk: for a thread of its own."""
    points = read_points(
        running.reader,
        [asked.what] if asked.what else list(What),
        gauge=asked.gauge,
        contact_set=asked.contact_set,
        master=asked.master,
        operator=asked.operator,
        since_ms=utc_ms(asked.since) if asked.since else None,
        until_ms=utc_ms(asked.until) if asked.until else None,
    )
    series = grouped(points, tuple(dict.fromkeys(asked.by)))
    state = running.recorder.state
    units = {name: unit_of_gauge(state, name) for name in state.gauges}
    return [
        with_shown(document(each, asked.points), units.get(each.points[0].gauge, Unit.MM)) for each in series
    ]

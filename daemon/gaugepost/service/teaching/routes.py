"""Teaching: a lesson on a link, for a gauge that nobody has described."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Query
from fastapi.responses import JSONResponse

from gaugepost.service.facade import Running
from gaugepost.service.query import only
from gaugepost.service.teaching import acts, bodies

_ASKED = Depends(only(*bodies.LessonAsked.model_fields))
_NOTHING = Depends(only())


def routes(running: Running) -> APIRouter:
    """Return the routes of lessons."""
    router = APIRouter(prefix="/lessons", default_response_class=JSONResponse)

    @router.post("", dependencies=[_NOTHING], status_code=201)
    async def begin_lesson(said: Annotated[bodies.LessonSaid, Body()]) -> JSONResponse:
        """Begin a lesson; one of the station's own links is lent for it, and its gauges are away."""
        lesson = await acts.begin(running, said)
        return JSONResponse(lesson, 201, {"Location": f"/v1/lessons/{lesson['lesson']}"})

    @router.get("", dependencies=[_NOTHING])
    async def lessons() -> JSONResponse:
        """The lessons that go on."""
        return JSONResponse(acts.listed(running))

    @router.get("/{id}", dependencies=[_ASKED])
    async def lesson(id: str, asked: Annotated[bodies.LessonAsked, Query()]) -> JSONResponse:  # noqa: A002
        """How it stands and what came beyond `after`; with `wait`, as soon as there is news. Go on after `next`."""
        return JSONResponse(await acts.look(running, id, asked))

    @router.delete("/{id}", dependencies=[_NOTHING])
    async def end_lesson(id: str) -> JSONResponse:  # noqa: A002
        """End it; a link that was lent is the station's again."""
        return JSONResponse(await acts.end(running, id))

    @router.post("/{id}/measurements", dependencies=[_NOTHING])
    async def measured(id: str, said: Annotated[bodies.ShowsSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Take what the display shows for what came last; a gauge with a request is asked for it now."""
        return JSONResponse(await acts.typed(running, id, said.shows))

    @router.delete("/{id}/measurements/{number}", dependencies=[_NOTHING])
    async def take_back(id: str, number: int) -> JSONResponse:  # noqa: A002
        """Take a measurement back that was typed wrong; what came for it stays, as other traffic."""
        return JSONResponse(acts.drop(running, id, number))

    @router.post("/{id}/skip", dependencies=[_NOTHING])
    async def skip(id: str) -> JSONResponse:  # noqa: A002
        """What came since the last measurement belongs to none."""
        return JSONResponse(acts.skip(running, id))

    @router.post("/{id}/silent", dependencies=[_NOTHING])
    async def silent(id: str) -> JSONResponse:  # noqa: A002
        """While its line is found out: something was sent, and nothing came."""
        return JSONResponse(acts.silent(running, id))

    @router.post("/{id}/never", dependencies=[_NOTHING])
    async def never(id: str, said: Annotated[bodies.NeverSaid, Body()]) -> JSONResponse:  # noqa: A002
        """The gauge can't show this."""
        return JSONResponse(acts.never(running, id, said.never))

    @router.post("/{id}/request", dependencies=[_NOTHING])
    async def ask(id: str) -> JSONResponse:  # noqa: A002
        """Ask the gauge, to see what it answers; it is no measurement."""
        return JSONResponse(await acts.ask(running, id))

    @router.get("/{id}/outcome", dependencies=[_NOTHING])
    async def outcome(id: str) -> JSONResponse:  # noqa: A002
        """What still fits, the evidence, what to measure next; once decided, description and capture as TOML."""
        return JSONResponse(await acts.outcome(running, id))

    return router

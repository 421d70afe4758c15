"""Whoever is signed in, for an administrator: listed, and sent away."""

from __future__ import annotations

import structlog
from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse

from gaugepost.core.publication import rfc3339
from gaugepost.service.door.sessions import Session, Sessions
from gaugepost.service.facade import Running
from gaugepost.service.problems import NotHere
from gaugepost.service.query import only
from gaugepost.service.routes.access.session import asker_of, out_of_hand
from gaugepost.service.views import Document

log = structlog.get_logger(__name__)


def routes(running: Running, sessions: Sessions) -> APIRouter:
    """Return the routes of everybody's sessions; the guard lets administrators through to them, and nobody else."""
    router = APIRouter(dependencies=[Depends(only())])

    @router.get("/sessions")
    async def listed() -> JSONResponse:
        """Whoever is signed in, the latest last."""
        return JSONResponse({"sessions": [_told(running, each) for each in sessions.listed()]})

    @router.delete("/sessions/{number}")
    async def end(number: str, request: Request) -> JSONResponse:
        """End somebody's session."""
        ended = sessions.end(number)
        if ended is None:
            raise NotHere("no session has this number", hint="GET /v1/sessions lists them")
        await out_of_hand(running, sessions, ended)
        log.info("session ended", person=ended.person, by=asker_of(request).name)
        return JSONResponse({"accepted": True, "text": f"a session of {ended.person} was ended"})

    return router


def _told(running: Running, session: Session) -> Document:
    idle_ms = running.now().clock_ms - session.used.clock_ms
    return {
        "session": session.number,
        "person": session.person,
        "address": session.address,
        "since": rfc3339(session.opened.utc_ms),
        "idle_s": idle_ms // 1000,
    }

"""What a lesson's gauge is bound with: the descriptions that read what came, as a change of the station file."""

from __future__ import annotations

import asyncio
import tomllib
from collections.abc import Mapping
from itertools import chain
from typing import Any

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse

from gaugepost.contract.teaching import all_chunks
from gaugepost.edge import plugins
from gaugepost.service.facade import Running
from gaugepost.service.query import only
from gaugepost.service.teaching.acts import lesson_of
from gaugepost.service.views import Document
from gaugepost.shell.devices.fitting import Description, Fit, at_hand, fits, taught
from gaugepost.shell.lessons.given import Given
from gaugepost.shell.lessons.lessons import OpenLesson
from gaugepost.teach.telling import characters

_NOTHING = Depends(only())
MOST = 20
"""Descriptions that are offered; nobody looks through more."""


def routes(running: Running) -> APIRouter:
    """Return the route."""
    router = APIRouter(prefix="/lessons", default_response_class=JSONResponse)

    @router.get("/{id}/fitting", dependencies=[_NOTHING])
    async def fitting(id: str) -> JSONResponse:  # noqa: A002
        """Descriptions at hand that read all that came, what each reads, and the link's table in the station file."""
        return JSONResponse(await _fitting(running, id))

    return router


async def _fitting(running: Running, id: str) -> Document:  # noqa: A002 - what it is called
    """Return the descriptions that read all that came over a lesson's link and may be the gauge's, the likeliest first.

    `link` of each is what makes the link so by an edit of the station file: for the station's own link a merge patch of
    its table, for another one the whole table.
    """
    lesson = lesson_of(running, id)
    heard, known = lesson.teaching.lesson, lesson.searching.document
    evidence = heard.evidence()
    # What was only asked for, to see what comes, belongs to no measurement.
    asked = all_chunks(evidence) if lesson.teaching.request else None
    chunks = tuple(asked or chain(*(sample.chunks for sample in heard.samples), heard.heard))

    def found() -> list[Fit]:
        return fits([*taught(known), *at_hand(running.station, evidence.tells)], chunks)

    fit = await asyncio.to_thread(found) if chunks else []
    own = await _own(running, lesson)
    lesson = lesson_of(running, id)
    return {
        "lesson": lesson.id,
        "link": lesson.wish.link,
        "bytes": sum(len(chunk.data) for chunk in chunks),
        "fits": [_document(one, lesson, own) for one in fit[:MOST]],
    }


async def _own(running: Running, lesson: OpenLesson) -> Mapping[str, Any]:
    """Return the table of the station's own link as the station file has it; empty for another link."""
    if lesson.wish.link is None:
        return {}
    said = tomllib.loads(await running.reload.text())
    table: Mapping[str, Any] = said.get("links", {}).get(lesson.wish.link, {})
    return table


def _document(fit: Fit, lesson: OpenLesson, own: Mapping[str, Any]) -> Document:
    one = fit.description
    return {
        "origin": one.origin,
        "name": one.name or None,
        "quantity": fit.quantity,
        "channel": fit.channel or None,
        "resolution": fit.resolution or None,
        "check_limit": fit.check_limit or None,
        "reads": [
            {"hex": read.frame.hex(" ").upper(), "text": characters(read.frame), "says": read.says}
            for read in fit.reads
        ],
        "link": {
            **_link(lesson),
            "decoder": instead(own.get("decoder", {}), _table(one, lesson.teaching.request)),
        },
    }


def _link(lesson: OpenLesson) -> Mapping[str, Any]:
    """Return what is said of the link itself; empty for the station's own, which stays as it is."""
    given = lesson.wish.given
    if given is None:
        return {}
    with_line: Given = given if lesson.line is None else given.with_line(lesson.line)
    return {"kind": with_line.kind, **with_line.whole()}


def _table(one: Description, request: str) -> Mapping[str, Any]:
    """Return the decoder's table; what is usual says nothing of how a gauge is asked."""
    asks = one.origin == "usual" and request
    if asks and "request" in plugins.find(plugins.DECODERS, one.kind).Settings.model_fields:
        return {**one.table, "request": request}
    return one.table


def instead(old: Any, new: Mapping[str, Any]) -> dict[str, Any]:
    """Return the merge patch that makes `new` of `old` (RFC 7396): what only `old` has is null."""
    if not isinstance(old, Mapping):
        return dict(new)
    gone = {key: None for key in old if key not in new}
    return gone | {
        key: instead(old.get(key), value) if isinstance(value, Mapping) else value
        for key, value in new.items()
    }

"""The station file: what it says, edits of it, and having it read again while the station runs."""

from __future__ import annotations

import asyncio
import json
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import JSONResponse
from pydantic import Field

from gaugepost.edge.stationfile import StationFileError
from gaugepost.edge.stationfile.source import parse
from gaugepost.service.commands.bodies import Note, Said, Text
from gaugepost.service.commands.signing import signed
from gaugepost.service.facade import Running
from gaugepost.service.problems import finding
from gaugepost.service.query import only
from gaugepost.service.views import Document
from gaugepost.shell.parts.reloading import Reloaded, digest_of


class ReloadSaid(Said):
    """Why it is read again."""

    reason: Note | None = None
    operator: Text | None = None


class EditSaid(Said):
    """What is to be otherwise, as a merge patch (RFC 7396), in the text whose SHA-256 is given."""

    change: dict[str, Any] = Field(description="tables and keys of the station file; null removes one")
    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    look: bool = False
    """Only say what would change."""
    reason: Note | None = None
    operator: Text | None = None


def routes(running: Running) -> APIRouter:
    """Return the routes of the station file."""
    router = APIRouter(prefix="/station", dependencies=[Depends(only())])

    @router.get("/file")
    async def file() -> JSONResponse:
        """What the station file says, as text and tables, the SHA-256 an edit names, and the folder of its paths."""
        text = await running.reload.text()
        said = {"file": str(running.station.path), "text": text, "sha256": digest_of(text)}
        folder = {"data": str(running.station.data)}
        return JSONResponse({**said, **folder, "tables": await asyncio.to_thread(_tables, text)})

    @router.post("/reload")
    async def reload(request: Request, said: Annotated[ReloadSaid | None, Body()] = None) -> JSONResponse:
        """Read the station file again and take all of it, or say why not and leave everything as it is."""
        said = signed(request, said or ReloadSaid())
        return JSONResponse(_came(running, await running.reload(said.operator, said.reason or "")))

    @router.patch("/file")
    async def edit(request: Request, said: Annotated[EditSaid, Body()]) -> JSONResponse:
        """Edit the station file and take it, or with `look` say what that would change; its comments stay."""
        said = signed(request, said)
        came = await running.reload.edit(
            said.change, said.sha256, said.operator, said.reason or "", look=said.look
        )
        return JSONResponse(_came(running, came))

    return router


def _tables(text: str) -> Document | None:
    """Return the tables of `text`, days and times as text; None where it is no TOML."""
    try:
        found = parse(text.encode(), "").raw
    except StationFileError:
        return None
    tables: Document = json.loads(json.dumps(found, default=str))
    return tables


def _came(running: Running, came: Reloaded) -> Document:
    return {
        "accepted": True,
        "text": "; ".join(came.changes) or "nothing was changed",
        "changes": list(came.changes),
        "warnings": [finding(each) for each in came.warnings],
        "records": [running.id_of(sequence) for sequence in came.sequences],
    }

"""The routes of setting up beside the file itself."""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal

from fastapi import APIRouter, Body, Depends, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from gaugepost.edge.drawing_list import MOST_CHARACTERS, Asked
from gaugepost.edge.stationfile.schema import section_schema
from gaugepost.service.commands.bodies import Said, Text
from gaugepost.service.facade import Running
from gaugepost.service.query import Name, only
from gaugepost.service.setting_up.drawing_list import list_answer
from gaugepost.service.setting_up.limits import limits_answer
from gaugepost.shell.parts.reloading import digest_of

Section = Literal["station", "gauges", "masters", "characteristics", "destinations"]


class LimitsAsked(BaseModel):
    """Keys of a characteristic that say its limits, as the station file has them."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    feature: Name | None = Field(None, description="bore, where it is missing")
    limits: Name | None = Field(None, description='as the drawing writes them: "38 H7"')
    lower: Name | None = None
    upper: Name | None = None
    nominal: Name | None = None
    upper_deviation: Name | None = None
    lower_deviation: Name | None = None
    tolerance_class: Name | None = None
    unit: Name | None = Field(None, description="the drawing's unit, mm or in")
    step: Name | None = None


class SchemaAsked(BaseModel):
    """Which part of the file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    section: Section


class ListSaid(Said):
    """A drawing's list as a spreadsheet writes it, and what holds for rows that don't say it."""

    text: str = Field(
        max_length=MOST_CHARACTERS, description="headings and rows, cut by commas, semicolons or tabs"
    )
    unit: Literal["mm", "in"] | None = Field(None, description="of numbers without one")
    gauges: list[Text] = Field([], max_length=100, description="of rows that name none")
    decimal_comma: bool = Field(False, description="whether numbers are written with a comma")


def routes(running: Running) -> APIRouter:
    """Return the routes; they look, and change nothing."""
    router = APIRouter(prefix="/station", default_response_class=JSONResponse)

    @router.get("/limits", dependencies=[Depends(only(*LimitsAsked.model_fields))])
    async def limits(asked: Annotated[LimitsAsked, Query()]) -> JSONResponse:
        """What limits come to that are being typed, or what is wrong with them."""
        return JSONResponse(limits_answer(asked.model_dump(exclude_none=True)))

    @router.get("/schema", dependencies=[Depends(only("section"))])
    async def schema(asked: Annotated[SchemaAsked, Query()]) -> JSONResponse:
        """What a table of a section may hold; of destinations, one arm for each kind that is installed."""
        found = await asyncio.to_thread(section_schema, asked.section)
        return JSONResponse({"section": asked.section, "schema": found})

    @router.post("/list")
    async def drawing_list(said: Annotated[ListSaid, Body()]) -> JSONResponse:
        """Look a drawing's list over: each row with all that is wrong, and the edit that would take the good ones."""
        text = await running.reload.text()
        asked = Asked(unit=said.unit, gauges=tuple(said.gauges), decimal_comma=said.decimal_comma)
        answer = await asyncio.to_thread(list_answer, said.text, text, asked, running.reload.findings)
        return JSONResponse({**answer, "sha256": digest_of(text)})

    return router

"""The routes of setting up beside the file itself."""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from gaugepost.edge.stationfile.schema import section_schema
from gaugepost.service.query import Name, only
from gaugepost.service.setting_up.limits import limits_answer

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


def routes() -> APIRouter:
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

    return router

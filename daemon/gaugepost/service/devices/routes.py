"""What is plugged in and heard by radio: the device, the link that has it, and the settings that find it again."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict

from fastapi import APIRouter, Depends
from fastapi.responses import JSONResponse

from gaugepost.core.errors import GaugepostError
from gaugepost.service.devices.looking import Looking
from gaugepost.service.facade import Running
from gaugepost.service.query import only
from gaugepost.service.views import Document
from gaugepost.shell.devices.plugged_in import Found
from gaugepost.shell.lessons.given import Given


def routes(running: Running) -> APIRouter:
    """Return the routes of devices."""
    router = APIRouter(prefix="/devices", dependencies=[Depends(only())], default_response_class=JSONResponse)
    looking = Looking()

    @router.get("")
    async def devices() -> JSONResponse:
        """What is plugged in now, and which link has it. Nothing is opened or disturbed."""
        return JSONResponse(_document(running, *await looking.look(_links(running), by_radio=False)))

    @router.post("/nearby")
    async def nearby() -> JSONResponse:
        """What is heard by radio within some seconds; what is connected by radio is slow meanwhile."""
        return JSONResponse(_document(running, *await looking.look(_links(running), by_radio=True)))

    return router


def _links(running: Running) -> Mapping[str, str]:
    told = (intake.status() for intake in running.intakes)
    return {link.name: link.description for link in told if link.state == "connected"}


def _document(running: Running, found: list[Found], problems: Mapping[str, GaugepostError]) -> Document:
    return {
        "devices": [_device(running, each) for each in found],
        "problems": [
            {"kind": kind, "problem": problem.finding, "hint": problem.hint or None}
            for kind, problem in problems.items()
        ],
    }


def _device(running: Running, found: Found) -> Document:
    link = found.link or next((name for name in running.station.links if _names(running, name, found)), None)
    set_up = running.recorder.state.set_up
    tables = (set_up.gauges, set_up.thermometers, set_up.scanners, set_up.triggers)
    return {
        **asdict(found),
        "link": link,
        "serves": [name for table in tables for name, entry in table.items() if link and entry.link == link],
        "lesson": next((one.id for one in running.lessons.going if _taught(one.wish.given, found)), None),
    }


def _names(running: Running, link: str, found: Found) -> bool:
    """Whether a link of the station is set to find just this device, connected or not."""
    plan = running.station.links[link]
    said = json.loads(plan.settings.model_dump_json())
    return plan.kind == found.kind and all(said.get(key) == value for key, value in found.settings.items())


def _taught(given: Given | None, found: Found) -> bool:
    """Whether a lesson is on this device."""
    if given is None or given.kind != found.kind:
        return False
    return all(given.settings.get(key) == value for key, value in found.settings.items())

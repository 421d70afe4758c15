"""How the station stands: health, gauges, masters, characteristics, temperatures, links."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Depends, Response
from fastapi.responses import JSONResponse

from gaugepost import __version__
from gaugepost.core.bench.state import State
from gaugepost.core.publication import publish, rfc3339
from gaugepost.core.record import Kind
from gaugepost.service import views
from gaugepost.service.destinations import at_work
from gaugepost.service.facade import Running
from gaugepost.service.measuring.shown import with_shown
from gaugepost.service.metrics import MEDIA_TYPE, Tally, exposition
from gaugepost.service.problems import unknown
from gaugepost.service.query import only
from gaugepost.service.views import Document

_FRAMES = (Kind.READING, Kind.MASTER_READING, Kind.CONDITION, Kind.BAD_FRAME, Kind.SUPPRESSED)
_LOOKED_THROUGH = 10
"""Records that are looked through for one that came of a frame: a condition may also be something noticed here."""


def routes(running: Running) -> APIRouter:
    """Return the routes that only look."""
    router = APIRouter(dependencies=[Depends(only())], default_response_class=JSONResponse)

    @router.get("/health")
    async def health() -> JSONResponse:
        """Whether records are kept, links connected and destinations reached; 503 when nothing is recorded."""
        recording = running.recorder.recording
        return JSONResponse(_health(running), 200 if recording else 503)

    @router.get("/station")
    async def station() -> JSONResponse:
        """The station, its journal and what is in hand."""
        return JSONResponse(_station(running))

    tally = Tally(running.growth)

    @router.get(
        "/metrics",
        response_class=Response,
        responses={200: {"content": {MEDIA_TYPE: {"schema": {"type": "string"}}}}},
    )
    async def metrics() -> Response:
        """Counts and states for monitoring, in the OpenMetrics text format."""
        text = await asyncio.to_thread(exposition, running, tally)
        return Response(text, media_type=MEDIA_TYPE)

    @router.get("/gauges")
    async def gauges() -> JSONResponse:
        """Every gauge: connected or not, judged or why not, mastering in force, what to read next, last reading."""
        return JSONResponse({"gauges": await asyncio.to_thread(_gauges, running, [*_state(running).gauges])})

    @router.get("/gauges/{name}")
    async def gauge(name: str) -> JSONResponse:
        """One gauge."""
        if name not in _state(running).gauges:
            raise unknown("gauge", name, _state(running).gauges)
        return JSONResponse((await asyncio.to_thread(_gauges, running, [name]))[0])

    @router.get("/masters")
    async def masters() -> JSONResponse:
        """The masters with their certified sizes and due dates."""
        state, now = _state(running), running.now()
        listed = [views.master(state, entry, now) for entry in state.set_up.masters.values()]
        return JSONResponse({"masters": listed})

    @router.get("/characteristics")
    async def characteristics() -> JSONResponse:
        """What is measured on the drawing, with its limits."""
        state = _state(running)
        listed = [views.characteristic(state, entry) for entry in state.set_up.characteristics.values()]
        return JSONResponse({"characteristics": listed})

    @router.get("/thermometers")
    async def thermometers() -> JSONResponse:
        """Temperatures with their age, and those that are declared."""
        return JSONResponse(views.thermometers(_state(running), running.now()))

    @router.get("/links")
    async def links() -> JSONResponse:
        """Every link: connected, connecting or lost, since when, and why."""
        return JSONResponse({"links": [views.link(intake.status()) for intake in running.intakes]})

    return router


def _health(running: Running) -> Document:
    recorder = running.recorder
    links = [intake.status() for intake in running.intakes]
    brief = ("destination", "state", "lag", "last_error")
    return {
        "recording": recorder.recording,
        "problem": recorder.problem,
        "held": recorder.held,
        "dropped": recorder.dropped,
        "head": running.growth.head,
        "disk": _disk(running),
        "backup": _backup(running),
        "checkpoints": _checkpoints(running),
        "links": [{"link": one.name, "state": one.state, "problem": one.problem or None} for one in links],
        "destinations": [{key: one[key] for key in brief} for one in at_work(running)],
    }


def _disk(running: Running) -> Document | None:
    """Return what the journal's disk has; None before it was looked at."""
    watch = running.room
    if watch is None or watch.room is None:
        return None
    room, days = watch.room, watch.room.days_left
    return {
        "free_bytes": room.free_bytes,
        "floor_bytes": room.floor_bytes,
        "bytes_a_day": None if room.day_bytes is None else round(room.day_bytes),
        "days_left": None if days is None else round(days, 1),
        "warning": watch.warning or None,
    }


def _checkpoints(running: Running) -> Document | None:
    """Return how signatures over the journal's head stand; None where there are none."""
    if running.checkpoints is None:
        return None
    standing = running.checkpoints.standing
    return {
        "covered": standing.last,
        "made_at": None if standing.at_ms is None else rfc3339(standing.at_ms),
        "public_key": None if standing.key is None else standing.key.hex(),
        "problem": standing.problem or None,
    }


def _backup(running: Running) -> Document | None:
    """Return how scheduled backups stand; None where there are none."""
    if running.backups is None:
        return None
    standing = running.backups.standing
    return {
        "folder": str(standing.folder),
        "file": None if standing.last is None else standing.last.path.name,
        "made_at": None if standing.last is None else rfc3339(standing.last.begun_ms),
        "head": standing.head or None,
        "kept": standing.count,
        "running": standing.running,
        "due_at": rfc3339(standing.due_ms) if standing.due_ms else None,
        "problem": standing.problem or None,
    }


def _station(running: Running) -> Document:
    state = _state(running)
    return {
        "station": running.station.name,
        "zone": running.station.set_up.zone,
        "set_up": running.id_of(state.set_up_sequence) if state.set_up_sequence is not None else None,
        "epoch": running.reader.epoch,
        "head": running.growth.head,
        "tags": views.tags(state),
        "program": __version__,
        "started_at": rfc3339(running.started.utc_ms),
        "now": rfc3339(running.now().utc_ms),
    }


def _gauges(running: Running, names: list[str]) -> list[Document]:
    """Return gauges with what the journal knows of them. Reads the disk: for a thread of its own."""
    state, now, reader = _state(running), running.now(), running.reader
    links = {intake.name: intake.status() for intake in running.intakes}
    listed = []
    for name in names:
        known = state.gauges[name]
        document = views.gauge(
            state, name, now, running.station.zone, links.get(state.set_up.gauges[name].link)
        )
        for key, sequence in (
            ("mastering", known.mastered.sequence if known.mastered else None),
            ("procedure", known.procedure.begun if known.procedure else None),
        ):
            part, entry = document[key], reader.entry(sequence) if sequence is not None else None
            if isinstance(part, dict) and entry is not None:
                part["id"] = running.id_of(entry.sequence)
                part["measured_at"] = rfc3339(entry.record.measured_at)
        readings = reader.latest(1, kinds=[Kind.READING], gauge=name)
        document["last_reading"] = (
            publish(readings[-1], reader.epoch, running.station.name) if readings else None
        )
        document["last_frame"] = _last_with_bytes(running, _FRAMES, name)
        document["last_condition"] = _last_with_bytes(running, (Kind.CONDITION,), name)
        listed.append(document)
    return listed


def _last_with_bytes(running: Running, kinds: tuple[Kind, ...], gauge: str) -> Document | None:
    """Return the last record of these kinds that came of a frame of the gauge's, as shown; None where there is none."""
    latest = running.reader.latest(_LOOKED_THROUGH, kinds=kinds, gauge=gauge)
    found = next((entry for entry in reversed(latest) if entry.record.raw), None)
    return None if found is None else with_shown(publish(found, running.reader.epoch, running.station.name))


def _state(running: Running) -> State:
    return running.recorder.state

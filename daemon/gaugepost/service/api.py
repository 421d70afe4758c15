"""The REST interface put together: routes under /v1, errors as problem details, and the door that guards them."""

from __future__ import annotations

from fastapi import Depends, FastAPI
from fastapi.responses import JSONResponse

from gaugepost import __version__
from gaugepost.edge.access import AccessFile, PeopleFile, TriesFile
from gaugepost.service.devices.routes import routes as device_routes
from gaugepost.service.door.described import described
from gaugepost.service.door.guard import Guard
from gaugepost.service.door.permission import Permission
from gaugepost.service.door.sessions import Sessions
from gaugepost.service.door.signing_in import SigningIn
from gaugepost.service.facade import Running
from gaugepost.service.mastering.routes import routes as mastering_routes
from gaugepost.service.measuring.routes import routes as measuring_routes
from gaugepost.service.page.routes import routes as page_routes
from gaugepost.service.problems import RESPONSES, add_handlers
from gaugepost.service.query import only
from gaugepost.service.routes import (
    afterwards,
    budget,
    commands,
    destinations,
    drift,
    recall,
    records,
    risk,
    station,
    station_file,
    stream,
)
from gaugepost.service.routes.access import (
    people_routes,
    session_routes,
    sessions_routes,
    signature_routes,
)
from gaugepost.service.setting_up.routes import routes as setting_up_routes
from gaugepost.service.teaching import binding
from gaugepost.service.teaching.routes import routes as lesson_routes

INDEX = {
    "GET /v1": "this list",
    "GET /v1/openapi.json": "the same for programs",
    "GET /v1/health": "whether records are kept; 503 when not",
    "GET /v1/metrics": "counts and states for monitoring, in the OpenMetrics text format",
    "GET /v1/station/file": "what the station file says, and its sha256",
    "PATCH /v1/station/file": "edit it: change (a merge patch), sha256, look, reason, operator; comments stay",
    "GET /v1/station/limits": "what limits come to as typed: limits, lower, upper, nominal, ...; feature, unit",
    "POST /v1/station/list": "look a drawing's list over: text, unit, gauges, decimal_comma; the edit that takes it",
    "GET /v1/station/schema": "what a table of the station file may hold: section",
    "POST /v1/station/reload": "read it again and take it while the station runs: reason, operator",
    "GET /v1/station": "the station, its journal's head, what is in hand",
    "GET /v1/gauges": "gauges: judged or why not, mastering, what to read next, last reading",
    "GET /v1/gauges/{name}": "one of them",
    "GET /v1/masters": "masters with their sizes and due dates",
    "GET /v1/characteristics": "what is measured, with its limits",
    "GET /v1/characteristics/{name}/budget": "its uncertainty budget as things stand: gauge",
    "GET /v1/characteristics/{name}/risk": "consumer's and producer's risk for a process: mean, spread, uncertainty",
    "GET /v1/masters/{name}/trace": "what depended on it, and becomes of it: size, uncertainty, since, until, limit",
    "GET /v1/gauges/{name}/trace": "the same of a gauge: and whose certificate, master, or which thermometer",
    "GET /v1/thermometers/{name}/trace": "the same of a thermometer: correction in kelvin, since, until, limit",
    "GET /v1/records/{name}/trace": "the same of a mastering: master and size, since, until, limit",
    "GET /v1/characteristics/{name}/run-chart": "its last measurements, masterings and voids between: gauge, lot, last",
    "GET /v1/gauges/{name}/mastering": "a gauge at its masters: which fit, soak, readings, spread, outcome, next",
    "GET /v1/measuring": "what is measured now: what comes next, the last measurement, the piece in hand: gauge",
    "GET /v1/measuring/lot": "the lot in hand: every piece with what its characteristics come to",
    "GET /v1/measuring/record": "everything measured of a lot or piece as it is printed, with signatures: lot, piece",
    "GET /v1/drift": "offsets at masterings and deviations at checks over time: what, gauge, contact_set, master, "
    "operator, since, until, by, points",
    "GET /v1/thermometers": "temperatures with their age and source",
    "GET /v1/devices": "what is plugged in, which link has it, and the link's settings that find it again",
    "POST /v1/devices/nearby": "the same by radio, which takes some seconds and slows what is connected by radio",
    "GET /v1/links": "what carries the frames, and how it stands",
    "GET /v1/destinations": "where records go, and how far they got; those that were removed too",
    "GET /v1/destinations/{name}": "one of them: what it set aside and why, what was commanded, its history",
    "GET /v1/records": "after, limit, last, field, kind, gauge, characteristic, lot, piece, since, until, wait",
    "GET /v1/records/{id}": "one record, by id or sequence",
    "GET /v1/records/{id}/shown": "one record with its numbers as a person is shown them",
    "GET /v1/records/{id}/budget": "the uncertainty budget of a reading or result as it was on its day",
    "GET /v1/stream": "records as they are recorded, as server-sent events; Last-Event-ID or after, and the filters",
    "POST /v1/gauges/{name}/mastering": "begin to master: masters, serials, readings, movement, operator",
    "POST /v1/gauges/{name}/check": "begin to check: master, serial, readings, operator",
    "DELETE /v1/gauges/{name}/procedure": "abandon what was begun: reason, operator",
    "POST /v1/gauges/{name}/procedure/finish": "finish it with the readings taken so far: operator",
    "POST /v1/gauges/{name}/attempts": "measure the piece in hand again: why, note, operator",
    "POST /v1/gauges/{name}/request": "ask a gauge for its value",
    "POST /v1/gauges/{name}/reports": "report what was done to a gauge: what, contact_set, note, operator",
    "POST /v1/records/{id}/void": "a measurement does not count: reason, operator",
    "GET /v1/suspects": "what was marked as suspect: open, or by whom it was lifted and why",
    "POST /v1/records/{id}/lifting": "what a suspect record marked counts after all: reason, operator",
    "POST /v1/records/{id}/amendment": "what it belongs to instead: lot, piece, position, reason, operator",
    "POST /v1/masters/{name}/rejudgement": "record what comes out otherwise: as for its trace, reason, operator",
    "POST /v1/gauges/{name}/rejudgement": "the same",
    "POST /v1/thermometers/{name}/rejudgement": "the same",
    "POST /v1/records/{name}/rejudgement": "the same of a mastering",
    "POST /v1/masters/{name}/suspect": "mark what depended on it as suspect: as for its trace, reason, operator",
    "POST /v1/gauges/{name}/suspect": "the same; where no period is named, since its last good check",
    "POST /v1/thermometers/{name}/suspect": "the same",
    "POST /v1/records/{name}/suspect": "the same of a mastering",
    "POST /v1/destinations/{name}/retry": "try at once, or hand refused records over again: records, all, operator",
    "POST /v1/destinations/{name}/skip": "leave records out: records or batch, reason, operator",
    "POST /v1/lessons": "begin to teach a gauge: link, or kind and settings; probe, request, channel, name, keep_s",
    "GET /v1/lessons": "the lessons that go on",
    "GET /v1/lessons/{id}": "what came and was typed: after, wait",
    "POST /v1/lessons/{id}/measurements": "take what the display shows for what came last: shows",
    "DELETE /v1/lessons/{id}/measurements/{number}": "take it back",
    "POST /v1/lessons/{id}/skip": "what came last belongs to no measurement",
    "POST /v1/lessons/{id}/silent": "while a line is found out by probe: something was sent, and nothing came",
    "POST /v1/lessons/{id}/never": "what the gauge can't show: never",
    "POST /v1/lessons/{id}/request": "ask a gauge that has a request, to see what it answers",
    "GET /v1/lessons/{id}/outcome": "what fits, the evidence, what to measure next; the description, once decided",
    "GET /v1/lessons/{id}/fitting": "descriptions at hand that read all that came, and the link's table with each",
    "DELETE /v1/lessons/{id}": "end it; a link that was lent is back",
    "POST /v1/signatures": "sign a record, a lot, a piece or a span: record, lot, piece, first, last; meaning, reason; "
    "id and pin, or id and code, again",
    "GET /v1/signatures": "what was signed, by whom, as what, and whether it stands: record, lot, piece, limit",
    "POST /v1/session": "sign in: id and pin, or code; a cookie proves it",
    "GET /v1/session": "who asks and what they may, and the csrf token that commands with a cookie need",
    "DELETE /v1/session": "sign out",
    "POST /v1/session/pin": "choose another PIN: pin, new_pin",
    "GET /v1/sessions": "who is signed in; for administrators, as all that follows to people",
    "DELETE /v1/sessions/{number}": "end somebody's session",
    "GET /v1/people": "who may sign in, and as what",
    "POST /v1/people": "add somebody: id, role, pin or code",
    "PATCH /v1/people/{id}": "another role, pin or code",
    "DELETE /v1/people/{id}": "have somebody sign in no more",
    "PUT /v1/tags": "what is in hand: operator, lot, piece, position, characteristic; null clears",
}


def build_api(running: Running) -> FastAPI:
    """Return the application that `serve` serves. It loads nothing from elsewhere and sends nothing anywhere."""
    api = FastAPI(
        title="gaugepost",
        version=__version__,
        openapi_url="/v1/openapi.json",
        docs_url=None,  # those pages load scripts from elsewhere
        redoc_url=None,
        redirect_slashes=False,
        responses=RESPONSES,
        telemetry={"tracing": False, "metrics": False, "logs": False, "auto_configure": False},
    )
    api.openapi = lambda: described(api, tls=running.station.certificate is not None)  # type: ignore[method-assign]  # FastAPI's own way to add to it
    api.state.closing = running.closing
    add_handlers(api)
    plan = running.station
    tokens, people, sessions = AccessFile(plan.data), PeopleFile(plan.data), Sessions(running.now)
    api.state.sessions = sessions
    permission = Permission(tokens, people, sessions, running.now, demanded=plan.tokens)
    api.add_middleware(Guard, names=plan.names, permission=permission)

    @api.get("/v1", dependencies=[Depends(only())])
    async def index() -> JSONResponse:
        """What there is."""
        return JSONResponse({"routes": INDEX})

    for room in (
        station,
        station_file,
        budget,
        risk,
        drift,
        destinations,
        records,
        stream,
        commands,
        afterwards,
        recall,
    ):
        api.include_router(room.routes(running), prefix="/v1")
    api.include_router(measuring_routes(running), prefix="/v1")
    api.include_router(mastering_routes(running), prefix="/v1")
    api.include_router(device_routes(running), prefix="/v1")
    api.include_router(lesson_routes(running), prefix="/v1")
    api.include_router(binding.routes(running), prefix="/v1")
    api.include_router(setting_up_routes(running), prefix="/v1")
    signing_in = SigningIn(people, TriesFile(plan.data), lambda: running.now().utc_ms)
    api.include_router(session_routes(running, sessions, signing_in), prefix="/v1")
    api.include_router(sessions_routes(running, sessions), prefix="/v1")
    api.include_router(signature_routes(running, signing_in), prefix="/v1")
    api.include_router(page_routes())
    api.include_router(people_routes(running, people, tokens), prefix="/v1")
    return api

"""What went wrong, as told: problem details (RFC 9457) with a hint that says what to do instead."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.routing import Match

from gaugepost.contract import problem_details
from gaugepost.core.access import NotKnown, NotTheirs, TooManyTries
from gaugepost.core.errors import (
    CommandRefused,
    GaugepostError,
    JournalError,
    SettingsError,
    Unreachable,
    ValueRefused,
)
from gaugepost.edge.stationfile import Finding, StationFileError

MEDIA_TYPE = "application/problem+json"
SCHEMA = {
    "type": "object",
    "required": ["title", "status", "detail"],
    "properties": {
        "title": {"type": "string", "description": "the status in words"},
        "status": {"type": "integer"},
        "detail": {"type": "string", "description": "what is wrong"},
        "hint": {"type": "string", "description": "what to do instead"},
    },
}
RESPONSES: dict[int | str, dict[str, object]] = {
    "4XX": {"description": "refused", "content": {MEDIA_TYPE: {"schema": SCHEMA}}},
    "5XX": {"description": "not possible now", "content": {MEDIA_TYPE: {"schema": SCHEMA}}},
}
"""What every route may answer besides success, for its description."""


class NotHere(GaugepostError):
    """Something was asked for that this station does not have."""


_UNTOLD = frozenset({"pin", "new_pin", "code"})
"""Keys whose values are never repeated: what was typed may be half of the right one."""

_STATUS: dict[type[GaugepostError], int] = {
    NotKnown: 401,
    NotTheirs: 403,
    TooManyTries: 429,
    NotHere: 404,
    CommandRefused: 409,
    ValueRefused: 422,
    StationFileError: 422,
    SettingsError: 503,
    JournalError: 503,
    Unreachable: 503,
}


def problem(
    status: int, detail: str, hint: str = "", headers: Mapping[str, str] | None = None
) -> JSONResponse:
    """Return the answer that tells an error as problem details."""
    return JSONResponse(problem_details(status, detail, hint), status, dict(headers or {}), MEDIA_TYPE)


def details(error: GaugepostError) -> dict[str, object]:
    """Return one of our errors as problem details."""
    said = problem_details(_status(error), error.finding, error.hint)
    if isinstance(error, StationFileError):
        said["findings"] = [finding(each) for each in error.findings]
    return said


def finding(found: Finding) -> dict[str, object]:
    """Return a finding about the station file as it is told."""
    said = {"line": found.line, "key": found.key, "finding": found.finding}
    return said | {"expected": found.expected, "write": found.write, "severity": found.severity.value}


def findings(errors: Iterable[Mapping[str, object]], *, within: int = 0) -> tuple[str, str]:
    """Return what a model found, and its hints, in words; `within` parts of each location are not the body's own."""
    said = [_said(detail, within) for detail in errors]
    return "; ".join(finding for finding, _ in said), "; ".join(
        dict.fromkeys(hint for _, hint in said if hint)
    )


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that `word` was most likely meant to be, or None where none is near."""
    found = difflib.get_close_matches(word[:100], list(known), n=1, cutoff=0.6)
    return found[0] if found else None


def unknown(what: str, name: str, known: Iterable[str]) -> NotHere:
    """Return the error for a `name` that no `what` here has."""
    names = sorted(known)
    meant = nearest(name, names)
    listed = ", ".join(names[:20]) or "none"
    return NotHere(
        f"no {what} is named {name[:80]!r}",
        hint=f"did you mean {meant}?" if meant else f"there are: {listed}",
    )


def add_handlers(api: FastAPI) -> None:
    """Have every error of `api` told as problem details."""
    api.add_exception_handler(GaugepostError, _ours)
    api.add_exception_handler(RequestValidationError, _invalid)
    api.add_exception_handler(HTTPException, _http)
    api.add_exception_handler(Exception, _bug)


async def _ours(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, GaugepostError)
    headers = {}
    if isinstance(error, NotKnown):
        headers["WWW-Authenticate"] = (
            'Bearer realm="gaugepost"'  # RFC 9110, 15.5.2 asks for one with every 401
        )
    if isinstance(error, TooManyTries) and error.wait_s is not None:
        headers["Retry-After"] = str(error.wait_s)
    return JSONResponse(details(error), _status(error), headers, MEDIA_TYPE)


async def _http(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    hints = {
        404: "GET /v1 lists what there is",
        405: "GET /v1 lists what each address takes",
        400: "send one JSON object, as UTF-8",
    }
    details = {404: f"nothing is at {request.url.path[:200]}", 405: f"{request.method} is not taken here"}
    detail = details.get(error.status_code, str(error.detail))
    headers = {"Allow": ", ".join(_taken_at(request))} if error.status_code == 405 else error.headers
    return problem(error.status_code, detail, hints.get(error.status_code, ""), headers)


def _taken_at(request: Request) -> list[str]:
    """Return every method that this address takes (RFC 9110, 15.5.6); each has a route of its own."""
    return [
        method
        for method in ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE")
        if any(
            route.matches({**request.scope, "method": method})[0] is Match.FULL
            for route in request.app.routes
        )
    ]


async def _bug(_: Request, __: Exception) -> JSONResponse:
    """A bug of ours: the server logs its traceback, whoever asked hears only that."""
    return problem(500, "the service failed over this request", "see the service's log")


async def _invalid(_: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    return problem(422, *findings(error.errors(), within=1))


def _status(error: GaugepostError) -> int:
    return _STATUS.get(type(error), 500)


def _said(detail: Mapping[str, object], within: int) -> tuple[str, str]:
    """Return one finding of a model and its hint, in words."""
    loc = detail["loc"]
    assert isinstance(loc, tuple)
    key = ".".join(part for part in loc[within:] if isinstance(part, str)) or "the body"
    context = detail.get("ctx") or {}
    assert isinstance(context, Mapping)
    kind, message = detail["type"], str(detail["msg"])
    if kind == "extra_forbidden":
        return f"{key} is not known here", "leave it out, or look at /v1/openapi.json for what there is"
    if kind == "missing":
        return f"{key} is missing", f"send {key}"
    if kind == "json_invalid":
        return f"the body is not JSON: {context.get('error', message)}", "send one JSON object, as UTF-8"
    if kind in ("literal_error", "enum"):
        expected, word = str(context["expected"]), str(detail["input"])
        meant = nearest(word, re.findall(r"'([^']+)'", expected))
        hint = f"did you mean {meant}?" if meant else f"{key} is one of {expected}"
        return f"{key} {word[:80]!r} is not known here", hint
    told = isinstance(detail["input"], str | int | float) and key not in _UNTOLD
    shown = f" {detail['input']!r:.80}" if told else ""
    message = message[:1].lower() + message[1:]
    return f"{key}{shown} can't be taken: {message}", str(context.get("hint", ""))

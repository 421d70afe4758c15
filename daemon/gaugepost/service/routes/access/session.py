"""Signing in and out of a browser, and whose session it is. What proves a session is a cookie that no script sees."""

from __future__ import annotations

import asyncio
from typing import Annotated

import structlog
from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import JSONResponse
from pydantic import Field

from gaugepost.core.access import Asker, NotKnown, Person
from gaugepost.core.bench.events import SetTags
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.core.publication import rfc3339
from gaugepost.service.commands.bodies import Said
from gaugepost.service.door import cookies
from gaugepost.service.door.sessions import IDLE_MS, LIFE_MS, Session, Sessions
from gaugepost.service.door.signing_in import SigningIn
from gaugepost.service.facade import Running
from gaugepost.service.query import only
from gaugepost.service.views import Document

Secret = Annotated[str, Field(max_length=200)]

log = structlog.get_logger(__name__)


class SignInSaid(Said):
    """An id with its PIN, or a scanned code, which says by itself whose it is."""

    id: Annotated[str, Field(max_length=200)] | None = None
    pin: Secret | None = None
    code: Secret | None = None


class NewPinSaid(Said):
    """The PIN as it is, and the one to come."""

    pin: Secret
    new_pin: Secret


def routes(running: Running, sessions: Sessions, signing_in: SigningIn) -> APIRouter:
    """Return the routes of sessions."""
    router = APIRouter(dependencies=[Depends(only())])
    people = signing_in.people

    @router.post("/session")
    async def sign_in(request: Request, said: Annotated[SignInSaid, Body()]) -> JSONResponse:
        """Sign in with id and PIN or with a scanned code; the answer's cookie proves it from then on."""
        if not people.ids():
            raise CommandRefused(
                "nobody is to sign in here",
                hint="`gaugepost access add ID` on the service's computer adds people",
            )
        address = _address(request)
        person = await _identified(signing_in, said, address)
        _end_former(request, sessions)
        proof, session = sessions.open(person, address)
        log.info("signed in", person=person.id, address=address)
        answer = JSONResponse({"accepted": True, **_own(person, session)})
        cookies.put(answer, proof, tls=_tls(request))
        return answer

    @router.get("/session")
    async def session(request: Request) -> JSONResponse:
        """Who asks and what they may; for somebody who is signed in, until when, and the token that commands need."""
        asker = asker_of(request)
        found = next((each for each in sessions.listed() if each.number == asker.session), None)
        person = people.person(found.person) if found else None
        if found is not None and person is not None:
            return JSONResponse(_own(person, found))
        return JSONResponse(
            {"person": None, "may": asker.scope.value, "name": asker.name, "people": bool(asker.people)}
        )

    @router.delete("/session")
    async def sign_out(request: Request) -> JSONResponse:
        """Sign out. Who signs out of their last session is no longer the operator in hand."""
        ended = sessions.end(_signed_in(request))
        if ended is not None:
            await out_of_hand(running, sessions, ended)
            log.info("signed out", person=ended.person)
        answer = JSONResponse({"accepted": True, "text": "signed out"})
        cookies.take_back(answer, tls=_tls(request))
        return answer

    @router.post("/session/pin")
    async def new_pin(request: Request, said: Annotated[NewPinSaid, Body()]) -> JSONResponse:
        """Choose a PIN of one's own, so that whoever gave the first one does not know it; every session ends."""
        _signed_in(request)
        try:
            person = await signing_in.by_pin(str(asker_of(request).name), said.pin, _address(request))
        except NotKnown as error:
            raise CommandRefused(
                "this is not the PIN as it is", hint="write the one that you sign in with"
            ) from error
        now = running.now().utc_ms
        await asyncio.to_thread(people.set_secret, person.id, now, person.id, pin=said.new_pin)
        await running.access_changed()
        log.info("new PIN", person=person.id, by=person.id)
        answer = JSONResponse({"accepted": True, "text": "sign in with the new PIN"})
        cookies.take_back(answer, tls=_tls(request))
        return answer

    return router


async def _identified(signing_in: SigningIn, said: SignInSaid, address: str) -> Person:
    """Return who signs in. Raises as `SigningIn.by_pin` does, `ValueRefused` where it is not said once."""
    if said.code is not None and said.id is None and said.pin is None:
        return await signing_in.by_code(said.code, address)
    if said.id is not None and said.pin is not None and said.code is None:
        return await signing_in.by_pin(said.id, said.pin, address)
    raise ValueRefused("who signs in is not said, or twice", hint="send id and pin, or code")


async def out_of_hand(running: Running, sessions: Sessions, ended: Session) -> None:
    """Have nobody be the operator in hand who is not here any more."""
    if running.recorder.state.operator == ended.person and not any(
        each.person == ended.person for each in sessions.listed()
    ):
        await running.recorder.ask(SetTags({"operator": None}))


def _end_former(request: Request, sessions: Sessions) -> None:
    """End the session that the same browser had before: nobody goes on beside whoever signs in now."""
    proof = cookies.proof_in(request.headers.getlist("cookie"), tls=_tls(request))
    former = None if proof is None else sessions.proven_by(proof)
    if former is not None:
        sessions.end(former.number)


def _own(person: Person, session: Session) -> Document:
    return {
        "person": person.id,
        "role": person.role.value,
        "may": person.role.scope.value,
        "session": session.number,
        "csrf": session.csrf,
        "until": rfc3339(session.opened.utc_ms + LIFE_MS),
        "idle_s": IDLE_MS // 1000,
    }


def _signed_in(request: Request) -> str:
    """Return the session's number. Raises `CommandRefused` where nobody is signed in."""
    number = asker_of(request).session
    if number is None:
        raise CommandRefused("nobody is signed in here", hint="POST /v1/session signs somebody in")
    return number


def asker_of(request: Request) -> Asker:
    asker: Asker = request.state.asker
    return asker


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _tls(request: Request) -> bool:
    return request.url.scheme == "https"

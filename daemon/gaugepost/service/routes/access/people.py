"""Who may sign in: added, given another role or a new secret, and revoked, by an administrator who is signed in."""

from __future__ import annotations

import asyncio
from typing import Annotated, Literal

import structlog
from fastapi import APIRouter, Body, Depends, Request
from fastapi.responses import JSONResponse

from gaugepost.core.access import Person, Role, checked_printed_name, person_document
from gaugepost.core.errors import CommandRefused
from gaugepost.edge.access import AccessFile, PeopleFile
from gaugepost.service.commands.bodies import Said, Text
from gaugepost.service.facade import Running
from gaugepost.service.query import only
from gaugepost.service.routes.access.session import Secret

log = structlog.get_logger(__name__)


class PersonSaid(Said):
    """Somebody new: a role, and a PIN or a scanned code to begin with."""

    id: Text
    role: Literal["operator", "setter", "administrator"]
    name: Text | None = None
    pin: Secret | None = None
    code: Secret | None = None


class ChangeSaid(Said):
    """What is to be otherwise: what is left out stays."""

    role: Literal["operator", "setter", "administrator"] | None = None
    name: Text | None = None
    pin: Secret | None = None
    code: Secret | None = None


def routes(running: Running, people: PeopleFile, tokens: AccessFile) -> APIRouter:
    """Return the routes of people; the guard lets administrators through to them, and nobody else."""
    router = APIRouter(dependencies=[Depends(only())])

    @router.get("/people")
    async def listed() -> JSONResponse:
        """Everybody, those who were revoked too; no secret, and no hash of one."""
        return JSONResponse({"people": [person_document(each) for each in people.people()]})

    @router.post("/people")
    async def add(request: Request, said: Annotated[PersonSaid, Body()]) -> JSONResponse:
        """Add somebody, or let somebody in again who was revoked."""
        by, now = str(request.state.asker.name), running.now().utc_ms
        if tokens.has(said.id, now):
            raise CommandRefused(f"{said.id} is a token's name", hint="choose another id")
        role = Role(said.role)
        made = await asyncio.to_thread(
            lambda: people.add(said.id, role, now, by, pin=said.pin, code=said.code, name=said.name)
        )
        await running.access_changed()
        log.info("person added", person=made.id, role=made.role.value, by=by)
        return _done(f"{made.id} may sign in", made)

    @router.patch("/people/{id}")
    async def change(id: str, request: Request, said: Annotated[ChangeSaid, Body()]) -> JSONResponse:  # noqa: A002
        """Give somebody another role, name, PIN or code. A new PIN or code ends their sessions."""
        by, now = str(request.state.asker.name), running.now().utc_ms
        made = await asyncio.to_thread(lambda: _changed(people, id, said, now, by))
        await running.access_changed()
        log.info("person changed", person=made.id, what=sorted(said.model_fields_set), by=by)
        return _done(f"{made.id} was changed", made)

    @router.delete("/people/{id}")
    async def revoke(id: str, request: Request) -> JSONResponse:  # noqa: A002
        """Have somebody sign in no more; their sessions end, and their id stays theirs."""
        by, now = str(request.state.asker.name), running.now().utc_ms

        def gone() -> None:
            _last_one(people, id)
            people.revoke(id, now, by)

        await asyncio.to_thread(gone)
        await running.access_changed()
        log.info("person revoked", person=id, by=by)
        return JSONResponse({"accepted": True, "text": f"{id} may sign in no more"})

    return router


def _changed(people: PeopleFile, id: str, said: ChangeSaid, now: int, by: str) -> Person:  # noqa: A002
    if said.role is said.name is said.pin is said.code is None:
        raise CommandRefused("nothing to change was said", hint="send role, name, pin or code")
    made = None
    if said.name is not None:
        checked_printed_name(said.name)  # nothing is changed where something can't be
    if said.pin is not None or said.code is not None:
        made = people.set_secret(id, now, by, pin=said.pin, code=said.code)
    if said.role is not None:
        if Role(said.role) is not Role.ADMINISTRATOR:
            _last_one(people, id)
        made = people.set_role(id, Role(said.role), by)
    if said.name is not None:
        made = people.set_name(id, said.name, by)
    assert made is not None
    return made


def _last_one(people: PeopleFile, id: str) -> None:  # noqa: A002
    """Raise `CommandRefused` where `id` is the only administrator: nobody could undo it from here."""
    left = [each.id for each in people.people() if each.counts and each.role is Role.ADMINISTRATOR]
    if left == [id]:
        raise CommandRefused(f"{id} is the only administrator", hint="make another one first")


def _done(text: str, person: Person) -> JSONResponse:
    return JSONResponse({"accepted": True, "text": text, "person": person_document(person)})

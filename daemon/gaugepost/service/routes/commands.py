"""What people command at the bench. Each answer waits until its records are on disk."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Body, Depends
from fastapi.responses import JSONResponse
from pydantic import AfterValidator, BaseModel, ConfigDict, Field
from pydantic_core import PydanticCustomError

from gaugepost.core.bench.events import (
    ATTEMPTS,
    REPORTS,
    Abandon,
    Another,
    BeginCheck,
    BeginMastering,
    Command,
    Finish,
    Report,
    SetTags,
)
from gaugepost.core.bench.procedures import MAX_READINGS
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.service.facade import Running
from gaugepost.service.problems import unknown
from gaugepost.service.query import only


def _printable(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise PydanticCustomError("refused", "it does not print", {"hint": "write printable characters"})
    return text


Text = Annotated[str, Field(max_length=200), AfterValidator(_printable)]
Note = Annotated[str, Field(max_length=500), AfterValidator(_printable)]
Readings = Annotated[int, Field(ge=1, le=MAX_READINGS)]


class Said(BaseModel):
    """A command's body: unknown keys are errors, and text is not taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class MasteringSaid(Said):
    """Masters in the order in which they will be read, with the serial numbers read off them."""

    masters: list[Text] = Field(min_length=1, max_length=2)
    serials: list[Text] = Field([], max_length=2)
    readings: Readings | None = None
    movement: Literal["larger", "smaller"] | None = None
    operator: Text | None = None


class CheckSaid(Said):
    """The master that will be measured, with the serial number read off it."""

    master: Text
    serial: Text | None = None
    readings: Readings | None = None
    operator: Text | None = None


class AbandonSaid(Said):
    """Why it is given up."""

    reason: Note | None = None
    operator: Text | None = None


class ReportSaid(Said):
    """What was done to the gauge."""

    what: Text = Field(description=", ".join(REPORTS))
    note: Note | None = None
    operator: Text | None = None


class FinishSaid(Said):
    """Who ends it."""

    operator: Text | None = None


class AttemptSaid(Said):
    """Why the piece in hand is measured again."""

    why: Text = Field(description=", ".join(ATTEMPTS))
    note: Note | None = None
    operator: Text | None = None


class TagsSaid(Said):
    """What is in hand: what is left out stays, null clears."""

    operator: str | None = None
    lot: str | None = None
    piece: str | None = None
    position: str | None = None
    characteristic: str | None = None


def routes(running: Running) -> APIRouter:
    """Return the routes that change something."""
    router = APIRouter(dependencies=[Depends(only())])

    @router.post("/gauges/{name}/mastering")
    async def begin_mastering(name: str, said: Annotated[MasteringSaid, Body()]) -> JSONResponse:
        """Begin to master a gauge: its next readings are of the masters."""
        return await ask(
            running,
            name,
            BeginMastering(
                name, tuple(said.masters), tuple(said.serials), said.readings, said.movement, said.operator
            ),
        )

    @router.post("/gauges/{name}/check")
    async def begin_check(name: str, said: Annotated[CheckSaid, Body()]) -> JSONResponse:
        """Begin to check a gauge: its next readings are of the master."""
        event = BeginCheck(name, said.master, said.serial, said.readings, said.operator)
        return await ask(running, name, event)

    @router.delete("/gauges/{name}/procedure")
    async def abandon(name: str, said: Annotated[AbandonSaid | None, Body()] = None) -> JSONResponse:
        """Abandon the mastering or check that is going on."""
        said = said or AbandonSaid()
        return await ask(running, name, Abandon(name, said.reason or "", said.operator))

    @router.post("/gauges/{name}/procedure/finish")
    async def finish(name: str, said: Annotated[FinishSaid | None, Body()] = None) -> JSONResponse:
        """Finish the mastering or check that is going on with the readings taken so far."""
        return await ask(running, name, Finish(name, said.operator if said else None))

    @router.post("/gauges/{name}/attempts")
    async def another(name: str, said: Annotated[AttemptSaid, Body()]) -> JSONResponse:
        """Begin another attempt at the piece in hand: earlier ones are kept."""
        return await ask(running, name, Another(name, said.why, said.note or "", said.operator))

    @router.post("/gauges/{name}/request")
    async def request(name: str) -> JSONResponse:
        """Ask a gauge for its value; it comes as a reading like any other."""
        entry = running.recorder.state.set_up.gauges.get(name)
        if entry is None:
            raise unknown("gauge", name, running.recorder.state.set_up.gauges)
        intake = next(each for each in running.intakes if each.name == entry.link)
        await intake.request(entry.channel)
        return JSONResponse({"accepted": True, "text": f"{name} was asked for its value"})

    @router.post("/gauges/{name}/reports")
    async def report(name: str, said: Annotated[ReportSaid, Body()]) -> JSONResponse:
        """Report what was done to a gauge: it is to be checked before its next verdict."""
        return await ask(running, name, Report(name, said.what, said.note or "", said.operator))

    @router.put("/tags")
    async def tags(said: Annotated[TagsSaid, Body()]) -> JSONResponse:
        """Say what is in hand."""
        changes = {key: getattr(said, key) for key in TagsSaid.model_fields if key in said.model_fields_set}
        if not changes:
            raise ValueRefused("nothing to set was said", hint=f"send {', '.join(TagsSaid.model_fields)}")
        return await ask(running, None, SetTags(changes))

    return router


async def ask(running: Running, gauge: str | None, command: Command) -> JSONResponse:
    """Answer a command once its records are on disk; `gauge` is one that must be known.

    Raises:
        CommandRefused: the bench refuses it, with what to do.
        JournalError: it could not be recorded.
    """
    known = running.recorder.state.set_up.gauges
    if gauge is not None and gauge not in known:
        raise unknown("gauge", gauge, known)
    reply = await running.recorder.ask(command)
    if not reply.accepted:
        raise CommandRefused(reply.text, hint=reply.hint)
    said: dict[str, object] = {"accepted": True, "text": reply.text}
    return JSONResponse(said | ({"hint": reply.hint} if reply.hint else {}))
